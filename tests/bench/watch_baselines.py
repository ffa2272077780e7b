"""What the watch is measured against, on the same readings: a moving average, and a structural time-series model.

The moving average is what a spreadsheet would do: six hours' mean; settled when the means of two days lie within
0.001. The structural model is the local linear trend of statsmodels (``UnobservedComponents(y, "lltrend")``), its
three variances fitted by maximum likelihood to the whole ferment (so it has seen what is to come), then filtered.
"""

import time
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from watch_case import Case
from watch_judging import DAY_MS, HOUR_MS, observed_until

from mustwatch.watch.finding import Change, FindingKind, Severity, Subject, Transition, kind_named
from mustwatch.watch.observation import Observation

MEAN_MS = 6 * HOUR_MS
SETTLED_MS = 48 * HOUR_MS
SETTLED_WITHIN = 0.001
TREND_SETTLED = 0.0008
TREND_FOR_MS = 24 * HOUR_MS
ONSET_FALL = 0.004


@dataclass(frozen=True, slots=True)
class Track:
    """Gravity and rate per day as a baseline had them at its readings, their errors if it states any, and seconds."""

    at_ms: np.ndarray
    gravity: np.ndarray
    rate: np.ndarray
    gravity_sd: np.ndarray | None
    rate_sd: np.ndarray | None
    batch_s: float
    fit_s: float = 0.0
    live_s_per_reading: float = 0.0


def series(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Return instants and gravities 20/20 of the case's first float."""
    said = [e for e in case.events if isinstance(e, Observation) and e.gravity is not None]
    first = said[0].sensor
    kept = [(e.at_ms, e.gravity) for e in said if e.sensor == first and e.at_ms <= observed_until(case)]
    return np.array([a for a, _ in kept], dtype=np.int64), np.array([g for _, g in kept], dtype=float)


def moving_average(case: Case) -> Track:
    """Return the mean of the last six hours, and the difference from a day before as the rate."""
    at, y = series(case)
    begun = time.process_time()
    total = np.concatenate(([0.0], np.cumsum(y)))
    first = np.searchsorted(at, at - MEAN_MS, side="right")
    n = np.arange(1, at.size + 1)
    mean = (total[n] - total[first]) / (n - first)
    before = np.clip(np.searchsorted(at, at - DAY_MS), 0, at.size - 1)
    days = np.maximum((at - at[before]) / DAY_MS, 1e-9)
    rate = np.where(before < np.arange(at.size), (mean - mean[before]) / days, 0.0)
    return Track(at, mean, rate, None, None, time.process_time() - begun)


def structural(case: Case, live: int = 20) -> Track:
    """Return the local linear trend, fitted and filtered; ``live`` readings are appended one by one and timed."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    at, y = series(case)
    step = float(np.median(np.diff(at)))
    index = np.round((at - at[0]) / step).astype(int)
    grid = np.full(index[-1] + 1, np.nan)
    grid[index] = 1000.0 * (y - 1.0)
    model: Any = UnobservedComponents(grid, "lltrend")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        begun = time.process_time()
        fitted = model.fit(disp=False, maxiter=100)
        fit_s = time.process_time() - begun
        begun = time.process_time()
        filtered = model.filter(fitted.params)
        batch_s = time.process_time() - begun
        grown = UnobservedComponents(grid[:-live], "lltrend").filter(fitted.params)
        begun = time.process_time()
        for value in grid[-live:]:
            grown = grown.append([value])
        live_s = (time.process_time() - begun) / live
    per_day = DAY_MS / step / 1000.0
    state, cov = filtered.filtered_state, filtered.filtered_state_cov
    return Track(
        at,
        1.0 + state[0, index] / 1000.0,
        state[1, index] * per_day,
        np.sqrt(cov[0, 0, index]) / 1000.0,
        np.sqrt(cov[1, 1, index]) * per_day,
        batch_s,
        fit_s,
        live_s,
    )


def conclusions(case: Case, track: Track, *, by_trend: bool) -> list[Transition]:
    """Return what plain thresholds conclude: rack due, finished, stuck. Each holds until the other side is clear."""
    racking, dry = case.profile.racking_gravity, case.profile.dry_gravity
    subject = Subject(case.lot, case.vessel)
    told: list[Transition] = []
    is_open: set[FindingKind] = set()
    since = None
    start = float(np.max(track.gravity[: max(1, track.gravity.size // 20)]))
    back = np.searchsorted(track.at_ms, track.at_ms - SETTLED_MS)

    def say(kind: FindingKind, holds: bool, at: int) -> None:
        if holds != (kind in is_open):
            change = Change.RAISED if holds else Change.CLEARED
            (is_open.add if holds else is_open.discard)(kind)
            told.append(Transition(kind, change, at, Severity.NOTICE, subject))

    for i, at in enumerate(track.at_ms.tolist()):
        gravity, rate = float(track.gravity[i]), float(track.rate[i])
        if gravity <= racking and kind_named("rack-due") not in is_open:
            say(kind_named("rack-due"), True, at)
        if by_trend:
            since = (since or at) if abs(rate) < TREND_SETTLED else None
            is_settled = since is not None and at - since >= TREND_FOR_MS
        else:
            is_settled = (
                at - case.started_ms > SETTLED_MS and abs(gravity - track.gravity[back[i]]) <= SETTLED_WITHIN
            )
        has_begun = start - gravity > ONSET_FALL
        say(kind_named("finished"), is_settled and gravity <= dry, at)
        say(kind_named("stuck"), is_settled and gravity > dry and has_begun, at)
    return told
