"""An example of each kind of finding, in a file named as the kind is: the tests of all kinds take it up by themselves.

``EVIDENCE`` is what a detector hands over; ``hover(view, random)``, of a lot's detector, sets a slot in which what it
judges hovers around its threshold, as noise makes it.
"""

from collections.abc import Callable
from importlib import import_module
from random import Random

from mustwatch.watch.finding import Figures, FindingKind
from mustwatch.watch.slot_view import SlotView

Hover = Callable[[SlotView, Random], None]


def evidence_of(kind: FindingKind) -> Figures:
    """Return what a detector of a kind hands over."""
    evidence: Figures = import_module(f"examples.{kind.module}").EVIDENCE
    return evidence


def hover_of(kind: FindingKind) -> Hover:
    """Return what makes the quantity of a kind hover around its threshold."""
    hover: Hover = import_module(f"examples.{kind.module}").hover
    return hover
