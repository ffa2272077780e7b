"""The truth of a simulated cellar, for scoring: what really was in each vessel, and what really happened."""

from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from mustsim.density import FloatArray, must_gravity_at

MillisArray = npt.NDArray[np.int64]

STILL_RATE_PER_DAY: Final = 0.0008
"""A fall of gravity per day under which a ferment counts as still."""
ONSET_FALL: Final = 0.003
"""Gravity fermented away by which the onset can be seen. Own definition."""
PAUSE_H: Final = 24.0
"""A still spell shorter than this is no pause: a cold night is not an end."""
SUGAR_LEFT_G_PER_L: Final = 4.0
"""Sugar under which a still ferment has ended. Source: EU/OIV, dry wine has at most 4 g/L."""
SLOW_RATE_PER_DAY: Final = 0.005
SLOW_ABOVE: Final = 1.005
"""Sluggish: falls less than 0.005 a day above 1.005. Source: Pambianchi, Modern Home Winemaking."""
FAST_CHANGE_C: Final = 3.0
"""Change of temperature within an hour that counts as fast. Common practice."""
MS_PER_H: Final = 3_600_000


class Grid(NamedTuple):
    """The even grid of a run: hours since the begin, the begin itself, and its local hour of the day."""

    hours: FloatArray
    begins_ms: int
    first_local_hour: float

    def ms(self, hour: float) -> int:
        """Return the instant of an hour since the begin, milliseconds since the epoch."""
        return self.begins_ms + round(hour * MS_PER_H)

    def hour(self, at_ms: int) -> float:
        """Return the hour since the begin of an instant."""
        return (at_ms - self.begins_ms) / MS_PER_H


class Event(NamedTuple):
    """Something that truly happened, from an instant on (``until_ms`` None: an instant, or to the end).

    Kinds of a lot: ``onset``, ``crossing`` (value: the racking gravity), ``stall``, ``pause``, ``end`` (value:
    gravity), ``resume``, ``slow``, ``too-cold``, ``too-warm``, ``urgent-cold``, ``urgent-warm`` (value: the
    extreme in °C), ``fast-change`` (value: K within an hour). Of a sensor: the kinds of ``FaultKind``.
    """

    kind: str
    at_ms: int
    until_ms: int | None = None
    value: float | None = None
    sensor: str | None = None


class Done(NamedTuple):
    """Something people did, as they would write it down (``written`` False: they forgot).

    ``gravity_shown`` is what the hydrometer showed at the sample's temperature, in steps of 0.001.
    ``out_min``: racking: minutes for which the floats lay in the air.
    """

    at_ms: int
    lot: str
    what: str
    written: bool
    vessel: str
    to_vessel: str | None = None
    floats: tuple[str, ...] = ()
    gravity_shown: float | None = None
    temperature_c: float | None = None
    litres: float | None = None
    amount: float | None = None
    unit: str | None = None
    sugar_g: float | None = None
    why: str = ""
    out_min: float = 0.0


@dataclass(frozen=True, slots=True)
class LotTruth:
    """One lot's truth on the scenario's even grid; arrays of one length.

    Attributes:
        t_ms: instants, milliseconds since the epoch. ``gravity`` 20/20; ``rate_per_day`` its change by
            fermenting alone (additions make gravity jump, not the rate); ``temperature_c`` of the must.
        sugar_g_per_l, ethanol_g_per_l, extract_g_per_l, co2_g_per_h, heat_w: of the whole lot where not per L.
        stays: vessel by vessel, each with the instant from which the lot was in it.
        dry_gravity: gravity it would have with all sugar fermented (from the last state).
    """

    lot: str
    profile: str
    racking_gravity: float
    band_c: tuple[float, float, float, float]
    t_ms: MillisArray
    gravity: FloatArray
    rate_per_day: FloatArray
    temperature_c: FloatArray
    sugar_g_per_l: FloatArray
    ethanol_g_per_l: FloatArray
    extract_g_per_l: FloatArray
    co2_g_per_h: FloatArray
    heat_w: FloatArray
    litres: FloatArray
    stays: tuple[tuple[int, str], ...]
    dry_gravity: float
    events: tuple[Event, ...] = ()

    def hours(self, grid: Grid) -> FloatArray:
        """Return its instants as hours since the scenario's begin."""
        return np.asarray((self.t_ms - grid.begins_ms) / MS_PER_H, dtype=np.float64)

    def of(self, kind: str) -> list[Event]:
        """Return its events of a kind, in time order."""
        return [event for event in self.events if event.kind == kind]

    def first(self, kind: str) -> Event | None:
        """Return its first event of a kind, or None."""
        return next((event for event in self.events if event.kind == kind), None)

    def gravity_at(self, at_ms: int | MillisArray) -> FloatArray:
        """Return the true gravity at an instant, or at many."""
        return np.asarray(np.interp(at_ms, self.t_ms, self.gravity), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class CellarTruth:
    """The truth of the whole cellar."""

    lots: dict[str, LotTruth]
    rooms: dict[str, FloatArray]
    sensors: tuple[Event, ...] = ()
    actions: tuple[Done, ...] = field(default=())

    def as_json(self, every: int = 1) -> dict[str, Any]:
        """Return it as plain values for JSON, with every n-th point of the curves."""
        return {
            "lots": {name: _lot_json(lot, every) for name, lot in self.lots.items()},
            "sensors": [event._asdict() for event in self.sensors],
            "actions": [done._asdict() for done in self.actions],
        }


def _lot_json(lot: LotTruth, every: int) -> dict[str, Any]:
    curves = {
        "t_ms": lot.t_ms[::every].tolist(),
        "gravity": np.round(lot.gravity[::every], 6).tolist(),
        "rate_per_day": np.round(lot.rate_per_day[::every], 6).tolist(),
        "celsius": np.round(lot.temperature_c[::every], 3).tolist(),
        "sugar_g_per_l": np.round(lot.sugar_g_per_l[::every], 3).tolist(),
        "ethanol_g_per_l": np.round(lot.ethanol_g_per_l[::every], 3).tolist(),
        "co2_g_per_h": np.round(lot.co2_g_per_h[::every], 3).tolist(),
        "heat_w": np.round(lot.heat_w[::every], 3).tolist(),
    }
    return {
        "profile": lot.profile,
        "racking_gravity": lot.racking_gravity,
        "dry_gravity": round(lot.dry_gravity, 5),
        "stays": [{"from_ms": at, "vessel": vessel} for at, vessel in lot.stays],
        "events": [event._asdict() for event in lot.events],
        **curves,
    }


def lot_events(truth: LotTruth, dwell_min: float, dry_at: float) -> tuple[Event, ...]:
    """Return everything that truly happened in a lot, in time order.

    Args:
        truth: its curves. dwell_min: excursions outside its band count if longer than this, minutes.
        dry_at: a still ferment above this gravity and with sugar left has stalled, otherwise ended or paused.
    """
    events = _onset(truth) + crossings(truth, truth.racking_gravity) + _still(truth, dry_at) + _slow(truth)
    low, high, urgent_low, urgent_high = truth.band_c
    for kind, limit in (("too-cold", low), ("urgent-cold", urgent_low)):
        events += excursions(truth.t_ms, truth.temperature_c, kind, limit, dwell_min, above=False)
    for kind, limit in (("too-warm", high), ("urgent-warm", urgent_high)):
        events += excursions(truth.t_ms, truth.temperature_c, kind, limit, dwell_min, above=True)
    events += fast_changes(truth.t_ms, truth.temperature_c, FAST_CHANGE_C)
    return tuple(sorted(events, key=lambda event: event.at_ms))


def dry_gravity(
    sugar_g_per_l: float, ethanol_g_per_l: float, extract_g_per_l: float, yielded: float
) -> float:
    """Return the gravity 20/20 once all of this sugar is fermented at a yield of g ethanol per g."""
    return must_gravity_at(0.0, ethanol_g_per_l + yielded * sugar_g_per_l, extract_g_per_l)


def crossings(truth: LotTruth, gravity: float) -> list[Event]:
    """Return each downward crossing of a gravity, by straight lines between the grid's points."""
    above = truth.gravity > gravity
    at = np.flatnonzero(above[:-1] & ~above[1:])
    events = []
    for i in at.tolist():
        here, there = truth.gravity[i] - gravity, truth.gravity[i + 1] - gravity
        share = here / (here - there)
        events.append(
            Event("crossing", int(truth.t_ms[i] + share * (truth.t_ms[i + 1] - truth.t_ms[i])), None, gravity)
        )
    return events


def excursions(
    t_ms: MillisArray, temperature_c: FloatArray, kind: str, limit_c: float, dwell_min: float, *, above: bool
) -> list[Event]:
    """Return the spells beyond a temperature limit that last longer than a dwell, each with its extreme."""
    beyond = temperature_c > limit_c if above else temperature_c < limit_c
    extreme = np.max if above else np.min
    return [
        Event(kind, int(t_ms[a]), int(t_ms[b]), float(extreme(temperature_c[a : b + 1])))
        for a, b in _spells(beyond)
        if t_ms[b] - t_ms[a] > dwell_min * 60_000
    ]


def fast_changes(t_ms: MillisArray, temperature_c: FloatArray, change_c: float) -> list[Event]:
    """Return the spells in which temperature changes by more than ``change_c`` within an hour."""
    per_hour = max(1, round(MS_PER_H / int(t_ms[1] - t_ms[0])))
    change = np.zeros_like(temperature_c)
    change[per_hour:] = temperature_c[per_hour:] - temperature_c[:-per_hour]
    return [
        Event(
            "fast-change", int(t_ms[a]), int(t_ms[b]), float(change[a + np.argmax(np.abs(change[a : b + 1]))])
        )
        for a, b in _spells(np.abs(change) >= change_c)
    ]


def _onset(truth: LotTruth) -> list[Event]:
    step_days = float(truth.t_ms[1] - truth.t_ms[0]) / MS_PER_H / 24.0
    fermented = np.cumsum(-truth.rate_per_day) * step_days
    if fermented[-1] < ONSET_FALL:
        return []
    at = int(np.argmax(fermented >= ONSET_FALL))
    return [Event("onset", int(truth.t_ms[at]), None, float(truth.gravity[at]))]


def _still(truth: LotTruth, dry_at: float) -> list[Event]:
    """Return the ends, stalls, pauses and resumptions after the onset.

    A ferment that crawls on into dryness has stalled until then, if that takes it a day or more, and ends there.
    """
    onset = _onset(truth)
    if not onset:
        return []
    still = (truth.rate_per_day > -STILL_RATE_PER_DAY) & (truth.t_ms > onset[0].at_ms)
    events = []
    for a, b in _spells(still):
        is_last = b == still.size - 1
        if not is_last and truth.t_ms[b] - truth.t_ms[a] < PAUSE_H * MS_PER_H:
            continue
        gravity, sugar = float(truth.gravity[a]), float(truth.sugar_g_per_l[a])
        until = None if is_last else int(truth.t_ms[b])
        has_stalled = gravity > dry_at and sugar > SUGAR_LEFT_G_PER_L
        dry = a + int(np.argmax(truth.gravity[a : b + 1] <= dry_at))
        if has_stalled and truth.gravity[dry] <= dry_at:  # it crawls on into dryness, and ends there
            if truth.t_ms[dry] - truth.t_ms[a] >= PAUSE_H * MS_PER_H:
                events.append(Event("stall", int(truth.t_ms[a]), int(truth.t_ms[dry]), gravity))
            a, gravity, has_stalled = dry, float(truth.gravity[dry]), False
        kind = "stall" if has_stalled else "end" if is_last else "pause"
        events.append(Event(kind, int(truth.t_ms[a]), until, gravity))
        if until is not None:
            events.append(Event("resume", until, None, float(truth.gravity[b])))
    return events


def _slow(truth: LotTruth) -> list[Event]:
    """Return the spells of at least a day in which it moves, but slowly, with sugar to go."""
    onset = _onset(truth)
    if not onset:
        return []
    moves = (truth.rate_per_day <= -STILL_RATE_PER_DAY) & (truth.t_ms > onset[0].at_ms)
    slow = moves & (truth.rate_per_day > -SLOW_RATE_PER_DAY) & (truth.gravity > SLOW_ABOVE)
    return [
        Event("slow", int(truth.t_ms[a]), int(truth.t_ms[b]), float(truth.gravity[a]))
        for a, b in _spells(slow)
        if truth.t_ms[b] - truth.t_ms[a] >= PAUSE_H * MS_PER_H
    ]


def _spells(holds: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the first and last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], holds, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
