"""too-cold: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"celsius": 13.7, "limit_celsius": 15.0, "minutes_beyond": 120}


def hover(view: SlotView, random: Random) -> None:
    """Around 15 °C by the thermometer's noise."""
    view.celsius = 15.0 + random.gauss(0, 0.15)
