"""How near the hour of racking could be known at all: a reader of the same floats without their noise.

What no averaging removes from a float is what it is off by for days: how it was calibrated, what it drifts, what the
temperature and the gas do to it. The reader here sees the float's gravity without noise, wander or rounding, believes
it, and says so at once when it passes the racking gravity. A lot watched by hand is known at the first check after that.
Nobody who has only the readings can count on being nearer.
"""

import numpy as np
from watch_case import Case
from watch_judging import DAY_MS, HOUR_MS, observed_until

from mustsim.sensors import lasting_error
from mustwatch.watch.observation import Observation

SLOWEST = 0.0003
"""Per day: no hour is said of a fall slower than this."""


def reader_error_h(case: Case) -> float | None:
    """Return how late (negative: early) the reader says that the racking gravity is passed, hours.

    None if it never is. A reader whose float never shows it says so at the end of what was observed.
    """
    truth = case.truth
    crossing = truth.first("crossing")
    if crossing is None:
        return None
    if not case.floats:
        checks = [d.at_ms for d in case.done if d.gravity_shown is not None and d.at_ms >= crossing.at_ms]
        return (min(checks, default=observed_until(case)) - crossing.at_ms) / HOUR_MS
    shown = truth.gravity.copy()
    for float_ in case.floats:
        shown += lasting_error(float_, truth.rate_per_day, truth.temperature_c) / len(case.floats)
    for event in case.sensor_truth:
        if event.kind == "drift":
            until_ms = event.until_ms or case.ends_ms
            days = (np.clip(truth.t_ms, event.at_ms, until_ms) - event.at_ms) / DAY_MS
            shown += case.drift_per_day * days / len(case.floats)
    below = np.flatnonzero(shown <= truth.racking_gravity)
    said_ms = float(truth.t_ms[below[0]]) if below.size else observed_until(case)
    return (said_ms - crossing.at_ms) / HOUR_MS


LINES_H = (12, 24, 48)
"""Hours of readings that a straight line is laid through."""


def line_errors_h(case: Case) -> tuple[float, ...] | None:
    """Return what noise leaves of the reader's hour if it lays a line through the last ``LINES_H`` of readings.

    The end of a least-squares line through n readings of noise s has the standard error 2 s / sqrt(n); over the fall at
    the crossing that is hours. It takes for granted that the curve's shape over all these hours is known but for its
    level and its pace. None if the racking gravity is never passed; a lot watched by hand has no noise to speak of.
    """
    crossing = case.truth.first("crossing")
    if crossing is None:
        return None
    if not case.floats:
        return tuple(0.0 for _ in LINES_H)
    per_day = abs(float(np.interp(crossing.at_ms, case.truth.t_ms, case.truth.rate_per_day)))
    found = []
    for hours in LINES_H:
        begins = crossing.at_ms - hours * HOUR_MS
        n = sum(
            isinstance(e, Observation) and e.gravity is not None and begins < e.at_ms <= crossing.at_ms
            for e in case.events
        )
        found.append(24.0 * 2.0 * case.noise / max(n, 1) ** 0.5 / max(per_day, SLOWEST))
    return tuple(found)
