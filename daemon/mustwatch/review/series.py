"""Curves with fewer points that look the same: first, last, lowest and highest of every column of the picture.

Source: Jugel, Jerzak, Hackenbroich, Markl 2014, "M4: A Visualization-Oriented Time Series Data Aggregation", PVLDB
7(10):797-808: of each column the first, last, minimum and maximum suffice to draw a line without an error.
"""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from mustwatch.cellar.instant import HOUR_MS

KEPT_PER_COLUMN = 4
HOLE_AT_LEAST_MS = HOUR_MS
"""A line is not broken for less than this…"""
HOLE_SPACINGS = 5
"""…nor for less than so many times the usual spacing of its points: what reports twice a day is not all holes."""


class Point(NamedTuple):
    """A value at an instant, milliseconds since the epoch."""

    at_ms: int
    value: float


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
    start = 0
    while start < len(points):
        column = (points[start].at_ms - begin_ms) * columns // width_ms
        end = start + 1
        while end < len(points) and (points[end].at_ms - begin_ms) * columns // width_ms == column:
            end += 1
        kept += _of_column(points[start:end])
        start = end
    return kept


def _of_column(points: Sequence[Point]) -> list[Point]:
    """Return the first, lowest, highest and last points of a column, each once, in time order."""
    indices = range(len(points))
    lowest = min(indices, key=lambda i: points[i].value)
    highest = max(indices, key=lambda i: points[i].value)
    return [points[i] for i in sorted({0, lowest, highest, len(points) - 1})]


def hole_ms(instants: Sequence[int]) -> float:
    """Return from which spacing on two neighbouring points are not joined by a line."""
    spacings = [later - earlier for earlier, later in pairwise(instants)]
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
    longer_than_ms = max(hole_ms([p.at_ms for p in points]), 1.5 * column_ms)
    for target in (most, most // 2):  # there are fewer holes than points: half as many points always fit
        joined: list[Point | None] = []
        for run in broken(m4(points, max(target, KEPT_PER_COLUMN)), longer_than_ms):
            joined += [None, *run] if joined else run
        if len(joined) <= most:
            break
    return joined
