"""too-warm: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"celsius": 27.31, "limit_celsius": 26.0, "minutes_beyond": 35}


def hover(view: SlotView, random: Random) -> None:
    """Around 26 °C by the thermometer's noise."""
    view.celsius = 26.0 + random.gauss(0, 0.15)
