"""The cellar record of a lot as data: its label, its timeline with the daemon's findings between the entries, its
totals, its alcohol with an honest range. Drawn elsewhere: on the terminal, on paper, as JSON.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from mustwatch.cellar.additions import Purpose, purpose_of
from mustwatch.cellar.book import Addition, Bottling, Entry
from mustwatch.cellar.book import Told as Transferred
from mustwatch.cellar.history import END_MS, LotHistory, in_force
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.strength import Strength, checks, must_until, newest_gravity, strength_of, sweetened_ms
from mustwatch.cellar.told import WineAdded

TOTAL_UNITS = {
    "kg": ("g", 1000.0),
    "mg": ("g", 0.001),
    "ml": ("L", 0.001),
    "cl": ("L", 0.01),
    "l": ("L", 1.0),
}
"""Units that are added up together; any other unit is added up as it was typed."""


class Standing(StrEnum):
    """Whether an entry holds."""

    HOLDS = "holds"
    REPLACED = "replaced"
    UNDONE = "undone"
    INHERITED = "of its parent"
    """It is in the book of a lot that this one was parted from or blended of."""


@dataclass(frozen=True, slots=True)
class Told:
    """Something the daemon told of the lot: from when, until when (None: it still holds), in one plain line."""

    at_ms: int
    kind: str
    severity: str
    words: str
    until_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the timeline: an entry, or something the daemon told."""

    at_ms: int
    entry: Entry | None = None
    standing: Standing = Standing.HOLDS
    told: Told | None = None


@dataclass(frozen=True, slots=True)
class Total:
    """How much of something went in altogether, and in how many additions."""

    what: str
    times: int
    amount: float | None
    unit: str | None
    purpose: Purpose


@dataclass(frozen=True, slots=True)
class StageSpan:
    """A stage the lot went through; ``until_ms`` is None for the present one."""

    stage: Stage
    from_ms: int
    until_ms: int | None


@dataclass(frozen=True, slots=True)
class Curves:
    """What the watch made of the sensors, and what people read: (instant, value), in time order."""

    gravity: Sequence[tuple[int, float]] = ()
    celsius: Sequence[tuple[int, float]] = ()
    checks: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True)
class BookRecord:
    """The whole record of a lot.

    Attributes:
        lot: its history as the entries in force tell it.
        entries: every entry ever written of it, as typed: what another machine is given.
        lines: the timeline, oldest first.
        stages: the stages it went through.
        curves: estimate, temperature, checks.
        totals: what was added altogether.
        starting_gravity: as at the start, and ``effective_gravity`` with the sugar and water added later.
        final_gravity: the newest gravity before any sweetening.
        so2: what the book tells of its SO2, as ``views.sulfite``; None where that is nothing.
        alcohol: made so far, by the one rule for all (``cellar.strength``); None where its gravities do not tell.
    """

    lot: LotHistory
    entries: tuple[Entry, ...]
    lines: tuple[Line, ...]
    stages: tuple[StageSpan, ...]
    curves: Curves
    totals: tuple[Total, ...]
    starting_gravity: float | None
    effective_gravity: float | None
    final_gravity: float | None
    alcohol: Strength | None
    so2: Mapping[str, Any] | None = None

    @property
    def bottles(self) -> dict[float, int]:
        """Return how many bottles there are of each size in millilitres."""
        found: dict[float, int] = {}
        for entry in self.lot.entries:
            if isinstance(entry.what, Bottling):
                found[entry.what.bottle_ml] = found.get(entry.what.bottle_ml, 0) + entry.what.bottles
        return found

    @property
    def has_sulfite(self) -> bool:
        """Return whether sulfite was added."""
        return any(total.purpose is Purpose.SULFITE for total in self.totals)


def book_record(
    lot: LotHistory,
    entries: Sequence[Entry],
    told: Iterable[Told],
    gravity: Sequence[tuple[int, float]],
    celsius: Sequence[tuple[int, float]],
    stages: Sequence[tuple[int, Stage]] | None = None,
) -> BookRecord:
    """Return the record of a lot.

    Args:
        lot: its history.
        entries: all its entries as typed, undone and replaced ones too.
        told: what the daemon told of it.
        gravity: the estimate over time, 20/20; ``celsius``: the must's temperature over time.
        stages: the stages with the instants they began; None: as the entries alone tell them.
    """
    start, effective = lot.starting_gravity(), effective_start(lot)
    final = final_gravity(lot, gravity)
    return BookRecord(
        lot=lot,
        entries=tuple(entries),
        lines=tuple(_lines(lot, entries, told)),
        stages=tuple(_spans(lot.stages if stages is None else stages)),
        curves=Curves(gravity, celsius, tuple(checks(lot))),
        totals=tuple(totals(lot)),
        starting_gravity=start,
        effective_gravity=effective,
        final_gravity=final,
        alcohol=strength_of(lot, gravity),
    )


def others(lot: LotHistory) -> Iterable[Line]:
    """Yield what a lot's line holds of the books of others: its parent's before it was parted, and its blends."""
    for entry, litres in lot.with_litres_before():
        if entry.lot != lot.lot and not _is_volume(entry):
            is_own = entry.at_ms >= lot.born_ms
            yield Line(entry.at_ms, entry, Standing.HOLDS if is_own else Standing.INHERITED)
        what = entry.what
        if isinstance(what, WineAdded) and what.giver is not None and _is_blend(what, litres):
            yield from (Line(e.at_ms, e, Standing.INHERITED) for e in _line_of(what.giver, lot))


def _is_blend(what: WineAdded, litres: float | None) -> bool:
    """Return whether so much came in that the wine is of both lines: what tops it up is less than a tenth."""
    return litres is None or what.litres is None or what.litres >= 0.1 * litres


def _line_of(giver: LotHistory, lot: LotHistory) -> Iterable[Entry]:
    """Yield the line of a wine that came in, but what is in the lot's own."""
    own = {entry.id for entry in lot.entries}
    yield from (e for e in giver.entries if e.id not in own and not _is_volume(e))


def _is_volume(entry: Entry) -> bool:
    """Return whether an entry of the parent's tells no more than what was left there."""
    return isinstance(entry.what, Transferred) and not entry.what.pours


def _lines(lot: LotHistory, entries: Sequence[Entry], told: Iterable[Told]) -> list[Line]:
    held = {e.id for e in in_force(entries)}
    lines = [*others(lot), *(Line(e.at_ms, e, _standing(e, held)) for e in entries)]
    lines += [Line(t.at_ms, told=t) for t in told]
    return sorted(lines, key=lambda line: (line.at_ms, line.entry is None))


def _standing(entry: Entry, held: set[str]) -> Standing:
    if entry.id in held:
        return Standing.HOLDS
    return Standing.UNDONE if entry.undone_ms is not None else Standing.REPLACED


def _spans(stages: Sequence[tuple[int, Stage]]) -> Iterable[StageSpan]:
    ends = [from_ms for from_ms, _ in stages[1:]]
    for (from_ms, stage), until_ms in zip(stages, [*ends, None], strict=True):
        yield StageSpan(stage, from_ms, until_ms)


def totals(lot: LotHistory) -> Iterable[Total]:
    """Yield what was added altogether, in the order it was first added; weights in g, volumes in L."""
    found: dict[tuple[str, str | None], list[Addition]] = {}
    for entry in lot.entries:
        what = entry.what
        if isinstance(what, Addition):
            found.setdefault((what.what.strip().casefold(), _unit(what)[0]), []).append(what)
    for (_, unit), of in found.items():
        amounts = [a.amount * _unit(a)[1] for a in of if a.amount is not None]
        amount = sum(amounts) if len(amounts) == len(of) else None
        yield Total(of[0].what, len(of), amount, unit, purpose_of(of[0]))


def total_words(total: Total, measures: Measures) -> str:
    """Return a total's amount with its unit; or that not everything was weighed."""
    if total.amount is None:
        return "not all weighed"
    if total.unit == "L":
        return measures.volume(total.amount)
    if total.unit == "g":
        return measures.mass(total.amount)
    return f"{total.amount:.6g} {total.unit or ''}".strip()


def _unit(addition: Addition) -> tuple[str | None, float]:
    unit = addition.unit
    return (unit, 1.0) if unit is None else TOTAL_UNITS.get(unit.casefold(), (unit, 1.0))


def effective_start(lot: LotHistory) -> float | None:
    """Return the gravity the must would have had with all its fermentable sugar and water from the start."""
    sweet_ms = sweetened_ms(lot)
    must = must_until(lot, END_MS if sweet_ms is None else sweet_ms)
    return None if must is None else must.gravity


def final_gravity(lot: LotHistory, estimate: Sequence[tuple[int, float]]) -> float | None:
    """Return the newest gravity, by hand or by the estimate, before any sweetening and up to the last bottle."""
    sweet_ms = sweetened_ms(lot)
    newest = newest_gravity(lot, estimate, END_MS if sweet_ms is None else sweet_ms - 1)
    return None if newest is None else newest[1]
