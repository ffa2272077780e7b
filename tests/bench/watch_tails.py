"""Wines that end more slowly than the kinetic model's: a straight fall, then an exponential approach to the end.

The simulated ferments run out of sugar within a day or two. Others crawl: the last sugar is fructose, the cellar is
cold, the yeast is old. Here the tail falls by a share ``pace`` of what is left a day; a pace of 0.2 halves it in three
and a half days. Made up for this check (own curves, no source); what matters is that nothing is called finished while
more than 0.002 is to fall, and nothing stuck while it falls.
"""

import math
from collections.abc import Callable
from multiprocessing.pool import Pool
from random import Random
from typing import Any

from watch_judging import DAY_MS, HOUR_MS, quantiles

from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.profile import Profile
from mustwatch.watch.finding import Change, FindingKind, kind_named
from mustwatch.watch.lot_watch import LotWatch
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
START = 1.080
PACES = (0.08, 0.12, 0.16, 0.2, 0.25, 0.3, 0.4, 0.6, 1.0)
ENDS = (0.990, 0.993, 0.996)
FLOATS = ((0.0015, 15.0, 0.0002), (0.0025, 30.0, 0.0002), (0.001, 5.0, 0.0003))
"""Noise, minutes between readings, slow wander over six hours."""

REPEATS = {"report": (51, 52), "tuning": (1,)}
"""Seeds of the noise."""

Task = tuple[float, float, int, int]


def curve(pace: float, end: float, fall_per_day: float) -> tuple[Callable[[float], float], float, float]:
    """Return gravity by days, how much is left when the tail begins, and the day of that."""
    left = min(fall_per_day / pace, 0.8 * (START - end))
    begins = (START - end - left) / fall_per_day + 1.5

    def gravity(day: float) -> float:
        if day < 1.5:
            return START
        return (
            START - fall_per_day * (day - 1.5)
            if day < begins
            else end + left * math.exp(-pace * (day - begins))
        )

    return gravity, left, begins


def one(task: Task) -> dict[str, Any]:
    """Run one slow tail and return what was concluded, against what was left."""
    pace, end, which, _ = task
    noise, minutes, wander = FLOATS[which]
    gravity, left, begins = curve(pace, end, 0.012 if which == 0 else 0.02)
    random = Random(f"{task}")
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    shown = round(START + random.gauss(0, 0.0005), 3)
    watch.enter(Entry("start", "lot", BEGIN_MS, BEGIN_MS, Start("bucket", gravity=shown, litres=20.0)))
    days = min(45.0, begins + math.log(max(left, 0.0021) / 0.0005) / pace + 6)
    slow, keep = 0.0, math.exp(-minutes / 360)
    raised: list[tuple[FindingKind, float]] = []
    for i in range(int(days * 1440 / minutes)):
        day = i * minutes / 1440
        slow = keep * slow + math.sqrt(1 - keep * keep) * random.gauss(0, wander)
        warm = 19.0 + math.sin(2 * math.pi * day) + 0.5 * math.sin(2 * math.pi * day / 5)
        said = gravity(day) + slow + 5e-5 * (warm - 20.0) + random.gauss(0, noise)
        at_ms = BEGIN_MS + round(day * DAY_MS) + 9
        obs = Observation(at_ms, "float", "bucket", round(said * 2000) / 2000, None, round(warm * 16) / 16)
        for step in watch.observe(obs):
            raised += [
                (t.kind, (t.at_ms - BEGIN_MS) / DAY_MS) for t in step.transitions if t.change is Change.RAISED
            ]
    finished = [day for kind, day in raised if kind is kind_named("finished")]
    settled = begins + max(
        math.log(max(pace * left, 0.00081) / 0.0008) / pace, math.log(max(left, 0.0021) / 0.002) / pace
    )
    return {
        "pace": pace,
        "left": gravity(finished[0]) - end if finished else None,
        "delay_h": (finished[0] - settled) * DAY_MS / HOUR_MS if finished else None,
        "stuck_moving": sum(
            kind is kind_named("stuck") and (gravity(day) - gravity(day + 0.01)) * 100 > 0.0008
            for kind, day in raised
        ),
    }


def tails(pool: Pool, which: str) -> dict[str, Any]:
    """Return, by pace, how often something was called finished too soon, or stuck while it fell."""
    tasks = [(p, e, f, s) for p in PACES for e in ENDS for f in range(len(FLOATS)) for s in REPEATS[which]]
    found = pool.map(one, tasks)
    result = {}
    for pace in PACES:
        here = [r for r in found if r["pace"] == pace]
        left = [r["left"] for r in here if r["left"] is not None]
        result[f"{pace:g}"] = {
            "ferments": len(here),
            "finished": len(left),
            "finished_too_soon": sum(x > 0.002 for x in left),
            "most_left": round(max(left, default=0.0), 4),
            "stuck_while_falling": sum(r["stuck_moving"] for r in here),
            "delay_h": quantiles([r["delay_h"] for r in here if r["delay_h"] is not None]),
        }
    return result


def show_tails(of: dict[str, Any]) -> None:
    """Print them."""
    print("\nslow tails (own curves): share of what is left that falls in a day")
    for pace, k in of.items():
        counts = f"finished {k['finished']} of {k['ferments']}, too soon {k['finished_too_soon']}"
        print(
            f"    {pace:5} {counts} (most left {k['most_left']:.4f}), stuck while falling {k['stuck_while_falling']}",
            end="",
        )
        print(
            f"; delay h after both rate and rest are small: median {k['delay_h']['median']}, 95 % {k['delay_h']['p95']}"
        )
