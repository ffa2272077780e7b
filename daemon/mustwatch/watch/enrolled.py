"""The detectors of a lot: what the files of the kinds of findings offer as ``DETECTOR``."""

from importlib import import_module

from mustwatch.watch import findings
from mustwatch.watch.detector import Detector
from mustwatch.watch.finding import MODULES

ENROLLED: tuple[type[Detector], ...] = tuple(
    made
    for module in MODULES
    if (made := getattr(import_module(f"{findings.__name__}.{module}"), "DETECTOR", None)) is not None
)
"""Every detector of a lot, by the names of their files."""
