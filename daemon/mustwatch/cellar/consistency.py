"""Whether the book as a whole still makes sense after an entry was undone or corrected, or a record taken over.

A new entry is judged by ``cellar.rules``. Undoing one can break what came later: a start undone leaves
its checks without a lot, a racking undone leaves the wine in a vessel that has been used again since.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from mustwatch.cellar.book import WHOLE_CELLAR, Addition, Entry, Racking, Start, Told, Transfer
from mustwatch.cellar.history import CellarHistory, LotHistory, Stay, fold, in_force
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.refusal import Reason, Refusal, wrong
from mustwatch.cellar.stock import stock_faults


def broken_by(before: Iterable[Entry], after: Iterable[Entry], measures: Measures = PLAIN) -> list[Refusal]:
    """Return what does not fit together in the book ``after`` a change that did fit ``before`` it."""
    known = set(_faults(list(before), measures))
    return [
        wrong(Reason.BREAKS_THE_BOOK, line) for line in _faults(list(after), measures) if line not in known
    ]


@dataclass(frozen=True, slots=True)
class News:
    """What a record from another machine brings: entries to write, entries to undo (with ``undone_ms``), why not."""

    fresh: tuple[Entry, ...]
    undone: tuple[Entry, ...]
    refusals: tuple[Refusal, ...]

    def applied_to(self, book: Iterable[Entry]) -> list[Entry]:
        """Return the book with it."""
        undone = {entry.id: entry for entry in self.undone}
        return [*(undone.get(entry.id, entry) for entry in book), *self.fresh]


def news_of(record: Sequence[Entry], book: Sequence[Entry], measures: Measures = PLAIN) -> News:
    """Return what a lot's record brings to a book that may hold some of its entries already.

    The same entry is taken once; one that was undone there is undone here; one that says something else is refused.
    """
    here = {entry.id: entry for entry in book}
    both = [(entry, here[entry.id]) for entry in record if entry.id in here]
    name = record[0].lot
    elsewhere = next((ours.lot for _, ours in both if ours.lot != name), None)
    differing = next((e for e, ours in both if _said(e) != _said(ours)), None)
    begun = next((e for e in in_force(book) if e.lot == name and isinstance(e.what, Start)), None)
    line = None
    if elsewhere is not None:
        line = (
            f"these entries are in the book already, as lot {elsewhere!r}: "
            "take them over without another name, which adds what is missing there"
        )
    elif differing is not None:
        line = (
            f"entry {differing.id} ({differing.kind} of {measures.written(differing.at_ms)}) is in the book and says "
            "something else there: the file was changed by hand; use the one that mustwatch book --json wrote"
        )
    elif begun is not None and not both:
        line = (
            f"another lot {name!r} has been in the book since {measures.written(begun.at_ms)}: "
            "take this one over under another name, mustwatch book NEWNAME --import FILE"
        )
    undone = (e for e, ours in both if e.undone_ms is not None and ours.undone_ms is None)
    fresh = (entry for entry in record if entry.id not in here)
    return News(
        tuple(fresh), tuple(undone), () if line is None else (wrong(Reason.ALREADY_IN_THE_BOOK, line),)
    )


def entry_name(entry: Entry) -> str:
    """Return what an entry is called in a sentence: its kind, or the name of its transfer."""
    return str(entry.what.name if isinstance(entry.what, Transfer | Told) else entry.kind)


def _said(entry: Entry) -> Entry:
    """Return an entry as it was written, whether or not it was undone later."""
    return replace(entry, undone_ms=None)


def _faults(entries: list[Entry], measures: Measures) -> Iterator[str]:
    held = in_force(entries)
    history = fold(entries)
    yield from _without_a_start(held, history, measures)
    for lot in history.lots.values():
        yield from _out_of_order(lot, measures)
    yield from _sharing(history, measures)
    yield from stock_faults(entries, measures)
    yield from _short(history, measures)


def _short(history: CellarHistory, measures: Measures) -> Iterator[str]:
    for entry, pour, litres in history.short:
        when = measures.written(entry.at_ms)
        asked = "what is" if pour.litres is None else measures.volume(pour.litres)
        there = f"holds only {measures.volume(litres)} of it" if litres else "does not hold it"
        yield (
            f"the {entry_name(entry)} of {when} takes {asked} of {pour.lot!r} from {pour.vessel}, which {there} then: "
            "undo that or correct it first"
        )


def _without_a_start(held: list[Entry], history: CellarHistory, measures: Measures) -> Iterator[str]:
    for entry in held:
        when = measures.written(entry.at_ms)
        lot = history.lots.get(entry.lot)
        if entry.lot == WHOLE_CELLAR:
            continue
        if lot is None:
            line = f"lot {entry.lot!r} would have no start, but a {entry_name(entry)} of {when}"
            yield f"{line}: undo that first"
        elif entry.at_ms < lot.born_ms:
            yield f"lot {entry.lot!r} would begin after its {entry_name(entry)} of {when}: correct that first"


def _out_of_order(lot: LotHistory, measures: Measures) -> Iterator[str]:
    starts = [e for e in lot.entries if isinstance(e.what, Start)]
    if len(starts) > 1:
        yield f"lot {lot.lot!r} would begin twice, again on {measures.written(starts[1].at_ms)}"
    ended_ms = lot.ended_ms
    for entry in lot.entries:
        is_of_wine = isinstance(entry.what, Racking | Addition | Told)
        if ended_ms is not None and entry.at_ms > ended_ms and is_of_wine:
            when, name = measures.written(entry.at_ms), entry_name(entry)
            yield f"lot {lot.lot!r} would be {lot.ended_as} before its {name} of {when}: correct that first"


def _sharing(history: CellarHistory, measures: Measures) -> Iterator[str]:
    by_vessel: dict[str, list[Stay]] = {}
    for lot in history.lots.values():
        for stay in lot.stays:
            by_vessel.setdefault(stay.vessel, []).append(stay)
    for vessel, stays in by_vessel.items():
        for one, other in combinations(stays, 2):
            if one.lot != other.lot and one.from_ms < other.until_ms and other.from_ms < one.until_ms:
                when = measures.written(max(one.from_ms, other.from_ms))
                both = f"{one.lot!r} and {other.lot!r}"
                yield f"{vessel} would hold {both} at once from {when}: correct the other first"
