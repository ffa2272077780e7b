"""Refermenting: a finished wine moves again. Found with its end, in ``findings/finished.py``."""

from dataclasses import dataclass

from mustwatch.cellar.quantities import GravityChange
from mustwatch.watch.finding import About, Curve, Drawn, FindingKind
from mustwatch.watch.standing import AtTheEnd


@dataclass(frozen=True, slots=True)
class Moving(AtTheEnd):
    """How the wine stands, and how far it has fallen since it was finished."""

    fall_since_finished_gravity: GravityChange


KIND = FindingKind("refermenting", About.WINE, Moving, drawn=Drawn(Curve.GRAVITY))
