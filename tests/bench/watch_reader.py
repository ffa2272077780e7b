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
