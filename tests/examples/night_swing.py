"""night-swing: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"swing_celsius": 7.2, "lowest_celsius": 12.1, "highest_celsius": 19.3}


def hover(view: SlotView, random: Random) -> None:
    """All of one night, 6 °C below and above."""
    view.is_night = True
    view.celsius = random.choice((14.0, 20.0)) + random.gauss(0, 0.1)
