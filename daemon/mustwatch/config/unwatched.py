"""Lots that the configuration no longer watches: their vessel, or the sensor in it, is not named there any more."""

from collections.abc import Mapping

from mustwatch.cellar.history import CellarHistory
from mustwatch.config.plan import CellarPlan


def unwatched_lots(history: CellarHistory, plan: CellarPlan) -> Mapping[str, str]:
    """Return every living lot that was watched and is not, with what is gone in half a sentence.

    A lot that never had a sensor is watched by hand, and not named.
    """
    found: dict[str, str] = {}
    for lot, of in history.lots.items():
        if of.vessel is None:
            continue
        if of.vessel not in plan.vessels:
            found[lot] = f"its vessel {of.vessel} is not in the configuration"
            continue
        here = [s for s, stays in history.sensor_stays.items() if stays and stays[-1].vessel == of.vessel]
        gone = sorted(sensor for sensor in here if sensor not in plan.sensors)
        if gone and len(gone) == len(here):
            found[lot] = f"{' and '.join(gone)}, in its vessel {of.vessel}, is not in the configuration"
    return found
