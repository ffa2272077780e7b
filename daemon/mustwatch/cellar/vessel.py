"""A vessel: bucket, carboy, barrel or tank. A lot sits in one vessel at a time."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class VesselKind(StrEnum):
    """What a vessel is; a bucket has headspace and a loose lid, the others close with an airlock."""

    BUCKET = "bucket"
    CARBOY = "carboy"
    BARREL = "barrel"
    TANK = "tank"


@dataclass(frozen=True, slots=True)
class Vessel:
    """A vessel by its name in the cellar, with its capacity in litres."""

    name: str
    kind: VesselKind
    litres: float


def best_fit_first(vessels: Iterable[Vessel], litres: float | None) -> list[Vessel]:
    """Return vessels in the order in which they suit a volume: the fullest that holds it first, then the largest.

    Air spoils wine: a carboy with two litres of it is worse than one filled to the neck. Common practice, no source.
    An unknown volume leaves them as they are.
    """
    if litres is None:
        return list(vessels)
    return sorted(vessels, key=lambda v: (v.litres < litres, abs(v.litres - litres)))
