"""Do the findings hold in worlds nobody tuned to? The check set of worlds through the watch, row by row and by stratum.

    make bench-watch                        after the scenarios, on CHECKED worlds of the check set (four minutes)
    make bench-watch ARGS="--worlds 6000"   the long form
    .venv/bin/python tests/bench/watch_worlds.py --tuning     tuning worlds: for choosing constants

Prints the rows and, of each, the strata that do worst; writes tests/bench/out/worlds_report.json (worlds_tuning.json).
Nothing may be chosen in the light of the check set.
"""

import argparse
import json
from collections.abc import Callable, Sequence
from multiprocessing import Pool
from multiprocessing.pool import Pool as Workers
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import beta
from watch_world_case import LEFT
from watch_world_score import NEAR_DRY, WorldFigures, one

from mustsim.worlds.world import CHECK_FIRST

CHECKED = 600
"""Worlds of the check set in the short form."""
TUNING_FIRST = 1000
OUT = Path(__file__).parent / "out"
SURE = 0.95
FEWEST = 8
"""A stratum with fewer cases is not printed."""
WORST = 7

Made = Sequence[WorldFigures]
Figure = dict[str, Any]


def share(count: int, of: int) -> Figure:
    """Return so many of so many, as a share, with its one-sided upper bound (Clopper and Pearson 1934)."""
    most = 1.0 if count >= of else float(beta.ppf(SURE, count + 1, of - count))
    return {"count": count, "n": of, "share": count / of if of else None, "at_most": round(most, 5)}


def spread(values: Sequence[float]) -> Figure:
    """Return number, median and 95 % of some values, as they are and as distances from nothing."""
    if not values:
        return {"n": 0, "median": None, "p95": None, "bias": None}
    far = np.abs(np.array(values))
    found = {"median": np.median(far), "p95": np.percentile(far, 95), "bias": np.median(values)}
    return {"n": len(values), **{name: round(float(v), 3) for name, v in found.items()}}


def _too_soon(made: Made) -> Figure:
    all_ = [(x, above) for f in made for x, above in zip(f.too_soon, f.above_dry, strict=True)]
    return share(sum(x > LEFT and not above for x, above in all_), len(all_))


def _above_dry(made: Made) -> Figure:
    all_ = [x if above else 0.0 for f in made for x, above in zip(f.too_soon, f.above_dry, strict=True)]
    return share(sum(x > NEAR_DRY for x in all_), len(all_))


def _near_dry(made: Made) -> Figure:
    all_ = [x if above else 0.0 for f in made for x, above in zip(f.too_soon, f.above_dry, strict=True)]
    return share(sum(0.0 < x <= NEAR_DRY for x in all_), len(all_))


def _delay(made: Made) -> Figure:
    return spread([max(0.0, d) for f in made for d in f.finish_delay_h])


def _is_sharp(of: WorldFigures) -> bool:
    return of.strata["tail"] == "sharp"


def _beyond_bound(made: Made) -> Figure:
    pairs = [p for f in made for p in zip(f.finish_delay_h, f.end_bound_h, strict=False)]
    return spread([max(0.0, d) / b for d, b in pairs])


def _held(of: Callable[[WorldFigures], Sequence[float]]) -> Callable[[Made], Figure]:
    def figure(made: Made) -> Figure:
        values = [v for f in made for v in of(f)]
        return {"n": len(values), "share": round(float(np.mean(values)), 4) if values else None}

    return figure


def _messages(made: Made) -> Figure:
    told, events = sum(sum(f.told.values()) for f in made), sum(f.events for f in made)
    return {"n": events, "told": told, "share": round(told / events, 3) if events else None}


SOUND, ALL = "sound floats", "all"
ROWS: dict[str, tuple[str, Callable[[Made], Figure], str]] = {
    "finished too soon": ("all: 0.001, two-phase: 0.01", _too_soon, ALL),
    "finished, stopped above dryness": ("0.001, with the row above", _above_dry, ALL),
    "finished, 0.0005 to 0.003 above": ("told apart: no float knows", _near_dry, ALL),
    "finished missed": (
        "0.005",
        lambda m: share(sum(f.finish_missed for f in m), sum(f.ends for f in m)),
        SOUND,
    ),
    "finished, delay h, sharp ends": ("24 / 48", lambda m: _delay([f for f in m if _is_sharp(f)]), SOUND),
    "finished, delay h, sharp, hourly": (
        "36 / 72",
        lambda m: _delay([f for f in m if _is_sharp(f) and f.strata["interval"] == "to 60 min"]),
        SOUND,
    ),
    "finished, delay h, all": ("none", _delay, SOUND),
    "finished, slow tails, delay by bound": ("1.3", _beyond_bound, SOUND),
    "stuck not once and standing": (
        "0.01",
        lambda m: share(sum(f.stops - f.stuck_once for f in m), sum(f.stops for f in m)),
        SOUND,
    ),
    "stuck on one that goes on": ("0.003", lambda m: share(sum(f.stuck_false > 0 for f in m), len(m)), ALL),
    "rack-due on a stall above": (
        "0.03",
        lambda m: share(sum(f.racked_stalled for f in m), sum(f.stalled_above for f in m)),
        SOUND,
    ),
    "messages by event": ("1.2", _messages, ALL),
    "racking time, |error| h": (
        "0.8 / 4",
        lambda m: spread([e for f in m for e in f.racking_error_h]),
        SOUND,
    ),
    "90 % of gravity holds": ("0.85 to 0.95", _held(lambda f: f.gravity_held), SOUND),
    "90 % of gravity, day after a stall": ("0.85 to 0.95", _held(lambda f: f.stalled_held), SOUND),
    "90 % of rate holds": ("0.85 to 0.95", _held(lambda f: f.rate_held), SOUND),
    "90 % of racking 24 h ahead": (
        "0.85 to 0.95",
        _held(lambda f: [float(c) for _, c in f.rack_ahead]),
        SOUND,
    ),
    "90 % of end at half": ("0.85 to 0.95", _held(lambda f: [float(c) for _, c in f.end_at_half]), SOUND),
    "racking 24 h ahead, |error| h": ("3", lambda m: spread([e for f in m for e, _ in f.rack_ahead]), SOUND),
    "end at half, |error| h": ("12", lambda m: spread([e for f in m for e, _ in f.end_at_half]), SOUND),
}
"""Of each row: what is aimed for, how it is worked out, and which lots are asked."""


def rows_of(made: Made) -> dict[str, Figure]:
    """Return each row for all its lots and, worst first, for each stratum of them."""
    found: dict[str, Figure] = {}
    for name, (aim, figure, whom) in ROWS.items():
        asked = [f for f in made if f.is_sound] if whom == SOUND else list(made)
        strata = {}
        for key in sorted({(k, v) for f in asked for k, v in f.strata.items()}):
            strata[" ".join(key)] = figure([f for f in asked if f.strata[key[0]] == key[1]])
        kept = {k: v for k, v in strata.items() if v["n"] >= FEWEST}
        worst = sorted(kept, key=lambda k: -_badness(name, kept[k]))
        found[name] = {"aim": aim, "of": whom, "whole": figure(asked), "strata": {k: kept[k] for k in worst}}
    return found


def _badness(row: str, of: Figure) -> float:
    """Return how bad a figure is, by its row's own measure."""
    if row.startswith("90 %"):
        return abs((of["share"] or 0.0) - 0.9)
    return float(of["p95"] if "p95" in of else of["share"] or 0.0)


def _cell(of: Figure) -> str:
    if "at_most" in of:
        return f"{of['count']} of {of['n']} (at most {of['at_most']:.4f})"
    if "p95" in of:
        return (
            "none"
            if of["median"] is None
            else f"{of['median']:g} / {of['p95']:g} bias {of['bias']:g} (n {of['n']})"
        )
    return f"{of['share']} (n {of['n']})"


def show(of: dict[str, Any]) -> None:
    """Print the rows, and of each the strata that do worst."""
    print(f"\nworlds {of['seeds'][0]} to {of['seeds'][1]} ({of['worlds']}; {of['set']})")
    for name, row in of["rows"].items():
        print(f"{name} ({row['of']}; aim {row['aim']}): {_cell(row['whole'])}")
        for key in list(row["strata"])[:WORST]:
            print(f"        {key:32} {_cell(row['strata'][key])}")
    print(f"messages by kind: {of['told']}")
    print(f"watch: {of['ms_per_slot']} ms a slot, {of['us_per_reading']} µs a reading")


def report(pool: Workers, seeds: Sequence[int], kind: str) -> dict[str, Any]:
    """Return the report over some seeds as plain values."""
    made = sorted(pool.imap_unordered(one, seeds, chunksize=8), key=lambda f: f.seed)
    seconds = sum(f.seconds for f in made)
    told: dict[str, int] = {}
    for f in made:
        for name, count in f.told.items():
            told[name] = told.get(name, 0) + count
    return {
        "seeds": [seeds[0], seeds[-1]],
        "worlds": len(made),
        "set": kind,
        "rows": rows_of(made),
        "told": told,
        "ms_per_slot": round(1e3 * seconds / max(1, sum(f.slots for f in made)), 4),
        "us_per_reading": round(1e6 * seconds / max(1, sum(f.readings for f in made)), 2),
        "remarks": {f.seed: f.remarks for f in made if f.remarks},
    }


def main() -> None:
    """Run and report."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tuning", action="store_true", help="tuning worlds instead of the check set")
    parser.add_argument("--worlds", type=int, default=CHECKED, help="so many of them")
    parser.add_argument("--first", type=int, help="begin so many worlds into the set")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--remarks", action="store_true", help="print every wrong finding")
    args = parser.parse_args()
    begins = (TUNING_FIRST if args.tuning else CHECK_FIRST) + (args.first or 0)
    kind = "tuning" if args.tuning else "report"
    with Pool(args.jobs) as pool:
        of = report(
            pool, range(begins, begins + args.worlds), "tuning worlds" if args.tuning else "check set"
        )
    show(of)
    if args.remarks:
        for seed, remarks in of["remarks"].items():
            print(f"  {seed}: {'; '.join(remarks)}")
    del of["remarks"]
    OUT.mkdir(exist_ok=True)
    (OUT / f"worlds_{kind}.json").write_text(json.dumps(of, indent=1))


if __name__ == "__main__":
    main()
