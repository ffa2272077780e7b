"""The detectors of a lot: every class with ``kinds`` and ``judge`` in the files of the kinds of findings."""

from collections.abc import Iterator
from importlib import import_module

from mustwatch.watch import findings
from mustwatch.watch.detector import Detector
from mustwatch.watch.finding import MODULES


def _detectors() -> Iterator[type[Detector]]:
    for module in (f"{findings.__name__}.{name}" for name in MODULES):
        for of in vars(import_module(module)).values():
            if (
                isinstance(of, type)
                and of.__module__ == module
                and hasattr(of, "kinds")
                and hasattr(of, "judge")
            ):
                yield of


ENROLLED = tuple(_detectors())
