"""The detectors: each a small pure class, enrolled in ``ENROLLED`` in the order in which they are asked."""

from mustwatch.watch.detectors.detector import Detector
from mustwatch.watch.detectors.ending import Ended, Stuck
from mustwatch.watch.detectors.floats import FloatAdrift, FloatFrozen
from mustwatch.watch.detectors.pace import LateOnset, Sluggish
from mustwatch.watch.detectors.racking import RackDue
from mustwatch.watch.detectors.slot_view import SlotView
from mustwatch.watch.detectors.swing import FastChange, NightSwing
from mustwatch.watch.detectors.temperature import TooCold, TooWarm

ENROLLED: tuple[type[Detector], ...] = (
    TooWarm,
    TooCold,
    FastChange,
    NightSwing,
    FloatFrozen,
    FloatAdrift,
    RackDue,
    LateOnset,
    Sluggish,
    Ended,
    Stuck,
)
"""Every detector of a lot. A new one is added here and is thereby in the watch and in the contract test."""

__all__ = ["ENROLLED", "Detector", "SlotView"]
