"""Courses of gravity at 20 °C, from six families of kinetics that share nothing but a beginning and an end.

Each course is a table of gravity by hours of its own clock; ``ferment`` lets that clock run faster in the warm and
stop in a stall. Where a form has parameters they are drawn from wide ranges; nothing is fitted to the watch.

Sources: Coleman, Fish and Block 2007 (``mustsim.ferment``); modified Gompertz and logistic forms, Zwietering et al.
1990, Appl Environ Microbiol 56:1875 (from memory); the cumulative Weibull distribution as an empirical curve (common
practice); logistic growth and Monod uptake (textbook); competition of glucose and fructose for one transporter,
Michaelis-Menten with mutual inhibition (textbook; that wine yeast prefers glucose: common knowledge).
"""

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np

from mustsim.density import GRAVITY_PER_G_PER_L, FloatArray
from mustsim.ferment import Must, Yeast, simulate

STEP_H: Final = 0.25
"""Of the tables, hours."""
COURSE_DAYS: Final = 60
HOURS: Final[FloatArray] = np.arange(COURSE_DAYS * 96 + 1, dtype=np.float64) * STEP_H

DRY_G_PER_L: Final = 4.0
"""Sugar under which a wine is dry. Source: EU/OIV."""

Rng = np.random.Generator


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Return a draw whose logarithm is even between two positive limits."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def coleman(rng: Rng, start: float, end: float) -> FloatArray:
    """Return a course of the published model; extract and yield decide where it ends, ``end`` only leans on them.

    With much death and little nitrogen it sticks by itself: of those draws one in four is kept.
    """
    extract = float(np.clip(20.0 + (end - 0.9925) / GRAVITY_PER_G_PER_L, 4.0, 45.0))
    while True:
        must = Must(start, extract, float(rng.uniform(90.0, 420.0)))
        yeast = Yeast(
            inoculum_g_per_l=log_uniform(rng, 0.05, 0.8),
            vigour=log_uniform(rng, 0.3, 1.5),
            lag_h=log_uniform(rng, 0.3, 96.0),
            ethanol_yield=float(rng.uniform(0.45, 0.48)),
            death=log_uniform(rng, 1.0, 11.0),
        )
        course = simulate(must, yeast, 20.0, COURSE_DAYS, step_h=STEP_H)
        if course.sugar_g_per_l[-1] < DRY_G_PER_L or rng.random() < 0.25:
            return course.gravity


def gompertz(rng: Rng, start: float, end: float) -> FloatArray:
    """Return the modified Gompertz form: the tail is an exponential whose pace follows the steepest fall."""
    fall, steepest, lag = _shape(rng, start - end)
    done = np.exp(-np.exp(np.minimum(50.0, steepest * np.e / fall * (lag - HOURS) + 1.0)))
    return start - fall * _from_nothing(done)


def logistic(rng: Rng, start: float, end: float) -> FloatArray:
    """Return the modified logistic form, as symmetric about its middle as no ferment is."""
    fall, steepest, lag = _shape(rng, start - end)
    done = 1.0 / (1.0 + np.exp(np.minimum(50.0, 4.0 * steepest / fall * (lag - HOURS) + 2.0)))
    return start - fall * _from_nothing(done)


def weibull(rng: Rng, start: float, end: float) -> FloatArray:
    """Return a cumulative Weibull form: with a shape near 1 a long tail, with a large one a sharp end."""
    fall, steepest, lag = _shape(rng, start - end)
    shape = float(rng.uniform(1.2, 4.5))
    scale = 0.9 * fall / steepest
    done = 1.0 - np.exp(-np.minimum(80.0, (np.maximum(HOURS - lag, 0.0) / scale) ** shape))
    return start - fall * np.asarray(done, dtype=np.float64)


def monod(rng: Rng, start: float, end: float) -> FloatArray:
    """Return logistic growth with Monod uptake: it falls at full pace until the sugar is all but gone."""
    fall, steepest, lag = _shape(rng, start - end)
    yeast = _grown(rng, lag)
    half = fall * log_uniform(rng, 0.004, 0.08)
    left, found = fall, np.empty(HOURS.size)
    for i, x in enumerate(yeast.tolist()):
        found[i] = left
        middle = max(0.0, left - 0.5 * STEP_H * steepest * x * left / (half + left))
        left = max(0.0, left - STEP_H * steepest * x * middle / (half + middle))
    return end + found


def glucose_first(rng: Rng, start: float, end: float) -> FloatArray:
    """Return two sugars in equal parts that compete for the yeast, the second taken up less willingly."""
    fall, steepest, lag = _shape(rng, start - end)
    yeast = _grown(rng, lag)
    half_g = fall * log_uniform(rng, 0.004, 0.04)
    half_f = half_g * float(rng.uniform(2.0, 10.0))
    slower = float(rng.uniform(0.4, 0.9))
    g = f = 0.5 * fall
    found = np.empty(HOURS.size)
    for i, x in enumerate(yeast.tolist()):
        found[i] = g + f
        taken = STEP_H * steepest * x
        crowd = 1.0 + g / half_g + f / half_f
        g, f = max(0.0, g - taken * g / half_g / crowd), max(0.0, f - slower * taken * f / half_f / crowd)
    return end + found


FAMILIES: Final[Mapping[str, Callable[[Rng, float, float], FloatArray]]] = {
    "coleman": coleman,
    "monod": monod,
    "gompertz": gompertz,
    "logistic": logistic,
    "weibull": weibull,
    "glucose-first": glucose_first,
}
TUNING_FAMILIES: Final = ("coleman", "monod", "gompertz", "logistic")


def with_second_pool(course: FloatArray, pool: float, pace_per_day: float) -> FloatArray:
    """Return the course with the last of its fall in a second pool, taken up only once the first is all but gone.

    Args:
        course: gravity by ``HOURS``.
        pool: gravity in the second pool; the course's end stays what it was.
        pace_per_day: share of the pool that falls in a day, at 20 °C.
    """
    end, start = float(course[-1]), float(course[0])
    first = (course - end) * (start - end - pool) / (start - end)
    done = 1.0 - first / first[0]
    used = np.cumsum(np.maximum(done, 0.0) ** 12) * STEP_H / 24.0
    return np.asarray(end + first + pool * np.exp(-pace_per_day * used), dtype=np.float64)


def _shape(rng: Rng, fall: float) -> tuple[float, float, float]:
    """Return the fall, its steepest per hour, and the lag in hours."""
    return fall, log_uniform(rng, 0.007, 0.05) / 24.0, log_uniform(rng, 0.3, 96.0)


def _grown(rng: Rng, lag_h: float) -> FloatArray:
    """Return the yeast at work as a share of the most, growing logistically."""
    growth = log_uniform(rng, 0.04, 0.25)
    middle = lag_h + float(rng.uniform(1.0, 4.0)) / growth
    return np.asarray(1.0 / (1.0 + np.exp(np.minimum(50.0, growth * (middle - HOURS)))), dtype=np.float64)


def _from_nothing(done: FloatArray) -> FloatArray:
    """Return a share done that is 0 at the beginning, whatever the form leaves there."""
    return np.asarray((done - done[0]) / (1.0 - done[0]), dtype=np.float64)
