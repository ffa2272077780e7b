"""finished: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {
    "gravity": 0.9952,
    "rate_per_day": -0.0001,
    "dry_gravity": 0.998,
    "probability_unfinished": 0.028,
    "unfinished_gravity": 0.002,
    "celsius": 19.1,
}


def hover(view: SlotView, random: Random) -> None:
    """Around dryness, settled by probabilities that hover around their limits."""
    view.gravity, view.rate, view.rate_sd = 0.9978 + random.gauss(0, 0.0004), random.gauss(0, 0.0004), 0.0005
    view.estimator.p_unfinished, view.estimator.p_falling = (
        abs(random.gauss(0.045, 0.015)),
        abs(random.gauss(0.1, 0.05)),
    )
