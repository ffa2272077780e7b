"""float-adrift: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.float_track import FloatTrack
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"gravity_float": 1.0182, "gravity_hydrometer": 1.0120, "gravity_apart": 0.0062}


def hover(view: SlotView, random: Random) -> None:
    """A check that says adrift, then nothing for long."""
    track = view.estimator.floats.setdefault("float", FloatTrack(3))
    if not view.estimator.checks:
        track.is_adrift = True
        view.estimator.checks = {"float": (0.004 + random.gauss(0, 0.0002), 1.040)}
