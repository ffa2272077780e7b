"""A world as the watch sees it, and its truth as the report judges by.

The floats' gravities are handed to the watch as corrected ones: what a correction leaves is among a float's own errors.
"""

from dataclasses import dataclass
from math import log

import numpy as np
from watch_judging import HOUR_MS

from mustsim.worlds.lot_course import Moved
from mustsim.worlds.people import Deed
from mustsim.worlds.world import World, draw_world
from mustwatch.cellar.book import Entry, Measurement, Racking, Start
from mustwatch.cellar.profile import Profile
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
PROFILE = Profile()
LEFT = 0.002
"""Gravity left to fall in a finished wine."""
STANDS_PER_DAY = 0.0003
STANDS_H = 72.0
"""A wine that falls more slowly for so long stands: what wakes later is a new fall, not what was left of this one."""
STARTED_FALL = 0.003
SHARP_PER_DAY = 0.6
ENDS_BY_ITSELF = 1.005
"""Above it a ferment has stuck, for want of living yeast."""


@dataclass(frozen=True, slots=True)
class Spell:
    """A fall and the standing after it, hours: from when it began until it began anew (or the record ends).

    ``low`` is where it stands, ``settled_h`` from when no more than ``LEFT`` is left, ``slow_h`` from when it falls by
    less than the settled rate for good.
    """

    begins_h: float
    until_h: float
    low: float
    settled_h: float
    slow_h: float


@dataclass(frozen=True, slots=True)
class WorldCase:
    """A world with the spells of its lot and the names of the strata it stands in."""

    world: World
    spells: tuple[Spell, ...]
    onset_h: float | None
    crossing_h: float | None
    strata: dict[str, str]
    is_sound: bool

    def gravity(self, hour: float) -> float:
        """Return the true gravity at an hour."""
        return float(np.interp(hour, self.world.hours, self.world.gravity))

    def left(self, hour: float) -> float:
        """Return how much was still to fall at an hour, of the fall it was in."""
        of = next((s for s in self.spells if hour < s.until_h), None)
        if of is None:
            return 0.0
        return max(0.0, self.gravity(hour) - of.low)


def case_of(seed: int, moved: Moved | None = None) -> WorldCase:
    """Return the case of one seed, its vessel moved or not."""
    world = draw_world(seed, PROFILE.racking_gravity, moved)
    hours, gravity = world.hours, world.gravity
    fallen = np.flatnonzero(gravity <= gravity[0] - STARTED_FALL)
    onset = int(fallen[0]) if fallen.size else None
    below = np.flatnonzero(gravity <= world.racking_gravity)
    spells = () if onset is None else _spells(world, onset)
    return WorldCase(
        world,
        spells,
        None if onset is None else float(hours[onset]),
        float(hours[below[0]]) if below.size else None,
        _strata(world, spells),
        all(s.float_.is_sound for s in world.said),
    )


def _spells(world: World, onset: int) -> tuple[Spell, ...]:
    hours, gravity = world.hours, world.gravity
    rate = -np.gradient(gravity, hours / 24.0)
    stands = rate < STANDS_PER_DAY
    stands[:onset] = False
    edges = np.flatnonzero(np.diff(np.concatenate(([False], stands, [False])).astype(np.int8)))
    begins, found = onset, []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        goes_on = b < hours.size and gravity[b] - gravity[-1] > LEFT
        if goes_on and hours[b] - hours[a] >= STANDS_H:
            found.append(_spell(world, rate, begins, b))
            begins = b
    return (*found, _spell(world, rate, begins, hours.size - 1))


def _spell(world: World, rate: np.ndarray, a: int, b: int) -> Spell:
    hours, gravity = world.hours, world.gravity
    low = float(gravity[a : b + 1].min())
    settled = a + int(np.argmax(gravity[a : b + 1] <= low + LEFT))
    faster = np.flatnonzero(rate[a:b] >= 2.0 * LEFT / 5.0)
    slow = a + (int(faster[-1]) + 1 if faster.size else 0)
    return Spell(float(hours[a]), float(hours[b]), low, float(hours[settled]), float(hours[slow]))


def pace_per_day(case_hours: np.ndarray, gravity: np.ndarray, low: float, settled_h: float) -> float:
    """Return the share of what is left that falls in a day, from 0.006 to ``LEFT`` left."""
    before = case_hours[(case_hours <= settled_h) & (gravity >= low + 3.0 * LEFT)]
    begins = float(before[-1]) if before.size else 0.0
    return log(3.0) * 24.0 / max(settled_h - begins, 0.25)


def _strata(world: World, spells: tuple[Spell, ...]) -> dict[str, str]:
    f = min((s.float_ for s in world.said), key=lambda f: f.noise)
    turns = world.turns
    if turns.fate == "two-phase" and turns.pool > LEFT:
        tail = "two-phase"
    elif turns.fate in ("stalls", "pauses", "wakes") or not spells:
        tail = turns.fate
    elif spells[-1].low > ENDS_BY_ITSELF:
        tail = "stalls"
    else:
        pace = pace_per_day(world.hours, world.gravity, spells[-1].low, spells[-1].settled_h)
        tail = "sharp" if pace >= SHARP_PER_DAY else "slow"
    return {
        "tail": tail,
        "family": world.family,
        "noise": _bin(f.noise, (0.0007, 0.0015, 0.002, 0.004), ""),
        "spread": f.kind,
        "interval": _bin(f.interval_min, (5, 15, 30, 60, 240), " min"),
        "lean": _bin(abs(f.lean_per_k), (0.0002, 0.0005, 0.0008), " a K"),
        "swing": _bin(world.climate.swing_c, (3, 7, 14), " K"),
        "float": "sound" if f.is_sound else "off, adrift or knocked",
    }


def _bin(value: float, tops: tuple[float, ...], unit: str) -> str:
    return f"to {next((t for t in tops if value <= t), tops[-1]):g}{unit}"


def events_of(case: WorldCase) -> list[Observation | Entry]:
    """Return what the watch is handed, in time order."""
    made: list[tuple[int, int, Observation | Entry]] = []
    racked_h = next((d.hour for d in case.world.deeds if d.what == "rack"), np.inf)
    for number, said in enumerate(case.world.said):
        rows = zip(said.hours.tolist(), said.gravity.tolist(), said.celsius.tolist(), strict=True)
        for hour, gravity, celsius in rows:
            vessel = "vessel" if hour < racked_h else "carboy"
            at_ms = BEGIN_MS + round(hour * HOUR_MS)
            made.append(
                (at_ms, 1, Observation(at_ms, f"float{number}", vessel, gravity, None, celsius, gravity))
            )
    for i, deed in enumerate(case.world.deeds):
        at_ms = BEGIN_MS + round(deed.hour * HOUR_MS)
        made.append((at_ms, 0, Entry(f"{i}", "lot", at_ms, at_ms, _what(deed, case.world))))
    made.sort(key=lambda m: m[:2])
    return [m[2] for m in made]


def _what(deed: Deed, world: World) -> Start | Measurement | Racking:
    litres = world.climate.litres
    if deed.what == "start":
        return Start("vessel", gravity=deed.gravity, temperature_c=deed.celsius, litres=litres)
    if deed.what == "rack":
        floats = tuple(f"float{i}" for i in range(len(world.said)))
        return Racking("carboy", "vessel", deed.gravity, deed.celsius, litres, floats=floats)
    return Measurement(deed.gravity, deed.celsius)


def watched(case: WorldCase) -> list[WatchStep]:
    """Return every step of the watch over a world."""
    watch = LotWatch("lot", "vessel", PROFILE, BEGIN_MS)
    steps: list[WatchStep] = []
    for event in events_of(case):
        steps += watch.observe(event) if isinstance(event, Observation) else watch.enter(event)
    steps += watch.advance(2**62)
    return steps
