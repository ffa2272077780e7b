"""Curves with fewer points that look the same: first, last, lowest and highest of every column of the picture.

Source: Jugel, Jerzak, Hackenbroich, Markl 2014, "M4: A Visualization-Oriented Time Series Data Aggregation", PVLDB
7(10):797-808: of each column the first, last, minimum and maximum suffice to draw a line without an error.
"""

from array import array
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple, overload

from mustwatch.cellar.instant import HOUR_MS

KEPT_PER_COLUMN = 4
HOLE_AT_LEAST_MS = HOUR_MS
"""A line is not broken for less than this…"""
SPACINGS_LOOKED_AT = 2_000
"""The usual spacing is looked for in this many of them, evenly taken: to sort a year's takes megabytes."""
HOLE_SPACINGS = 5
"""…nor for less than this multiple of the usual spacing: what reports twice a day is not all holes."""


class Point(NamedTuple):
    """A value at an instant, milliseconds since the epoch."""

    at_ms: int
    value: float


class Track(Sequence[Point]):
    """Points in time order, sixteen bytes each: as objects of its own a year of quarters of an hour fills megabytes."""

    __slots__ = ("_at_ms", "_values")

    def __init__(self, points: Iterable[tuple[int, float]] = ()) -> None:
        """Begin with some points, or none."""
        self._at_ms = array("q")
        self._values = array("d")
        for at_ms, value in points:
            self.note(at_ms, value)

    def note(self, at_ms: int, value: float | None) -> None:
        """Put a point at the end; what has no value is none."""
        if value is not None:
            self._at_ms.append(at_ms)
            self._values.append(value)

    def __len__(self) -> int:
        """Return how many points there are."""
        return len(self._at_ms)

    @overload
    def __getitem__(self, position: int) -> Point: ...

    @overload
    def __getitem__(self, position: slice) -> list[Point]: ...

    def __getitem__(self, position: int | slice) -> Point | list[Point]:
        """Return a point, or the points of a slice."""
        if isinstance(position, slice):
            return list(map(Point, self._at_ms[position], self._values[position]))
        return Point(self._at_ms[position], self._values[position])

    def __iter__(self) -> Iterator[Point]:
        """Return the points one after the other."""
        return map(Point, self._at_ms, self._values)


def m4(points: Sequence[Point], most: int) -> list[Point]:
    """Return at most ``most`` of the points, in their order, among them every column's extremes and ends.

    Args:
        points: in time order.
        most: at least 4.

    Raises:
        ValueError: ``most`` is less than 4.
    """
    if most < KEPT_PER_COLUMN:
        raise ValueError(f"at most {most} points; expected 4 or more, one column's worth")
    if len(points) <= most:
        return list(points)
    columns = most // KEPT_PER_COLUMN
    begin_ms = points[0].at_ms
    width_ms = max(1, points[-1].at_ms - begin_ms + 1)
    kept: list[Point] = []
    column: list[Point] = []
    number = 0
    for point in points:
        of = (point.at_ms - begin_ms) * columns // width_ms
        if of != number:
            kept += _of_column(column)
            column, number = [], of
        column.append(point)
    return kept + _of_column(column)


def _of_column(points: Sequence[Point]) -> list[Point]:
    """Return the first, lowest, highest and last points of a column, each once, in time order."""
    indices = range(len(points))
    lowest = min(indices, key=lambda i: points[i].value)
    highest = max(indices, key=lambda i: points[i].value)
    return [points[i] for i in sorted({0, lowest, highest, len(points) - 1})]


def hole_ms(instants: Sequence[int]) -> float:
    """Return from which spacing on two neighbouring points are not joined by a line."""
    return _hole_ms([later - earlier for earlier, later in pairwise(instants)])


def _hole_ms(spacings: Sequence[int]) -> float:
    return max(HOLE_AT_LEAST_MS, HOLE_SPACINGS * median(spacings)) if spacings else HOLE_AT_LEAST_MS


def broken(points: Iterable[Point], longer_than_ms: float) -> list[list[Point]]:
    """Return the points as the runs that a line joins: a new one begins after every hole longer than given."""
    runs: list[list[Point]] = []
    for point in points:
        if runs and point.at_ms - runs[-1][-1].at_ms <= longer_than_ms:
            runs[-1].append(point)
        else:
            runs.append([point])
    return runs


def thinned(points: Sequence[Point], most: int) -> list[Point | None]:
    """Return at most ``most`` points and holes that draw the same line; None where it is broken.

    A hole is judged by the spacing of all points, and never narrower than a column and a half: nobody could see it.
    """
    if not points:
        return []
    columns = max(1, most // KEPT_PER_COLUMN)
    column_ms = (points[-1].at_ms - points[0].at_ms) / columns
    every = -(-len(points) // SPACINGS_LOOKED_AT)
    spacings = [points[i].at_ms - points[i - 1].at_ms for i in range(1, len(points), every)]
    longer_than_ms = max(_hole_ms(spacings), 1.5 * column_ms)
    for target in (most, most // 2):  # there are fewer holes than points: half as many points always fit
        joined: list[Point | None] = []
        for run in broken(m4(points, max(target, KEPT_PER_COLUMN)), longer_than_ms):
            joined += [None, *run] if joined else run
        if len(joined) <= most:
            break
    return joined
