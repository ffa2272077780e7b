"""late-onset: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"gravity": 1.0881, "rate_per_day": 0.0, "hours_since_start": 72.3, "celsius": 17.0}


def hover(view: SlotView, random: Random) -> None:
    """No onset, a rate around nothing."""
    view.estimator.onset_ms = -(2**62)
    view.gravity, view.rate = 1.080 + random.gauss(0, 0.0008), random.gauss(0, 0.001)
