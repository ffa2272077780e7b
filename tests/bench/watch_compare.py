"""The watch beside the baselines, on the same readings in the same run: accuracy, findings, time per reading."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from watch_baselines import conclusions, moving_average, series, structural
from watch_case import Case
from watch_judging import Score, observed_until, quantiles
from watch_run import HOUR_MS, STANDARD_NOISE, cases, watched
from watch_truth import score_finished, score_rack_due, score_stuck

from mustwatch.watch.finding import Transition
from mustwatch.watch.observation import Observation

COMPARED = ("kit", "healthy-white", "warm-red", "stuck-forced", "foam-sticks", "cold-nights", "racking")
"""Scenarios on which they are compared (fitting the structural model takes its time)."""

NAMES = ("watch", "moving average", "structural model")


def compare(task: tuple[str, int]) -> list[dict[str, Any]]:
    """Return, for the cases of one scenario and seed, the figures of the watch and of both baselines."""
    return [_compare_one(case) for case in cases(*task)]


def _compare_one(case: Case) -> dict[str, Any]:
    steps, seconds = watched(case)
    at, _ = series(case)
    mine = np.array(
        [[s.estimate.at_ms, s.estimate.gravity, s.estimate.rate_per_day] for s in steps if s.estimate.gravity]
    )
    tracks = {"moving average": moving_average(case), "structural model": structural(case)}
    made: dict[str, Any] = {"name": case.name, "noise": case.noise, "readings": int(at.size)}
    late = case.started_ms + 12 * HOUR_MS
    until = observed_until(case)
    here = (mine[:, 0] > late) & (mine[:, 0] <= until)
    made["watch"] = {
        **_errors(case, mine[here, 0], mine[here, 1], mine[here, 2]),
        "s_per_reading": seconds / sum(isinstance(e, Observation) for e in case.events),
        "scores": _scores(case, [t for s in steps for t in s.transitions]),
    }
    for name, track in tracks.items():
        here = track.at_ms > late
        made[name] = {
            **_errors(case, track.at_ms[here], track.gravity[here], track.rate[here]),
            "s_per_reading": track.batch_s / at.size,
            "fit_s_per_reading": track.fit_s / at.size,
            "live_s_per_reading": track.live_s_per_reading,
            "scores": _scores(case, conclusions(case, track, by_trend=name == "structural model")),
        }
        if track.gravity_sd is not None:
            off = track.gravity[here] - case.truth.gravity_at(track.at_ms[here])
            made[name]["gravity_cover"] = float(np.mean(np.abs(off) <= 1.645 * track.gravity_sd[here]))
    return made


def _errors(case: Case, at: Any, gravity: Any, rate: Any) -> dict[str, float]:
    off = gravity - case.truth.gravity_at(at)
    rate_off = rate - np.interp(at, case.truth.t_ms, case.truth.rate_per_day)
    return {
        "gravity_rmse": float(np.sqrt(np.mean(off**2))),
        "rate_rmse": float(np.sqrt(np.mean(rate_off**2))),
    }


def _scores(case: Case, transitions: Sequence[Transition]) -> dict[str, Score]:
    return {
        "finished": score_finished(case, transitions),
        "stuck": score_stuck(case, transitions),
        "rack-due": score_rack_due(case, transitions),
    }


def compared(made: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the comparison as plain values: means over ferments, scores added up."""
    result: dict[str, Any] = {"ferments": len(made), "readings": sum(m["readings"] for m in made)}
    for name in NAMES:
        keys = [k for k in made[0][name] if k != "scores"]
        of: dict[str, Any] = {k: float(np.mean([m[name][k] for m in made])) for k in keys}
        standard = [m[name]["gravity_rmse"] for m in made if abs(m["noise"] - STANDARD_NOISE) < 1e-9]
        of["gravity_rmse_noise_0.0015"] = float(np.mean(standard))
        for kind in made[0][name]["scores"]:
            whole = Score()
            for m in made:
                whole.add(m[name]["scores"][kind])
            of[kind] = {
                "right": whole.right,
                "false": whole.false,
                "missed": whole.missed,
                "delay_h": quantiles(whole.delays_h),
                "abs_delay_h": quantiles([abs(d) for d in whole.delays_h]),
            }
        result[name] = of
    return result


def show_compared(of: dict[str, Any]) -> None:
    """Print the comparison."""
    print(f"\nbeside two baselines, on the same {of['readings']} readings of {of['ferments']} ferments")
    for name in NAMES:
        m = of[name]
        print(
            f"{name:17} gravity RMSE {m['gravity_rmse']:.6f} (noise 0.0015: {m['gravity_rmse_noise_0.0015']:.6f}) ",
            end="",
        )
        print(f"rate RMSE {m['rate_rmse']:.6f}  {1e6 * m['s_per_reading']:.2f} µs/reading", end="")
        if m.get("live_s_per_reading"):
            print(f" filtered in one pass, {1e6 * m['fit_s_per_reading']:.0f} fitted, ", end="")
            print(f"{1e6 * m['live_s_per_reading']:.0f} one by one as they come", end="")
        print()
        for kind in ("finished", "stuck", "rack-due"):
            k = m[kind]
            d = k["abs_delay_h"] if kind == "rack-due" else k["delay_h"]
            counts = f"right {k['right']:3} false {k['false']:3} missed {k['missed']:3}"
            print(f"    {kind:9} {counts}  h: median {d['median']} 95 % {d['p95']}")
