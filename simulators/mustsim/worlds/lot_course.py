"""One lot of a world through time: its course runs by its own clock, which warmth hastens and a stall stops."""

from dataclasses import dataclass
from math import exp
from typing import Literal, NamedTuple

import numpy as np

from mustsim.density import FloatArray
from mustsim.ferment import HEAT_J_PER_G
from mustsim.vessel import temperature_after
from mustsim.worlds.climate import Climate
from mustsim.worlds.courses import STEP_H, Rng, log_uniform, with_second_pool

GRAVITY_PER_G_SUGAR = 0.00046
"""Fall of gravity per g/L of sugar fermented: the sugar's own 0.000384 and what its alcohol takes off."""
COLD_STOP_C = 6.5
HEAT_KILL_C = 37.0

Fate = Literal["ends", "two-phase", "stalls", "pauses", "wakes"]


@dataclass(frozen=True, slots=True)
class Turns:
    """What befalls the ferment.

    Attributes:
        fate: ``pauses`` stalls for a while and goes on; ``wakes`` comes to its end and begins again weeks later.
        stall_at: gravity at which it stalls, or None. fade_h: hours over which it fades then.
        after_h: hours until it goes on; None: never. speed: how fast it then goes on, as a share.
        pool, pool_pace: gravity left in a second pool, and the share of it that falls in a day.
    """

    fate: Fate
    stall_at: float | None = None
    fade_h: float = 0.5
    after_h: float | None = None
    speed: float = 1.0
    pool: float = 0.0
    pool_pace: float = 0.0


def draw_turns(rng: Rng, start: float, end: float, is_check: bool) -> Turns:
    """Return what befalls a ferment between two gravities."""
    fate: Fate = ("ends", "two-phase", "stalls", "pauses", "wakes")[int(rng.choice(5, p=_FATES))]
    if fate == "two-phase":
        most, low, high = (0.015, 0.1, 1.0) if is_check else (0.012, 0.12, 0.9)
        return Turns(fate, pool=float(rng.uniform(0.0, most)), pool_pace=log_uniform(rng, low, high))
    if fate in ("stalls", "pauses") and end + 0.003 < start - 0.012:
        at = float(rng.uniform(end + 0.003, start - 0.012))
        if rng.random() < 0.4 and end + 0.003 < 1.025 < at:
            at = float(rng.uniform(end + 0.003, 1.025))
        fade_h = 0.5 if rng.random() < 0.4 else float(rng.uniform(1.0, 24.0))
        after_h = None if fate == "stalls" else log_uniform(rng, 6.0, 21 * 24.0)
        return Turns(fate, at, fade_h, after_h, log_uniform(rng, 0.1, 1.0))
    if fate == "wakes":
        return Turns(
            fate,
            after_h=log_uniform(rng, 72.0, 18 * 24.0),
            pool=float(rng.uniform(0.003, 0.012)),
            pool_pace=log_uniform(rng, 0.15, 1.0),
        )
    return Turns("ends")


_FATES = (0.42, 0.26, 0.18, 0.09, 0.05)


class Moved(NamedTuple):
    """The vessel is taken elsewhere: from ``hour`` on its must comes to ``celsius`` and is kept there.

    ``over_h``: time constant of the coming, hours: a water bath's, or a room's.
    """

    hour: float
    celsius: float
    over_h: float


class _Turning:
    """How hard the yeast works as the ferment takes its turns."""

    def __init__(self, turns: Turns) -> None:
        self.turns = turns
        self.stalled_h: float | None = None
        self.ended_h: float | None = None
        self.pool = self.pool_left = turns.pool if turns.fate == "wakes" else 0.0
        self.alive = 1.0

    def work(self, hour: float, gravity: float) -> float:
        """Return how fast the course's clock runs at this hour, as a share."""
        turns = self.turns
        if turns.stall_at is None:
            return self.alive
        if self.stalled_h is None:
            if gravity > turns.stall_at:
                return self.alive
            self.stalled_h = hour
        since = hour - self.stalled_h
        if turns.after_h is not None and since > turns.after_h:
            return self.alive * turns.speed * (1.0 - exp(-(since - turns.after_h) / 12.0))
        return self.alive * exp(-min(60.0, 4.0 * since / turns.fade_h))

    def wake(self, hour: float, is_at_end: bool, days: float) -> None:
        """Let what sleeps in a wine that has come to its end begin, and take up its pool."""
        if not self.pool or self.turns.after_h is None or not is_at_end:
            return
        self.ended_h = hour if self.ended_h is None else self.ended_h
        if hour - self.ended_h > self.turns.after_h:
            self.pool_left *= exp(-self.turns.pool_pace * days)


def run_course(
    course: FloatArray,
    turns: Turns,
    climate: Climate,
    hours: FloatArray,
    rng: Rng,
    moved: Moved | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return gravity and must temperature on a grid of hours of one step.

    Args:
        course: gravity by ``HOURS`` of its own clock at 20 °C. turns: what befalls it. moved: whether its vessel is.
    """
    if turns.fate == "two-phase":
        course = with_second_pool(course, turns.pool, turns.pool_pace)
    table = course.tolist()
    start, end, last = table[0], table[-1], len(table) - 2
    quickening = float(rng.uniform(0.04, 0.10))
    celsius = float(np.clip(climate.around_c[0] + rng.normal(0.0, 2.0), 8.0, 30.0))
    step_h = float(hours[1] - hours[0])
    turning = _Turning(turns)
    rows, clock, before = [], 0.0, start
    for hour, around in zip(hours.tolist(), climate.around_c.tolist(), strict=True):
        at = clock / STEP_H
        k = min(int(at), last)
        now = table[k] + (table[k + 1] - table[k]) * min(1.0, at - k)
        here = end + (now - end) * (start - end - turning.pool) / (start - end) + turning.pool_left
        rows.append((here, celsius))
        warmth = exp(quickening * (min(celsius, 34.0) - 20.0)) / (
            1.0 + exp(min(60.0, (COLD_STOP_C - celsius) / 0.7))
        )
        if celsius > HEAT_KILL_C:
            turning.alive *= exp(-0.1 * step_h)
        clock += step_h * warmth * turning.work(hour, here)
        turning.wake(hour, now < end + 0.0005, warmth * step_h / 24.0)
        sugar = max(0.0, before - here) / GRAVITY_PER_G_SUGAR
        heat_w = HEAT_J_PER_G / 3600.0 * climate.litres * sugar / step_h
        before = here
        if moved is not None and hour >= moved.hour:
            celsius = moved.celsius + (celsius - moved.celsius) * exp(-step_h / moved.over_h)
        else:
            celsius = temperature_after(climate.vessel, climate.litres, celsius, around, heat_w, step_h)
    gravity, temperature = np.array(rows).T
    return np.ascontiguousarray(gravity), np.ascontiguousarray(temperature)
