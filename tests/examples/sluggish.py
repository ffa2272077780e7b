"""sluggish: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"gravity": 1.0312, "rate_per_day": -0.0031, "hours_slow": 24.2, "celsius": 15.8}


def hover(view: SlotView, random: Random) -> None:
    """A fall of a little less than 0.005 a day, its error reaching over that."""
    view.rate = -0.0042 + random.gauss(0, 0.0006)
