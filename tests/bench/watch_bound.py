"""How soon ``finished`` could be said at all: a bound from the information in the readings, and what less would cost.

A wine that has ended stands still; one that has not falls by an exponential of some slow pace. At the instant at which a
tail has ``LEFT`` to fall it has fallen, over the last T days, by LEFT * (exp(pace * T) - 1). Nobody can say that no more is
left before the readings of T days can tell that curve from a constant: with the level of the float unknown, white noise,
a slow wander and a drift of the float's level as the watch takes them to be, the two differ by z standard errors where

    f' S⁻¹ f - (1' S⁻¹ f)² / (1' S⁻¹ 1)  =  z²        f: the curve at the readings, S: the covariance of their errors

(the matched filter; with white noise alone it is least squares, and for a straight line it gives the well-known standard
error of a slope, s·√(12/n)/T). The rival's pace is taken as known: a watch that must also find it out needs longer.
"""

from multiprocessing import Pool
from typing import Any

import numpy as np
from watch_judging import quantiles
from watch_run import TUNING_SEEDS, every, one, total
from watch_tails import tails

from mustwatch.watch import lot_estimator, phases
from mustwatch.watch.finding import kind_named
from mustwatch.watch.findings import finished

PACES = (0.08, 0.12, 0.2, 0.3, 0.4, 0.6, 1.0)
FLOATS = ((0.0015, 15.0), (0.0015, 60.0), (0.0025, 30.0), (0.001, 5.0))
"""Noise, and minutes between readings."""

SURE = 1.751
"""Standard errors on one side that leave 4 %: about what ``finished`` is raised at."""

WANDER_HOURS = 6.0
LONGEST_H = 400

LOOSER = (0.01, 0.02, finished.FINISHED_LEFT, 0.06, 0.12, 0.25, 0.5)
"""Probabilities of being unfinished at which ``finished`` might be raised."""


def least_hours(pace: float, noise: float, minutes: float, *, drifts: bool = True) -> int:
    """Return how many hours a wine must have stood still before a tail of this pace with 0.002 to fall is told from it."""
    for hours in range(4, LONGEST_H, 2):
        ago = np.arange(hours) / 24.0
        errors = np.diag(np.full(hours, noise**2 * minutes / 60.0))
        if drifts:
            apart = np.abs(ago[:, None] - ago[None, :])
            errors += lot_estimator.WANDER_SD**2 * np.exp(-24.0 * apart / WANDER_HOURS)
            errors += phases.LEVEL_WALK**2 * np.minimum(ago[:, None], ago[None, :])
        curve, level = lot_estimator.LEFT_GRAVITY * np.exp(pace * ago), np.ones(hours)
        by_curve, by_level = np.linalg.solve(errors, curve), np.linalg.solve(errors, level)
        if curve @ by_curve - (level @ by_curve) ** 2 / (level @ by_level) >= SURE**2:
            return hours
    return LONGEST_H


def slope_days(slope: float, noise: float, minutes: float, errors: float = 3.0) -> float:
    """Return the days of readings after which a slope per day is so many standard errors from none (least squares)."""
    return float((12.0 * (errors * noise / slope) ** 2 * minutes / 1440.0) ** (1 / 3))


def bound() -> dict[str, Any]:
    """Return the least hours by float and pace, with and without the float's wander and drift."""
    return {
        f"{noise:g} every {minutes:g} min": {
            f"{pace:g}": [least_hours(pace, noise, minutes, drifts=of) for of in (False, True)]
            for pace in PACES
        }
        for noise, minutes in FLOATS
    }


def show_bound(of: dict[str, Any]) -> None:
    """Print them."""
    print("\nleast hours of standing still before a tail with 0.002 to fall is told from an end (4 % left)")
    print("pace a day:" + " " * 15 + "".join(f"{pace:>12g}" for pace in PACES))
    for name, by_pace in of.items():
        cells = "".join(f"{white:6d} /{whole:4d}" for white, whole in by_pace.values())
        print(f"    {name:22}{cells}")
    print("    (white noise alone / with the float's wander and drift)")
    for slope in (0.0008, 0.0004, 0.0002):
        days = ", ".join(f"{slope_days(slope, n, m):.1f} d ({n:g} every {m:g} min)" for n, m in FLOATS)
        print(f"    a slope of {slope} a day is three standard errors after {days}")


def _loosen(left: float) -> None:
    finished.FINISHED_LEFT = left


def trade_off(jobs: int) -> dict[str, Any]:
    """Return, on the tuning seeds, what ``finished`` comes to at other probabilities of being unfinished."""
    found: dict[str, Any] = {}
    for left in LOOSER:
        with Pool(jobs, _loosen, (left,)) as pool:
            made = [f for of in pool.imap_unordered(one, every(list(TUNING_SEEDS)), chunksize=4) for f in of]
            slow = tails(pool, "tuning")
        score = total(made, kind_named("finished"))
        sound = total([f for f in made if f.is_sound], kind_named("finished"))
        found[f"{left:g}"] = {
            "right": score.right,
            "too_soon": score.false,
            "delay_h": quantiles(score.delays_h),
            "sound_delay_h": quantiles(sound.delays_h),
            "slow_tails": sum(k["ferments"] for k in slow.values()),
            "slow_too_soon": sum(k["finished_too_soon"] for k in slow.values()),
            "slow_most_left": max(k["most_left"] for k in slow.values()),
        }
    return found


def show_trade_off(of: dict[str, Any]) -> None:
    """Print it."""
    print(
        f"\n`finished` raised at another probability of being unfinished (now {finished.FINISHED_LEFT:g}; tuning seeds)"
    )
    for left, k in of.items():
        whole, sound = k["delay_h"], k["sound_delay_h"]
        print(
            f"    {left:5} too soon {k['too_soon']} of {k['right']}; delay h: median {whole['median']}, ",
            end="",
        )
        print(f"95 % {whole['p95']}; sound floats 95 % {sound['p95']}; ", end="")
        print(
            f"slow tails too soon {k['slow_too_soon']} of {k['slow_tails']} (most left {k['slow_most_left']})"
        )
