"""The cellar's stock of bottles: a row for each bottling, with what was opened, given away or lost of it.

A row is known by the first entry that wrote the bottling, however often that was corrected.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from mustwatch.cellar.book import BottleFate, BottlesTaken, Bottling, Entry
from mustwatch.cellar.history import in_force
from mustwatch.cellar.measures import Measures


@dataclass(frozen=True, slots=True)
class Noted:
    """What somebody wrote of bottles of a row that they opened, gave away or lost."""

    entry: str
    at_ms: int
    fate: BottleFate
    bottles: int
    text: str | None


@dataclass(frozen=True, slots=True)
class StockRow:
    """A bottling and what became of it. ``id``: of its first entry; ``entry``: the one that holds now."""

    id: str
    entry: Entry
    bottling: Bottling
    taken: tuple[Noted, ...] = ()

    def count(self, fate: BottleFate) -> int:
        """Return how many bottles went that way."""
        return sum(noted.bottles for noted in self.taken if noted.fate is fate)

    @property
    def left(self) -> int:
        """Return how many bottles are left; below zero only in a book that does not fit together."""
        return self.bottling.bottles - sum(noted.bottles for noted in self.taken)


def stock(entries: Iterable[Entry]) -> list[StockRow]:
    """Return the stock, the oldest bottling first, from all entries of the book, those that no longer hold too."""
    entries = list(entries)
    first = _first_of(entries)
    taken: dict[str, list[Noted]] = {}
    held = in_force(entries)
    for entry in held:
        what = entry.what
        if isinstance(what, BottlesTaken):
            noted = Noted(entry.id, entry.at_ms, what.fate, what.bottles, what.text)
            taken.setdefault(first.get(what.bottling, what.bottling), []).append(noted)
    return [
        StockRow(first[e.id], e, e.what, tuple(taken.get(first[e.id], ())))
        for e in held
        if isinstance(e.what, Bottling)
    ]


def _first_of(entries: Iterable[Entry]) -> Mapping[str, str]:
    """Return for each entry the first of those it corrects in turn."""
    first: dict[str, str] = {}
    for entry in entries:  # as typed: what is corrected was written before
        first[entry.id] = first.get(entry.replaces or "", entry.id)
    return first


def stock_faults(entries: Iterable[Entry], measures: Measures) -> Iterator[str]:
    """Yield where more bottles were taken than there were, or of a bottling that is not in the book, or before it."""
    entries = list(entries)
    rows = {row.id: row for row in stock(entries)}
    first = _first_of(entries)
    for entry in in_force(entries):
        what = entry.what
        if not isinstance(what, BottlesTaken):
            continue
        row = rows.get(first.get(what.bottling, what.bottling))
        when = measures.written(entry.at_ms)
        if row is None or row.entry.lot != entry.lot:
            yield f"bottles of {entry.lot!r} were {what.fate} {when} of a bottling that is not in the book"
        elif entry.at_ms < row.entry.at_ms:
            bottled = measures.written(row.entry.at_ms)
            yield f"bottles of {entry.lot!r} were {what.fate} {when}, before they were filled ({bottled})"
    for row in rows.values():
        if row.left < 0:
            out = row.bottling.bottles - row.left
            yield (
                f"of the {row.bottling.bottles} bottles of {row.entry.lot!r} filled "
                f"{measures.written(row.entry.at_ms)} {out} would be gone: count again, or correct the bottling"
            )
