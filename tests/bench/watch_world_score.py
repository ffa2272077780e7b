"""What the watch made of one world, against its truth: counts, delays, errors and intervals in one plain record."""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from math import hypot, log2

import numpy as np
from watch_bound import least_hours
from watch_judging import HOUR_MS, open_spells, raised
from watch_world_case import (
    BEGIN_MS,
    LEFT,
    PROFILE,
    STARTED_FALL,
    Spell,
    WorldCase,
    case_of,
    pace_per_day,
    watched,
)

from mustwatch.watch.estimate import Expected
from mustwatch.watch.finding import Transition, kind_named, kinds
from mustwatch.watch.lot_watch import WatchStep

HOVERS = 0.0005
"""A wine this little above dryness is dry."""
NEAR_DRY = 0.003
"""So near above dryness nobody can tell stuck from dry by a float."""
AHEAD_H = 48.0
GOES_ON_FALL = 0.0016
"""A fall within ``AHEAD_H`` that makes ``stuck`` false: twice 0.0008 a day."""
TOLD_WITHIN_H = 240.0
"""A finding that was not told in so many observed hours was missed."""
STALLED_ABOVE = 0.0015
"""A wine that stops so far above the racking gravity has clearly not reached it."""
THREE_WEEKS_H = 504.0
EPISODE_H = 48.0
"""Excursions no further apart are one event."""


@dataclass(slots=True)
class WorldFigures:
    """Of one world. Hours, gravities 20/20; lists hold one item for each spell, finding or forecast that is judged.

    Attributes:
        too_soon: of each ``finished``: gravity left if that is more than ``LEFT``, or how far above dryness it stood; 0
            where right. above_dry: whether the latter.
        finish_delay_h: of each end told; finish_missed: ends not told; ends: how many could be.
        end_bound_h: of each end told in a slow tail, what the matched filter asks for its pace and float.
        stops, stuck_once: stops above dryness, and how many were told once and stood; stuck_false: told while it fell.
        stalled_above, racked_stalled: whether it stopped above the racking gravity, and rack-due was told of it.
    """

    seed: int
    strata: dict[str, str]
    is_sound: bool
    readings: int = 0
    slots: int = 0
    seconds: float = 0.0
    too_soon: list[float] = field(default_factory=list)
    above_dry: list[bool] = field(default_factory=list)
    finish_delay_h: list[float] = field(default_factory=list)
    ends: int = 0
    finish_missed: int = 0
    stops: int = 0
    stuck_once: int = 0
    stuck_delay_h: list[float] = field(default_factory=list)
    stuck_false: int = 0
    end_bound_h: list[float] = field(default_factory=list)
    stalled_above: bool = False
    racked_stalled: bool = False
    racking_error_h: list[float] = field(default_factory=list)
    gravity_held: list[float] = field(default_factory=list)
    rate_held: list[float] = field(default_factory=list)
    stalled_held: list[float] = field(default_factory=list)
    rack_ahead: list[tuple[float, bool]] = field(default_factory=list)
    end_at_half: list[tuple[float, bool]] = field(default_factory=list)
    told: dict[str, int] = field(default_factory=dict)
    events: int = 0
    remarks: list[str] = field(default_factory=list)


def one(seed: int) -> WorldFigures:
    """Return the figures of one seed (for a pool of processes)."""
    case = case_of(seed)
    made = WorldFigures(seed, case.strata, case.is_sound)
    begun = time.process_time()
    steps = watched(case)
    made.seconds = time.process_time() - begun
    made.readings, made.slots = sum(s.hours.size for s in case.world.said), len(steps)
    transitions = [t for step in steps for t in step.transitions]
    _finished(case, transitions, made)
    _stuck(case, transitions, made)
    _racking(case, transitions, made)
    if case.is_sound and steps:
        _intervals(case, steps, made)
        _forecasts(case, steps, made)
    _messages(case, transitions, made)
    return made


def _hour(t: Transition) -> float:
    return (t.at_ms - BEGIN_MS) / HOUR_MS


def _observed_h(case: WorldCase, since_h: float, until_h: float) -> float:
    """Return in how many hours between two a float spoke (each hour, or each of its intervals, once)."""
    said = case.world.said[0]
    here = said.hours[(said.hours >= since_h) & (said.hours < until_h)]
    return float(np.unique(here.astype(int)).size) * max(1.0, said.float_.interval_min / 60.0)


def _finished(case: WorldCase, transitions: Sequence[Transition], made: WorldFigures) -> None:
    found = [_hour(t) for t in raised(transitions, kind_named("finished"))]
    dry = PROFILE.dry_gravity
    for hour in found:
        left, gravity = case.left(hour), case.gravity(hour)
        is_above = left <= LEFT and gravity > dry + HOVERS
        wrong = left if left > LEFT else gravity - dry if is_above else 0.0
        made.too_soon.append(wrong)
        made.above_dry.append(is_above)
        if wrong:
            made.remarks.append(f"finished at {hour:.0f} h with {left:.4f} to fall at {gravity:.4f}")
    for spell in case.spells:
        if spell.low > dry:
            continue
        told = next((h for h in found if spell.begins_h < h < spell.until_h), None)
        if told is not None:
            made.ends += 1
            made.finish_delay_h.append(told - spell.settled_h)
            if case.strata["tail"] == "slow":
                made.end_bound_h.append(_bound_h(case, spell))
        elif _observed_h(case, spell.settled_h, spell.until_h) >= TOLD_WITHIN_H:
            made.ends += 1
            made.finish_missed += 1


def _bound_h(case: WorldCase, spell: Spell) -> float:
    """Return what the matched filter asks for a tail of this pace and this float, to the nearest on a coarse grid."""
    world, of = case.world, case.world.said[0].float_
    pace = pace_per_day(world.hours, world.gravity, spell.low, spell.settled_h)
    noise = hypot(of.noise, of.quantum / 12.0**0.5)
    return _least_hours(round(8.0 * log2(pace)), round(4.0 * log2(noise)), of.interval_min)


@cache
def _least_hours(pace_eighths: int, noise_quarters: int, minutes: float) -> float:
    return least_hours(2.0 ** (pace_eighths / 8.0), 2.0 ** (noise_quarters / 4.0), minutes)


def _stuck(case: WorldCase, transitions: Sequence[Transition], made: WorldFigures) -> None:
    held = open_spells(transitions, kind_named("stuck"), BEGIN_MS + round(case.world.hours[-1] * HOUR_MS))
    spells = [(_hour(t), (until - BEGIN_MS) / HOUR_MS) for t, until in held]
    for hour, _ in spells:
        if case.gravity(hour) - case.gravity(hour + AHEAD_H) > GOES_ON_FALL and case.left(hour) > LEFT:
            made.stuck_false += 1
            made.remarks.append(f"stuck at {hour:.0f} h with {case.left(hour):.4f} to fall")
    for spell in case.spells:
        if spell.low <= PROFILE.dry_gravity + NEAR_DRY:
            continue
        if _observed_h(case, spell.settled_h, spell.until_h) < TOLD_WITHIN_H / 2.0:
            continue
        made.stops += 1
        here = [(a, b) for a, b in spells if spell.settled_h - AHEAD_H < a < spell.until_h]
        if here:
            made.stuck_delay_h.append(here[0][0] - spell.settled_h)
        if len(here) == 1 and here[0][1] >= spell.until_h - 1.0:
            made.stuck_once += 1
        else:
            made.remarks.append(f"stuck told {len(here)} times of a stop at {spell.low:.4f}")


def _racking(case: WorldCase, transitions: Sequence[Transition], made: WorldFigures) -> None:
    due = PROFILE.racking_gravity
    found = [_hour(t) for t in raised(transitions, kind_named("rack-due"))]
    stalls = [s for s in case.spells if s.low > due + STALLED_ABOVE and s.until_h - s.settled_h >= 72.0]
    if stalls:
        made.stalled_above = True
        made.racked_stalled = any(s.begins_h < h < s.until_h for s in stalls for h in found)
        if made.racked_stalled:
            made.remarks.append(f"rack-due on a stall at {stalls[0].low:.4f}")
    crossing, racked = case.crossing_h, [d.hour for d in case.world.deeds if d.what == "rack"]
    if crossing is None or not case.is_sound or _observed_h(case, crossing - 6.0, crossing + 6.0) < 9.0:
        return
    told = found[0] if found else case.world.hours[-1]
    if not racked or told < racked[0]:
        made.racking_error_h.append(float(told - crossing))


def _intervals(case: WorldCase, steps: Sequence[WatchStep], made: WorldFigures) -> None:
    live = [s.estimate for s in steps[::4] if s.estimate.gravity is not None]
    if not live:
        return
    hour = np.array([(e.at_ms - BEGIN_MS) / HOUR_MS for e in live])
    gravity, gravity_sd, rate, rate_sd = (np.array([e[i] for e in live], dtype=float) for i in (1, 2, 3, 4))
    world = case.world
    true = np.interp(hour, world.hours, world.gravity)
    falls = np.interp(hour, world.hours, np.gradient(world.gravity, world.hours / 24.0))
    held = np.abs(gravity - true) <= 1.645 * gravity_sd
    used = (hour > 12.0) & (hour < world.hours[-1])
    if used.any():
        made.gravity_held.append(float(held[used].mean()))
        made.rate_held.append(float((np.abs(rate - falls) <= 1.645 * rate_sd)[used].mean()))
    at = world.turns.stall_at
    if at is not None and world.turns.fade_h <= 6.0 and world.gravity[-1] <= at + 1e-6:
        since = float(world.hours[np.argmax(world.gravity <= at)])
        day = (hour > since) & (hour <= since + 24.0)
        if day.any():
            made.stalled_held.append(float(held[day].mean()))


def _forecasts(case: WorldCase, steps: Sequence[WatchStep], made: WorldFigures) -> None:
    at = np.array([(s.estimate.at_ms - BEGIN_MS) / HOUR_MS for s in steps])

    def judged(expected: Expected | None, true_h: float) -> list[tuple[float, bool]]:
        if expected is None:
            return []
        true_ms = BEGIN_MS + true_h * HOUR_MS
        held = expected.earliest_ms <= true_ms <= expected.latest_ms
        return [((expected.at_ms - true_ms) / HOUR_MS, bool(held))]

    is_straight = case.world.turns.stall_at is None
    crossing, onset = case.crossing_h, case.onset_h
    if crossing is not None and onset is not None and is_straight and crossing - 24.0 > onset:
        i = int(np.searchsorted(at, crossing - 24.0))
        if 0 < i < at.size and at[i] - (crossing - 24.0) < 1.0:
            made.rack_ahead += judged(steps[i].forecast.rack, crossing)
    if case.spells and is_straight:
        gravity, spell = case.world.gravity, case.spells[0]
        half = float(case.world.hours[np.argmax(gravity <= 0.5 * (gravity[0] + spell.low))])
        i = int(np.searchsorted(at, half))
        if 0 < i < at.size:
            made.end_at_half += judged(steps[i].forecast.finish, spell.slow_h)


def _messages(case: WorldCase, transitions: Sequence[Transition], made: WorldFigures) -> None:
    for kind in kinds():
        count = sum(1 for t in raised(transitions, kind) if _hour(t) <= THREE_WEEKS_H)
        if count:
            made.told[kind.name] = count
    made.events = sum(1 for hour in true_events(case) if hour <= THREE_WEEKS_H)


def true_events(case: WorldCase) -> list[float]:
    """Return the hours of what truly happened that somebody would want to be told once."""
    hours, gravity, celsius = (a for a in (case.world.hours, case.world.gravity, case.world.celsius))
    found = [] if case.crossing_h is None else [case.crossing_h]
    found += [s.settled_h for s in case.spells] + [s.begins_h for s in case.spells[1:]]
    if case.onset_h is None or case.onset_h > PROFILE.onset_hours:
        found.append(PROFILE.onset_hours)
    band = PROFILE.band
    found += _episodes(hours, celsius > band.high_c) + _episodes(hours, celsius < band.low_c)
    found += _episodes(hours, _night_swing(hours, celsius) > PROFILE.night_swing_c)
    change = np.abs(celsius[4:] - celsius[:-4])
    found += _episodes(hours[4:], change > PROFILE.fast_change_c_per_hour)
    rate = -np.gradient(gravity, hours / 24.0)
    began = gravity < gravity[0] - 3.0 * STARTED_FALL
    found += _episodes(hours, began & (rate < 0.005) & (rate > 0.0008) & (gravity > 1.005))
    if any(abs(s.float_.offset) > NEAR_DRY or s.float_.drift_per_day for s in case.world.said):
        found.append(float(hours[-1]) / 2.0)
    return found


def _night_swing(hours: np.ndarray, celsius: np.ndarray) -> np.ndarray:
    """Return at each hour the swing of the last 15 hours, from evening to morning."""
    windows = np.lib.stride_tricks.sliding_window_view(celsius, 60)
    swing = windows.max(axis=1) - windows.min(axis=1)
    return np.concatenate((np.zeros(hours.size - swing.size), swing))


def _episodes(hours: np.ndarray, holds: np.ndarray) -> list[float]:
    """Return when each episode begins: spells no further apart than ``EPISODE_H`` are one."""
    found: list[float] = []
    last = -1e9
    for hour in hours[holds].tolist():
        if hour - last > EPISODE_H:
            found.append(hour)
        last = hour
    return found
