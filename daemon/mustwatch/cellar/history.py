"""The cellar through time: a fold over the book's entries in force. Who sat where, when, and in which stage.

The fold sorts by what happened (``at_ms``), never by when it was typed, so that an entry for yesterday gives
the same history as one typed at once.
"""

from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from mustwatch.cellar.book import (
    Bottling,
    Entry,
    Measurement,
    Move,
    Racking,
    Reanchor,
    StageChange,
    Start,
    Transfer,
)
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.lines import Short, lines_of
from mustwatch.cellar.parts import Parts, after, litres_after, mixed
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.told import Drawn, Parted, WineAdded

BEGINNING_MS = -(2**62)
"""Before every reading: a sensor's first configured place holds from here, so that a backlog is placed."""
END_MS = 2**62
GRAVITY_HOLDS_MS = 14 * DAY_MS
"""A gravity in the book this old says nothing of whether the wine still ferments. Common practice, no source."""
FERMENTED_OUT = 1.000
"""Above this (or its target) a wine counts as fermenting where its profile is not at hand. Common practice, no
source."""


class Stay(NamedTuple):
    """A lot in a vessel from ``from_ms`` (included) until ``until_ms`` (excluded)."""

    lot: str
    vessel: str
    from_ms: int
    until_ms: int


class SensorStay(NamedTuple):
    """A sensor in a vessel (None: in none) from ``from_ms``; as stored, by the configuration or the book."""

    sensor: str
    vessel: str | None
    from_ms: int


class Placement(NamedTuple):
    """Where a sensor's statement belongs, and for how long that answer holds (``from_ms`` <= t < ``until_ms``)."""

    vessel: str | None
    lot: str | None
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class LotHistory:
    """One lot: its entries in force in time order, its stays and its stages."""

    lot: str
    entries: tuple[Entry, ...]
    stays: tuple[Stay, ...]
    stages: tuple[tuple[int, Stage], ...]
    volumes: tuple[tuple[int, float | None], ...] = ()
    """Its litres after each entry, as (instant, litres or None)."""
    parts_through: tuple[tuple[int, Parts], ...] = ()
    """What stood in which of its vessels after each entry that changed it, as (instant, litres by vessel)."""
    born_ms: int = BEGINNING_MS
    """When it came to be: its start, or when it was parted from the lot whose line it goes on with."""
    end: tuple[int, str] | None = None
    """When its last vessel was empty, and how it went; None while it stands in one."""

    @property
    def start(self) -> Start:
        """Return what the lot began with."""
        what = self.entries[0].what
        assert isinstance(what, Start)  # noqa: S101 - the fold admits no lot without a start
        return what

    @property
    def started_ms(self) -> int:
        """Return when the lot began."""
        return self.entries[0].at_ms

    @property
    def bottled_ms(self) -> int | None:
        """Return when the lot was (last) bottled, or None while some of it stands in a vessel."""
        if self.end is None:
            return None
        return next((e.at_ms for e in reversed(self.entries) if isinstance(e.what, Bottling)), None)

    @property
    def ended_ms(self) -> int | None:
        """Return when the wine first left its last vessel for bottles (or was said to be gone), or None."""
        return None if self.end is None else self.end[0]

    @property
    def ended_as(self) -> str | None:
        """Return in words how the wine left its last vessel (``bottled``, ``blended``), or None while it is there."""
        return None if self.end is None else self.end[1]

    @property
    def vessel(self) -> str | None:
        """Return the vessel the lot sits in now (the first of several), None once bottled."""
        return next((stay.vessel for stay in self.stays if stay.until_ms == END_MS), None)

    @property
    def parts(self) -> Parts:
        """Return the litres in each of its vessels now; empty once bottled."""
        return self.parts_at(END_MS)

    def parts_at(self, at_ms: int) -> Parts:
        """Return the litres in each of its vessels at an instant, its entries included."""
        position = bisect_right(self.parts_through, at_ms, key=lambda p: p[0]) - 1
        return self.parts_through[position][1] if position >= 0 else {}

    def vessel_at(self, at_ms: int) -> str | None:
        """Return the vessel the lot sat in at an instant (the first of several), or None."""
        return next(iter(self.vessels_at(at_ms)), None)

    def vessels_at(self, at_ms: int) -> tuple[str, ...]:
        """Return the vessels the lot sat in at an instant, the one it came into first before the others."""
        return tuple(s.vessel for s in self.stays if s.from_ms <= at_ms < s.until_ms)

    def stage_at(self, at_ms: int) -> Stage:
        """Return the stage at an instant as the entries alone tell it."""
        stage = Stage.PRIMARY
        for from_ms, of in self.stages:
            if from_ms > at_ms:
                break
            stage = of
        return stage

    @property
    def litres(self) -> float | None:
        """Return the lot's volume in litres as last written down and grown by additions, or None if never."""
        return self.litres_at(END_MS)

    def litres_at(self, at_ms: int) -> float | None:
        """Return the lot's volume in litres at an instant, its entries included, or None if not yet written down."""
        position = bisect_right(self.volumes, at_ms, key=lambda v: v[0]) - 1
        return self.volumes[position][1] if position >= 0 else None

    def with_litres_before(self) -> Iterator[tuple[Entry, float | None]]:
        """Yield each entry with the lot's litres just before it."""
        before: float | None = None
        for entry, (_, litres) in zip(self.entries, self.volumes, strict=True):
            yield entry, before
            before = litres

    def gravities(self) -> Iterator[tuple[int, float]]:
        """Yield each gravity 20/20 the book knows, in time order, also what wine that came in made of one."""
        gravity: float | None = None
        for entry, before in self.with_litres_before():
            what = entry.what
            said = what.gravity if isinstance(what, Start | Measurement | Racking | Parted) else None
            if isinstance(what, WineAdded):
                said = mixed(gravity, before, what.gravity, what.litres)
            if said is not None:
                gravity = said
                yield entry.at_ms, said

    def last_measurement(self) -> tuple[int, Measurement] | None:
        """Return the newest hydrometer check with a gravity, with its instant, or None."""
        for entry in reversed(self.entries):
            if isinstance(entry.what, Measurement) and entry.what.gravity is not None:
                return entry.at_ms, entry.what
        return None

    def starting_gravity(self) -> float | None:
        """Return the gravity written at the start, else of the first check, else None."""
        if self.start.gravity is not None:
            return self.start.gravity
        first = (e.what.gravity for e in self.entries if isinstance(e.what, Measurement))
        return next((g for g in first if g is not None), None)


def in_force(entries: Iterable[Entry]) -> list[Entry]:
    """Return the entries that hold: not undone and not replaced by one that holds; by ``at_ms``, then typing.

    A start sorts before anything else of the same instant.
    """
    standing = [e for e in entries if e.undone_ms is None]
    replaced = {e.replaces for e in standing if e.replaces is not None}
    held = [e for e in standing if e.id not in replaced]
    return sorted(held, key=lambda e: (e.at_ms, not isinstance(e.what, Start), e.recorded_ms, e.id))


def stage_after(stage: Stage, entry: Entry, *, ferments: bool = False) -> Stage:
    """Return the stage after an entry: racking leaves primary for secondary, then secondary for clearing.

    A wine that still ``ferments`` is in its secondary, however often it is racked.
    """
    what = entry.what
    if isinstance(what, StageChange):
        return what.stage
    if isinstance(what, Bottling) and not what.in_part:
        return Stage.BOTTLED
    if isinstance(what, Racking):
        if ferments and stage is not Stage.PRIMARY:
            return stage
        return {
            Stage.PRIMARY: Stage.SECONDARY,
            Stage.SECONDARY: Stage.CLEARING,
            Stage.CLEARING: Stage.MATURING,
        }.get(stage, stage)
    return stage


def ferments_at(entries: Iterable[Entry], at_ms: int, level: float) -> bool:
    """Return whether the newest gravity in the book of the fortnight before an instant is above a level (20/20)."""
    known = [
        (e.at_ms, e.what.gravity)
        for e in entries
        if isinstance(e.what, Start | Measurement | Racking)
        and e.what.gravity is not None
        and e.at_ms <= at_ms
    ]
    return bool(known) and at_ms - known[-1][0] <= GRAVITY_HOLDS_MS and known[-1][1] > level


def _goes_as(entry: Entry) -> str:
    """Return in a word how the last of a wine went by an entry."""
    what = entry.what
    if isinstance(what, Drawn):
        into = sorted({p.to_lot for p in what.pours if p.to_lot is not None})
        if into:
            return f"made part of {' and '.join(into)}"
        return next((p.fate.value for p in what.pours), "used up")
    return Stage.BOTTLED.value


def lot_history(lot: str, entries: Sequence[Entry]) -> LotHistory | None:
    """Return a lot's history from what it was told, in time order; None if none of that is a start."""
    begins = next((i for i, e in enumerate(entries) if isinstance(e.what, Start)), None)
    if begins is None:
        return None
    kept = tuple(entries[begins:])
    first = kept[0]
    target = first.what.target_gravity if isinstance(first.what, Start) else None
    level = max(FERMENTED_OUT, target or 0.0)
    stages = [(first.at_ms, Stage.PRIMARY)]
    told = _Told(lot)
    for entry in kept:
        told.take(entry)
        ferments = isinstance(entry.what, Racking) and ferments_at(kept, entry.at_ms, level)
        stage = stage_after(stages[-1][1], entry, ferments=ferments)
        if stage is not stages[-1][1]:
            stages.append((entry.at_ms, stage))
    born = next((e.at_ms for e in reversed(kept) if isinstance(e.what, Parted)), first.at_ms)
    stays, volumes, through = tuple(told.stays), tuple(told.volumes), tuple(told.through)
    return LotHistory(lot, kept, stays, tuple(stages), volumes, through, born, told.end)


@dataclass(slots=True)
class _Told:
    """What stands where, entry by entry."""

    lot: str
    parts: Parts = field(default_factory=dict)
    litres: float | None = None
    stays: list[Stay] = field(default_factory=list)
    volumes: list[tuple[int, float | None]] = field(default_factory=list)
    through: list[tuple[int, Parts]] = field(default_factory=list)
    end: tuple[int, str] | None = None

    def take(self, entry: Entry) -> None:
        before, what, at_ms = self.parts, entry.what, entry.at_ms
        if isinstance(what, Parted):
            self.stays, self.through, self.end, before = [], [], None, {}
        self.parts, self.litres = after(self.parts, what), litres_after(what, self.litres)
        self.volumes.append((at_ms, self.litres))
        if self.parts == before:
            return
        self.through.append((at_ms, self.parts))
        for i, stay in enumerate(self.stays):
            if stay.until_ms == END_MS and stay.vessel not in self.parts:
                self.stays[i] = stay._replace(until_ms=at_ms)
        self.stays += [Stay(self.lot, v, at_ms, END_MS) for v in self.parts if v not in before]
        if not self.parts and self.end is None:
            self.end = (at_ms, _goes_as(entry))


@dataclass(frozen=True, slots=True)
class CellarHistory:
    """All lots and all sensors' places through time."""

    lots: Mapping[str, LotHistory]
    sensor_stays: Mapping[str, tuple[SensorStay, ...]] = field(default_factory=dict)
    offsets: Mapping[str, tuple[tuple[int, float], ...]] = field(default_factory=dict)
    """A float's re-anchorings as (from when, offset of gravity), in time order."""
    short: tuple[Short, ...] = ()
    """Pours of wine that was not there, as the book now stands."""
    _stays_in: dict[str, list[Stay]] = field(init=False, repr=False, compare=False, default_factory=dict)
    """All lots' stays by vessel: a large cellar asks it for every sensor."""

    def __post_init__(self) -> None:
        """Sort the stays by their vessel."""
        for history in self.lots.values():
            for stay in history.stays:
                self._stays_in.setdefault(stay.vessel, []).append(stay)

    def lot_in(self, vessel: str, at_ms: int) -> Stay | None:
        """Return the stay of the lot that sat in a vessel at an instant, or None."""
        stays = self._stays_in.get(vessel, ())
        return next((stay for stay in stays if stay.from_ms <= at_ms < stay.until_ms), None)

    def sensors_in(self, vessel: str) -> list[str]:
        """Return the sensors that were ever in a vessel."""
        return [s for s, stays in self.sensor_stays.items() if any(stay.vessel == vessel for stay in stays)]

    def place(self, sensor: str, at_ms: int) -> Placement:
        """Return where a sensor's statement of an instant belongs, and for how long that holds."""
        stays = self.sensor_stays.get(sensor, ())
        position = bisect_right(stays, at_ms, key=lambda s: s.from_ms) - 1
        if position < 0:
            return Placement(None, None, BEGINNING_MS, stays[0].from_ms if stays else END_MS)
        vessel = stays[position].vessel
        from_ms = stays[position].from_ms
        until_ms = stays[position + 1].from_ms if position + 1 < len(stays) else END_MS
        if vessel is None:
            return Placement(None, None, from_ms, until_ms)
        stay = self.lot_in(vessel, at_ms)
        if stay is not None:
            return Placement(vessel, stay.lot, max(from_ms, stay.from_ms), min(until_ms, stay.until_ms))
        others = self._stays_in.get(vessel, ())
        before = [s.until_ms for s in others if s.until_ms <= at_ms]
        after = [s.from_ms for s in others if s.from_ms > at_ms]
        return Placement(vessel, None, max([from_ms, *before]), min([until_ms, *after]))


def _left_by_bottling(
    lot: LotHistory, stays: Sequence[SensorStay], given: Collection[SensorStay]
) -> SensorStay | None:
    """Return that a sensor is out since its lot was bottled, or None where it was elsewhere or is there to stay."""
    ended_ms = lot.ended_ms
    if ended_ms is None:
        return None
    last = max((s for s in stays if s.from_ms <= ended_ms), key=lambda s: s.from_ms, default=None)
    was_with_it = last is not None and last.vessel in lot.vessels_at(ended_ms - 1)
    return SensorStay(last.sensor, None, ended_ms) if last and was_with_it and last not in given else None


def fold(entries: Iterable[Entry], configured: Iterable[SensorStay] = ()) -> CellarHistory:
    """Return the cellar's history from the book's entries and the sensors' configured places.

    A float named in a racking goes with the wine, a sensor named at a start is in it; a ``Move`` puts it elsewhere. The
    newest statement about a sensor's place holds, whether it came from the configuration or from the book. What the
    book put in with a lot is out once that is bottled; what the configuration put there stays.
    """
    configured = list(configured)
    places: dict[str, list[SensorStay]] = {}
    offsets: dict[str, list[tuple[int, float]]] = {}
    for stay in configured:
        places.setdefault(stay.sensor, []).append(stay)
    held = in_force(entries)
    for entry in held:
        what = entry.what
        if isinstance(what, Move):
            places.setdefault(what.sensor, []).append(SensorStay(what.sensor, what.to_vessel, entry.at_ms))
        elif isinstance(what, Start | Racking):
            vessel = what.vessel if isinstance(what, Start) else what.to_vessel
            for sensor in what.floats:
                places.setdefault(sensor, []).append(SensorStay(sensor, vessel, entry.at_ms))
        elif isinstance(what, Transfer):
            for pour in (p for p in what.pours if p.to_vessel is not None):
                for sensor in pour.floats:
                    places.setdefault(sensor, []).append(SensorStay(sensor, pour.to_vessel, entry.at_ms))
        elif isinstance(what, Reanchor):
            offsets.setdefault(what.sensor, []).append((entry.at_ms, what.offset))
    lines = lines_of(held, lot_history)
    lots = {lot: history for lot, of in lines.told.items() if (history := lot_history(lot, of)) is not None}
    given = set(configured)
    for history in lots.values():
        for of in places.values():
            if (out := _left_by_bottling(history, of, given)) is not None:
                of.append(out)
    ordered = {sensor: tuple(sorted(of, key=lambda s: s.from_ms)) for sensor, of in places.items()}
    turned = {sensor: tuple(of) for sensor, of in offsets.items()}
    return CellarHistory(lots, ordered, turned, tuple(lines.short))
