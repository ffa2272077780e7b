"""stuck: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {
    "gravity": 1.0213,
    "rate_per_day": -0.0002,
    "hours_settled": 31.0,
    "dry_gravity": 0.998,
    "celsius": 14.2,
}


def hover(view: SlotView, random: Random) -> None:
    """Settled at 1.020."""
    view.gravity, view.rate, view.rate_sd = 1.020 + random.gauss(0, 0.0006), random.gauss(0, 0.0004), 0.0005
    view.estimator.p_unfinished, view.estimator.p_falling = (
        abs(random.gauss(0.05, 0.05)),
        abs(random.gauss(0.2, 0.1)),
    )
