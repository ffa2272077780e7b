"""A vessel: bucket, carboy, barrel or tank. A lot sits in one vessel at a time."""

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
