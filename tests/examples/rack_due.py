"""rack-due: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {
    "gravity": 1.0097,
    "gravity_sd": 0.0003,
    "racking_gravity": 1.010,
    "rate_per_day": -0.0071,
    "celsius": 19.4,
}


def hover(view: SlotView, random: Random) -> None:
    """Around 1.010 by the estimate's error."""
    view.gravity = 1.010 + random.gauss(0, 0.0008)
