"""Where things stand in a picture: instants from left to right, values from bottom to top."""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

Place = tuple[float, float]
"""A point of the picture, to the right and downwards."""


class Plane(NamedTuple):
    """A part of a picture: the instants and values that its edges stand for, and where they are."""

    from_ms: float
    until_ms: float
    low: float
    high: float
    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Return where it ends at the right."""
        return self.left + self.width

    @property
    def foot(self) -> float:
        """Return where it ends below."""
        return self.top + self.height

    def x(self, at_ms: float) -> float:
        """Return where an instant is."""
        return self.left + self.width * (at_ms - self.from_ms) / max(1, self.until_ms - self.from_ms)

    def y(self, value: float) -> float:
        """Return where a value is."""
        return self.top + self.height * (self.high - value) / max(1e-9, self.high - self.low)

    def shows(self, at_ms: float) -> bool:
        """Say whether an instant is in the picture."""
        return self.from_ms <= at_ms <= self.until_ms

    def place(self, at_ms: float, value: float) -> Place:
        """Return where a value is at an instant."""
        return self.x(at_ms), self.y(value)

    def run(self, points: Iterable[tuple[float, float]]) -> list[Place]:
        """Return where points are that a line joins."""
        return [self.place(at_ms, value) for at_ms, value in points]

    def runs(self, at: Sequence[float | None], values: Sequence[float | None]) -> list[list[Place]]:
        """Return where the columns of a curve are, as the runs that a line joins; None breaks it."""
        runs: list[list[Place]] = [[]]
        for at_ms, value in zip(at, values, strict=True):
            if at_ms is not None and value is not None:
                runs[-1].append(self.place(at_ms, value))
            elif runs[-1]:
                runs.append([])
        return [run for run in runs if run]

    def level(self, value: float) -> list[Place]:
        """Return the line across at a value."""
        return [(self.left, self.y(value)), (self.right, self.y(value))]

    def upright(self, at_ms: float) -> list[Place]:
        """Return the line from top to foot at an instant."""
        return [(self.x(at_ms), self.top), (self.x(at_ms), self.foot)]

    def box(self, from_ms: float, until_ms: float, low: float, high: float) -> list[Place]:
        """Return the corners of a span of time and values, as far as it is in the picture: none where it is not."""
        left, right = max(self.left, self.x(from_ms)), min(self.right, self.x(until_ms))
        top, foot = max(self.top, self.y(high)), min(self.foot, self.y(low))
        return [(left, top), (right, top), (right, foot), (left, foot)] if right > left and foot > top else []


def around(values: Sequence[float], at_least: float, margin: float = 0.08) -> tuple[float, float]:
    """Return bounds around values: never closer than ``at_least``, so that noise does not look like a storm."""
    low, high = min(values), max(values)
    middle, half = (low + high) / 2, max(high - low, at_least) / 2
    return middle - half * (1 + margin), middle + half * (1 + margin)
