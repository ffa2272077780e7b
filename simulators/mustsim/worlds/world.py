"""One world: a lot with its truth, its floats and its people, drawn from a seed."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from mustsim.density import FloatArray
from mustsim.worlds.climate import Climate, draw_climate
from mustsim.worlds.courses import FAMILIES, TUNING_FAMILIES, Rng
from mustsim.worlds.floats import Float, draw_float, instants, read
from mustsim.worlds.lot_course import Moved, Turns, draw_turns, run_course
from mustsim.worlds.people import Deed, draw_deeds

STEP_H: Final = 0.25
MOST_DAYS: Final = 55.0
FOLLOWED_DAYS: Final = 16.0
"""How long a lot is followed after nothing of note is left to fall."""
NOTHING_LEFT: Final = 0.002
CHECK_FIRST: Final = 900_000
"""Seeds from here on are the check set: all families, full ranges, and read by the report alone."""


@dataclass(frozen=True, slots=True)
class Said:
    """What one float said: hours since the pitch, gravity 20/20 as it makes it out, and its thermometer in °C."""

    float_: Float
    hours: FloatArray
    gravity: FloatArray
    celsius: FloatArray


@dataclass(frozen=True, slots=True)
class World:
    """A lot of a world; the truth's arrays stand on ``hours`` since the pitch, a quarter of an hour apart."""

    seed: int
    family: str
    turns: Turns
    climate: Climate
    racking_gravity: float
    hours: FloatArray
    gravity: FloatArray
    celsius: FloatArray
    said: tuple[Said, ...]
    deeds: tuple[Deed, ...]

    @property
    def is_check(self) -> bool:
        """Return whether it belongs to the check set."""
        return self.seed >= CHECK_FIRST


def draw_world(seed: int, racking_gravity: float = 1.010, moved: Moved | None = None) -> World:
    """Return the world of a seed. ``racking_gravity`` is where its people think of racking.

    With ``moved`` its truth is the same until then, and goes on at another temperature.
    """
    is_check = seed >= CHECK_FIRST
    rng = np.random.default_rng([seed, 16])
    names = tuple(FAMILIES) if is_check else TUNING_FAMILIES
    family = names[int(rng.integers(len(names)))]
    start = float(rng.uniform(1.040, 1.130))
    course = FAMILIES[family](rng, start, _end(rng, start))
    turns = draw_turns(rng, float(course[0]), float(course[-1]), is_check)
    hours: FloatArray = np.arange(int(MOST_DAYS * 24.0 / STEP_H) + 1, dtype=np.float64) * STEP_H
    climate = draw_climate(rng, hours, is_check)
    gravity, celsius = run_course(course, turns, climate, hours, rng, moved)
    last = min(
        hours.size, int(np.argmax(gravity <= gravity[-1] + NOTHING_LEFT)) + round(FOLLOWED_DAYS * 96.0)
    )
    hours, gravity, celsius = hours[:last], gravity[:last], celsius[:last]
    fall = -np.gradient(gravity, hours / 24.0)
    said = tuple(
        _said(draw_float(rng, is_check), hours, gravity, fall, celsius, rng)
        for _ in range(2 if rng.random() < 0.1 else 1)
    )
    deeds = draw_deeds(rng, hours, gravity, celsius, racking_gravity)
    return World(seed, family, turns, climate, racking_gravity, hours, gravity, celsius, said, deeds)


def _end(rng: Rng, start: float) -> float:
    """Return where it would end: mostly as its strength has it, give or take; else anywhere."""
    by_strength = 0.9934 - 0.145 * (start - 1.0768) + rng.normal(0.0, 0.003)
    return float(np.clip(by_strength if rng.random() < 0.75 else rng.uniform(0.988, 1.004), 0.986, 1.004))


def _said(
    float_: Float, hours: FloatArray, gravity: FloatArray, fall: FloatArray, celsius: FloatArray, rng: Rng
) -> Said:
    at = instants(float_, float(hours[-1]) / 24.0, rng)
    true, falls, warm = (np.interp(at, hours, of) for of in (gravity, fall, celsius))
    shown = read(float_, at, true, falls, warm, rng)
    felt = np.round((np.interp(at - 0.2, hours, celsius) + rng.normal(0.0, 0.05, at.size)) * 16.0) / 16.0
    return Said(float_, at, shown, np.asarray(felt, dtype=np.float64))
