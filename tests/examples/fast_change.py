"""fast-change: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"celsius": 18.2, "celsius_per_hour": -3.4}


def hover(view: SlotView, random: Random) -> None:
    """Around 3 °C an hour."""
    view.change_per_hour = 3.0 + random.gauss(0, 0.15)
