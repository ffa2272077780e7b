"""float-frozen: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.float_track import FloatTrack
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"gravity": 1.0341, "hours_constant": 9.5, "readings_constant": 570}


def hover(view: SlotView, random: Random) -> None:
    """The same value again and again, as a coarse float in a still wine has it, with a change now and then."""
    track = view.estimator.floats.setdefault("float", FloatTrack(3))
    if not random.randrange(20):
        track.constancy.take(1.0405, view.at_ms)
    track.constancy.take(1.040, view.at_ms)
