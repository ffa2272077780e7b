"""The lines of all lots: one pass over the book by what happened, each transfer told to the lots it touched.

What is derived is a function of the set of entries in force: nothing depends on the order in which they were typed.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

from mustwatch.cellar.additions import Purpose, purpose_of
from mustwatch.cellar.book import Addition, Entry, Pour, Racking, Start, Transfer, What
from mustwatch.cellar.parts import (
    Parts,
    after,
    drawn,
    inherited,
    poured,
    racked_apart,
    total,
    wine_added,
)
from mustwatch.cellar.told import Parted

if TYPE_CHECKING:
    from mustwatch.cellar.history import LotHistory

HistoryOf = Callable[[str, Sequence[Entry]], "LotHistory | None"]


class Short(NamedTuple):
    """A pour of more than the book has in that vessel then, and the litres that it has (0: the lot is not in it)."""

    entry: Entry
    pour: Pour
    litres: float


@dataclass(slots=True)
class Lines:
    """What every lot is told, and what stands where, up to an entry."""

    history_of: HistoryOf
    told: dict[str, list[Entry]] = field(default_factory=dict)
    parts: dict[str, Parts] = field(default_factory=dict)
    short: list[Short] = field(default_factory=list)

    def take(self, entry: Entry) -> None:
        """Tell an entry to the lots that it concerns. Call in time order."""
        what, parts = entry.what, self.parts.get(entry.lot, {})
        if isinstance(what, Transfer):
            self._pour(entry, what)
            return
        if isinstance(what, Racking) and len(parts) > 1:
            what = racked_apart(what, parts, entry.lot)
        self._tell(entry.lot, entry, what)

    def _tell(self, lot: str, entry: Entry, what: What) -> None:
        if what is not entry.what:
            entry = replace(entry, what=what)
        self.told.setdefault(lot, []).append(entry)
        if lot in self.parts or isinstance(what, Start | Parted):
            self.parts[lot] = after(self.parts.get(lot, {}), what)

    def _pour(self, entry: Entry, transfer: Transfer) -> None:
        done = poured(transfer, self.parts)
        self.short += [Short(entry, *of) for of in done.short]
        givers = dict.fromkeys(pour.lot for pour in done.pours)
        before = {lot: (self.history_of(lot, self.told[lot]), self.parts[lot]) for lot in givers}
        for lot in givers:
            own = [pour for pour in done.pours if pour.lot == lot]
            self._tell(lot, entry, drawn(transfer, own, done.emptied.get(lot, ()), self.parts[lot]))
        foreign = [pour for pour in done.pours if pour.becomes not in (None, pour.lot)]
        foreign.sort(key=lambda pour: -(pour.litres or 0.0))
        for pour in foreign:
            if pour.becomes is not None and pour.becomes not in self.parts:
                given = [p for p in foreign if (p.becomes, p.lot) == (pour.becomes, pour.lot)]
                self._begin(pour.becomes, entry, transfer, given, before[pour.lot])
                foreign = [p for p in foreign if p not in given]
        for into, giver in dict.fromkeys((pour.becomes, pour.lot) for pour in foreign):
            came, history = [p for p in foreign if (p.becomes, p.lot) == (into, giver)], before[giver][0]
            if into is not None and history is not None:
                brings_yeast = is_stabilised(self.told[into]) and not is_stabilised(history.entries)
                self._tell(into, entry, wine_added(history, came, brings_yeast=brings_yeast))

    def _begin(
        self,
        lot: str,
        entry: Entry,
        transfer: Transfer,
        pours: Sequence[Pour],
        parent: "tuple[LotHistory | None, Parts]",
    ) -> None:
        """Begin a lot with a part of another, whose book so far becomes its own."""
        history, parts = parent
        if history is None:
            return
        had, came = total(parts), total({str(i): p.litres for i, p in enumerate(pours)})
        share = came / had if had and came is not None else 1.0
        own = self.told.get(lot, [])
        self.told[lot] = [*inherited(history, share), *own]
        first = pours[0]
        self._tell(
            lot,
            entry,
            Parted(
                transfer.name,
                tuple(pours),
                came,
                parent=first.lot,
                gravity=first.gravity,
                finished=all(p.finished for p in pours),
            ),
        )


def is_stabilised(entries: Sequence[Entry]) -> bool:
    """Return whether a wine was stabilised, and no living yeast has come in since."""
    stabilised = False
    for entry in entries:
        if isinstance(entry.what, Addition):
            purpose = purpose_of(entry.what)
            stabilised = purpose is Purpose.STABILISE or (stabilised and purpose is not Purpose.YEAST)
    return stabilised


def lines_of(held: Sequence[Entry], history_of: HistoryOf) -> Lines:
    """Return what every lot is told by entries in force, in time order."""
    lines = Lines(history_of)
    for entry in held:
        lines.take(entry)
    return lines
