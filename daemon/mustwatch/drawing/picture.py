"""The parts of a picture, each of a kind that its drawer has a style for: a class of the sheet, or a pen."""

from collections.abc import Sequence
from typing import Literal, NamedTuple

from mustwatch.drawing.plane import Place, Plane

Anchor = Literal["start", "middle", "end"]


class Line(NamedTuple):
    """Runs of places, each joined by a line."""

    kind: str
    runs: Sequence[Sequence[Place]]


class Area(NamedTuple):
    """A filled shape."""

    kind: str
    outline: Sequence[Place]


class Dot(NamedTuple):
    """A disc."""

    kind: str
    x: float
    y: float
    radius: float


class Words(NamedTuple):
    """A text; ``x`` is where its ``anchor`` stands, ``y`` its line."""

    kind: str
    x: float
    y: float
    text: str
    anchor: Anchor = "start"


Part = Line | Area | Dot | Words


def between(kind: str, upper: Sequence[Place], lower: Sequence[Place]) -> Area:
    """Return the area between two lines."""
    return Area(kind, [*upper, *reversed(lower)])


def shade(plane: Plane, low: float, high: float) -> list[Part]:
    """Return a range of values as a tinted strip with its edges, as far as it is in the picture."""
    outline = plane.box(plane.from_ms, plane.until_ms, low, high)
    if not outline:
        return []
    edges = [plane.level(edge) for edge in (low, high) if plane.low < edge < plane.high]
    return [Area("band", outline), *([Line("edge", edges)] if edges else [])]
