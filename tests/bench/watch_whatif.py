"""Does what-if hold? Lots of the worlds, asked at some point of their fall, and then really moved.

    make bench-watch                                   the last part of it
    .venv/bin/python tests/bench/watch_whatif.py       alone; --tuning: worlds for choosing constants

Each lot that neither stalls nor is shown wrong by its float is asked once, somewhere between a twelfth and five sixths
of its fall, for a temperature of 12 to 28 °C; from then on its must goes there, with a time constant of 2 to 15 hours, and
is kept. What was foretold is held against what came. Writes tests/bench/out/whatif.json (whatif_tuning.json).
"""

import argparse
import json
from collections.abc import Sequence
from multiprocessing import Pool
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from watch_judging import HOUR_MS
from watch_world_case import BEGIN_MS, PROFILE, WorldCase, case_of, events_of

from mustsim.worlds.courses import log_uniform
from mustsim.worlds.lot_course import Moved
from mustsim.worlds.world import CHECK_FIRST
from mustwatch.watch.estimate import Expected
from mustwatch.watch.lot_watch import LotWatch
from mustwatch.watch.observation import Observation

LOTS = 1500
FRESH_FIRST = CHECK_FIRST + 50_000
"""Apart from the check set's own: these lots were never looked at."""
TUNING_FIRST = 1000
OUT = Path(__file__).parent / "out"
FEWEST = 25


class Answer(NamedTuple):
    """One instant that was foretold: of what, for a must moved by so many kelvin, off by so many hours, and held or not."""

    what: str
    kelvin: float
    family: str
    hours_off: float
    hours_ahead: float
    is_held: bool


def one(seed: int) -> list[Answer]:
    """Return what one lot was foretold, and what came (for a pool of processes)."""
    case = case_of(seed)
    world = case.world
    if world.turns.stall_at is not None or not case.is_sound or not case.spells:
        return []
    rng = np.random.default_rng([seed, 21])
    fall = world.gravity[0] - case.spells[0].low
    at = float(world.hours[np.argmax(world.gravity <= world.gravity[0] - rng.uniform(1 / 12, 5 / 6) * fall)])
    moved = Moved(at, float(rng.uniform(12.0, 28.0)), log_uniform(rng, 2.0, 15.0))
    case = case_of(seed, moved)
    return _asked(case, moved) if case.spells and case.is_sound else []


def _asked(case: WorldCase, moved: Moved) -> list[Answer]:
    """Let the watch hear a lot up to its move, ask it, and hold the answer against what came."""
    watch = LotWatch("lot", "vessel", PROFILE, BEGIN_MS)
    at_ms = BEGIN_MS + round(moved.hour * HOUR_MS)
    for event in events_of(case):
        if event.at_ms > at_ms:
            break
        watch.observe(event) if isinstance(event, Observation) else watch.enter(event)
    if watch.day_c is None:
        return []
    told, kelvin = watch.what_if(moved.celsius), moved.celsius - watch.day_c
    found: list[Answer] = []

    def hold(what: str, expected: Expected | None, true_h: float | None) -> None:
        if expected is None or true_h is None or true_h <= moved.hour:
            return
        true_ms = BEGIN_MS + true_h * HOUR_MS
        is_held = expected.earliest_ms <= true_ms <= expected.latest_ms
        off_h = (expected.at_ms - true_ms) / HOUR_MS
        found.append(Answer(what, kelvin, case.world.family, off_h, true_h - moved.hour, is_held))

    hold("racking", told.rack, case.crossing_h)
    hold("end", told.finish, case.spells[0].slow_h)
    return found


def report(answers: Sequence[Answer]) -> list[dict[str, Any]]:
    """Return the rows: of racking and end, all and by how far it was moved and of what family."""
    rows = []
    for what in ("racking", "end"):
        of = [a for a in answers if a.what == what]
        parts = {"all": of}
        for low, high in ((-16, -6), (-6, -2), (-2, 2), (2, 6), (6, 16)):
            parts[f"moved by {low} to {high} K"] = [a for a in of if low <= a.kelvin < high]
        for family in sorted({a.family for a in of}):
            parts[family] = [a for a in of if a.family == family]
        rows += [_row(what, name, part) for name, part in parts.items() if len(part) >= FEWEST]
    return rows


def _row(what: str, of: str, answers: Sequence[Answer]) -> dict[str, Any]:
    off = np.array([a.hours_off for a in answers])
    return {
        "what": what,
        "of": of,
        "n": len(answers),
        "held": round(100.0 * float(np.mean([a.is_held for a in answers])), 1),
        "ahead_h": round(float(np.median([a.hours_ahead for a in answers])), 1),
        "median_h": round(float(np.median(np.abs(off))), 1),
        "p95_h": round(float(np.percentile(np.abs(off), 95)), 1),
        "bias_h": round(float(np.median(off)), 1),
    }


def main() -> None:
    """Run, print, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tuning", action="store_true", help="tuning worlds instead of fresh ones")
    parser.add_argument(
        "--lots", type=int, default=LOTS, help="so many worlds, of which about a third is asked"
    )
    parser.add_argument("--first", type=int, default=0, help="begin so many worlds into the set")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    first = (TUNING_FIRST if args.tuning else FRESH_FIRST) + args.first
    seeds = range(first, first + args.lots)
    with Pool(args.jobs) as pool:
        answers = [a for found in pool.imap(one, seeds, chunksize=8) for a in found]
    rows = report(answers)
    for row in rows:
        print(
            f"{row['what']:8} {row['of']:22} n {row['n']:4}  held {row['held']:5.1f} %  off {row['median_h']:5.1f} / "
            f"{row['p95_h']:5.1f} h of {row['ahead_h']:5.1f}, bias {row['bias_h']:+.1f}"
        )
    OUT.mkdir(exist_ok=True)
    name = "whatif_tuning" if args.tuning else "whatif"
    kept = {"seeds": [seeds[0], seeds[-1]], "worlds": args.lots, "rows": rows}
    (OUT / f"{name}.json").write_text(json.dumps(kept, indent=1))


if __name__ == "__main__":
    main()
