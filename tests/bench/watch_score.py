"""How often the findings are right: many simulated ferments through the watch, scored against the truth.

    make bench-watch                       the reported figures
    .venv/bin/python tests/bench/watch_score.py --tuning     the same on the seeds that constants were chosen on
    .venv/bin/python tests/bench/watch_score.py --trade-off  what an earlier `finished` would cost, on those seeds

Prints one table and writes tests/bench/out/watch_report.json (watch_tuning.json).
"""

import argparse
import json
import sys
from collections.abc import Sequence
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))


from watch_bound import bound, show_bound, show_trade_off, trade_off
from watch_compare import COMPARED, compare, compared, show_compared
from watch_judging import quantiles
from watch_racking import beside_reader, show_noise, show_racking, with_noise
from watch_replay import replayed, show_replayed
from watch_run import REPORT_SEEDS, STANDARD_NOISE, TUNING_SEEDS, Figures, every, one, scenarios, total
from watch_speed import show_year, year
from watch_tails import show_tails, tails
from watch_truth import SCORES

from mustwatch.watch.finding import kind_named

SLOW_FAMILIES = ("sluggish", "refermenting")
"""Families whose end is hard to know by design: a tail of weeks, and a wine that stopped with sugar in it."""

CLASSES = ("ordinary tails", *SLOW_FAMILIES, "drifting floats", "by hand")
"""What the delay of ``finished`` is told apart by."""

OUT = Path(__file__).parent / "out"


def summary(made: Sequence[Figures]) -> dict[str, Any]:
    """Return all figures of a run as plain values."""
    kinds: dict[str, Any] = {}
    for kind in SCORES:
        score = total(made, kind)
        kinds[kind.value] = {
            "right": score.right,
            "false": score.false,
            "missed": score.missed,
            "repeated": score.repeated,
            "delay_h": quantiles(score.delays_h),
            "abs_delay_h": quantiles([abs(d) for d in score.delays_h]),
            "remarks": score.remarks,
        }
    sound = [f for f in made if f.is_sound]
    by_sound = {}
    for kind in (kind_named("finished"), kind_named("stuck"), kind_named("rack-due")):
        score = total(sound, kind)
        by_sound[kind.name] = {
            "right": score.right,
            "false": score.false,
            "missed": score.missed,
            "delay_h": quantiles(score.delays_h),
            "abs_delay_h": quantiles([abs(d) for d in score.delays_h]),
        }
    ordinary = [f for f in sound if f.family not in SLOW_FAMILIES]
    by_sound["finished_ordinary"] = {"delay_h": quantiles(total(ordinary, kind_named("finished")).delays_h)}
    classes = {name: [f for f in made if _class_of(f) == name] for name in CLASSES}
    sighted = [f for f in made if f.is_sighted and f.gravity_rmse is not None]
    standard = [f for f in sighted if abs(f.noise - STANDARD_NOISE) < 1e-9]
    half = [f for f in made if f.rack_at_half_h is not None]
    return {
        "ferments": len(made),
        "readings": sum(f.readings for f in made),
        "findings": kinds,
        "sound_floats": {"ferments": len(sound), **by_sound},
        "finished_by_class": {
            name: quantiles(total(of, kind_named("finished")).delays_h) for name, of in classes.items()
        },
        "gravity_rmse": {
            "noise_0.0015": _mean([f.gravity_rmse for f in standard]),
            "noise_0.0015_n": len(standard),
            "all": _mean([f.gravity_rmse for f in sighted]),
        },
        "rate_rmse": {
            "noise_0.0015": _mean([f.rate_rmse for f in standard]),
            "all": _mean([f.rate_rmse for f in sighted]),
        },
        "cover_90": {
            "gravity": _mean([f.gravity_cover for f in sighted]),
            "rate": _mean([f.rate_cover for f in sighted]),
            "rack_at_half": _mean([float(f.rack_at_half_covered or False) for f in half]),
        },
        "rack_at_half_abs_h": quantiles([abs(f.rack_at_half_h or 0.0) for f in half]),
        "rack_at_half_h": quantiles([f.rack_at_half_h or 0.0 for f in half]),
        "rack_ahead": _ahead([x for f in made for x in f.rack_ahead]),
        "finish_ahead": _ahead([x for f in made for x in f.finish_ahead]),
        "us_per_reading": round(
            1e6 * sum(f.seconds for f in made) / max(1, sum(f.readings for f in made)), 2
        ),
        "by_scenario": {
            name: {
                "gravity_rmse": _mean(
                    [f.gravity_rmse for f in made if f.name == name and f.gravity_rmse is not None]
                ),
                "rate_rmse": _mean([f.rate_rmse for f in made if f.name == name and f.rate_rmse is not None]),
                "gravity_cover": _mean(
                    [f.gravity_cover for f in made if f.name == name and f.gravity_cover is not None]
                ),
                "rate_cover": _mean(
                    [f.rate_cover for f in made if f.name == name and f.rate_cover is not None]
                ),
            }
            for name in scenarios()
        },
    }


def _class_of(of: Figures) -> str:
    """Return which of ``CLASSES`` a ferment belongs to."""
    if of.noise == 0.0:
        return "by hand"
    if not of.is_sound:
        return "drifting floats"
    return of.family if of.family in SLOW_FAMILIES else "ordinary tails"


def _mean(values: Sequence[float | None]) -> float | None:
    kept = [v for v in values if v is not None]
    return round(float(np.mean(kept)), 6) if kept else None


def _ahead(found: Sequence[tuple[float, float, bool]]) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for hours in sorted({h for h, _, _ in found}, reverse=True):
        here = [(e, c) for h, e, c in found if h == hours]
        made[f"{hours:g}_h_ahead"] = {
            **quantiles([abs(e) for e, _ in here]),
            "bias": round(float(np.median([e for e, _ in here])), 2),
            "covered": round(float(np.mean([c for _, c in here])), 3),
        }
    return made


def show(of: dict[str, Any], title: str) -> None:
    """Print the table."""
    print(f"\n{title}: {of['ferments']} ferments, {of['readings']} readings")
    print(
        f"{'finding':14} {'right':>6} {'false':>6} {'missed':>7} {'repeated':>9}   delay h: median, 5 %, 95 %"
    )
    for kind, score in of["findings"].items():
        d = score["delay_h"]
        delays = "" if not d["n"] else f"{d['median']:8.1f} {d['p5']:8.1f} {d['p95']:8.1f}"
        print(
            f"{kind:14} {score['right']:6} {score['false']:6} {score['missed']:7} {score['repeated']:9}   {delays}"
        )
    sound = of["sound_floats"]
    print(f"of these, {sound['ferments']} watched by a float that does not drift away:")
    for kind in ("finished", "stuck", "rack-due"):
        k = sound[kind]
        d = k["abs_delay_h"] if kind == "rack-due" else k["delay_h"]
        counts = f"right {k['right']} false {k['false']} missed {k['missed']}"
        what = "|error|" if kind == "rack-due" else "delay"
        print(f"    {kind:9} {counts}; {what} h: median {d['median']}, 95 % {d['p95']}")
    d = sound["finished_ordinary"]["delay_h"]
    families = ", ".join(SLOW_FAMILIES)
    print(
        f"    finished, without the families {families}: delay h median {d['median']}, 95 % {d['p95']} (n={d['n']})"
    )
    for name, d in of["finished_by_class"].items():
        print(f"        {name:16} delay h median {d['median']}, 95 % {d['p95']} (n={d['n']})")
    d = of["findings"]["rack-due"]["abs_delay_h"]
    print(f"racking time against the true crossing: |error| median {d['median']} h, 95 % {d['p95']} h")
    g, r, c = of["gravity_rmse"], of["rate_rmse"], of["cover_90"]
    print(
        f"gravity RMSE {g['noise_0.0015']} (noise 0.0015, n={g['noise_0.0015_n']}), {g['all']} (all); ",
        end="",
    )
    print(f"rate RMSE {r['noise_0.0015']}, {r['all']}")
    print(
        f"90 % intervals cover: gravity {c['gravity']}, rate {c['rate']}, racking time at half {c['rack_at_half']}"
    )
    h = of["rack_at_half_abs_h"]
    print(
        f"racking time foretold at half the fall: |error| median {h['median']} h, 95 % {h['p95']} h (n={h['n']})"
    )
    for what in ("rack_ahead", "finish_ahead"):
        for key, v in of[what].items():
            error = f"|error| {v['median']:6.1f} 95 % {v['p95']:6.1f} bias {v['bias']:6.1f}"
            print(f"  {what} {key:12} {error} covered {v['covered']:.2f} n {v['n']}")
    print(f"time per reading: {of['us_per_reading']} µs")


def main() -> None:
    """Run and report."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--tuning", action="store_true", help="run on the seeds that constants were chosen on"
    )
    parser.add_argument("--seeds", type=int, help="so many seeds of each scenario (with --first: 21)")
    parser.add_argument("--only", action="append", choices=scenarios(), help="only this scenario; repeatable")
    parser.add_argument(
        "--first", type=int, help="begin at this seed instead (to look without spending others)"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--compare", type=int, default=21, help="so many seeds beside the baselines (0: none)"
    )
    parser.add_argument(
        "--replay", type=int, default=1, help="so many seeds through the real pipeline (0: none)"
    )
    parser.add_argument(
        "--trade-off", action="store_true", help="what `finished` comes to at other probabilities, instead"
    )
    parser.add_argument("--remarks", action="store_true", help="print every false and missed finding")
    args = parser.parse_args()
    if args.trade_off:
        show_trade_off(trade_off(args.jobs))
        return
    seeds = list(TUNING_SEEDS if args.tuning else REPORT_SEEDS)
    if args.first is not None:
        seeds = list(range(args.first, args.first + (args.seeds or len(seeds))))
    seeds = seeds[: args.seeds]
    with Pool(args.jobs) as pool:
        tasks = [task for task in every(seeds) if not args.only or task[0] in args.only]
        made = [f for of in pool.imap_unordered(one, tasks, chunksize=4) for f in of]
    made.sort(key=lambda f: (f.name, f.seed))
    of = {"seeds": [seeds[0], seeds[-1]], "tuned_on": [TUNING_SEEDS[0], TUNING_SEEDS[-1]], **summary(made)}
    which = "tuning" if args.tuning else "report"
    show(
        of,
        f"{which} seeds {seeds[0]} to {seeds[-1]} of {len(scenarios())} scenarios (constants chosen on "
        f"seeds {TUNING_SEEDS[0]} to {TUNING_SEEDS[-1]})",
    )
    if args.remarks:
        for kind, score in of["findings"].items():
            for remark in score["remarks"]:
                print(f"  {kind}: {remark}")
    if args.compare:
        tasks = [(name, seed) for seed in seeds[: args.compare] for name in COMPARED]
        with Pool(args.jobs) as pool:
            of["compared"] = compared([m for ms in pool.imap_unordered(compare, tasks) for m in ms])
        show_compared(of["compared"])
    if args.replay:
        with Pool(args.jobs) as pool:
            checked = [r for rs in pool.imap_unordered(replayed, every(seeds[: args.replay])) for r in rs]
        of["replay"] = show_replayed(checked)
    classes = {name: [f for f in made if _class_of(f) == name] for name in CLASSES[-2:]}
    classes = {"all": made, "sound floats": [f for f in made if f.is_sound], **classes}
    of["racking"] = {name: beside_reader(here) for name, here in classes.items()}
    show_racking(of["racking"])
    of["racking_noise"] = with_noise(made)
    show_noise(of["racking_noise"])
    with Pool(args.jobs) as pool:
        of["slow_tails"] = tails(pool, which)
    show_tails(of["slow_tails"])
    of["bound"] = bound()
    show_bound(of["bound"])
    of["year"] = year()
    show_year(of["year"])
    OUT.mkdir(exist_ok=True)
    (OUT / f"watch_{which}.json").write_text(json.dumps(of, indent=1))


if __name__ == "__main__":
    main()
