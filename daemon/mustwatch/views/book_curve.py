"""The curve of a lot as a static drawing (SVG) for the printed page: told apart by lines and marks, not by colour."""

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from math import ceil, floor

from mustwatch.cellar.book import Addition, Bottling, Racking
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.measures import Measures, signed
from mustwatch.cellar.profile import Band
from mustwatch.drawing.picture import Area, Dot, Line, Part, Words
from mustwatch.drawing.plane import Plane
from mustwatch.drawing.svg import svg
from mustwatch.drawing.ticks import round_values, time_ticks
from mustwatch.views.book_record import BookRecord
from mustwatch.views.series import Point, broken, hole_ms, m4

WIDTH, LEFT, RIGHT, TOP = 720.0, 46.0, 12.0, 34.0
GRAVITY_HEIGHT, TEMPERATURE_HEIGHT, GAP, FOOT = 205.0, 80.0, 16.0, 18.0
MOST_POINTS = 800
"""Points per curve: more than the paper can show at 190 mm."""
MOST_VALUES = 6
HOLE_MS = 6.0 * HOUR_MS
"""A full line is not broken for less than this."""
NARROW = 44.0
"""A stage narrower than this (in drawing units) is not named: the name would run into the next."""

Bands = Sequence[tuple[int, Band]]


def curve_svg(record: BookRecord, until_ms: int, units: Measures, bands: Bands = ()) -> str:
    """Return the drawing: gravity above, temperature below, on one time axis, with what people did.

    Args:
        record: the lot's record.
        until_ms: the right edge, if nothing in the record is later.
        units: of both axes, and the clock of the dates.
        bands: temperature band from an instant on, in time order.
    """
    curves = record.curves
    last = [p[-1][0] for p in (curves.gravity, curves.celsius, curves.checks) if p]
    window = (record.lot.started_ms, max([until_ms, record.lot.started_ms + DAY_MS, *last]))
    said, checked = _shown(curves.gravity, units.gravity_number), _shown(curves.checks, units.gravity_number)
    step, fallback = (0.01, (1.0, 1.1)) if units.gravity_unit == "SG" else (2.0, (0.0, 24.0))
    gravity = _plane(window, [p.value for p in (*said, *checked)] or fallback, step, TOP, GRAVITY_HEIGHT)
    below = gravity.foot + GAP
    warmth = _shown(curves.celsius, units.temperature_number)
    limits = [units.temperature_number(c) for _, b in bands for c in (b.low_c, b.high_c) if warmth]
    degrees = [*(p.value for p in warmth), *limits]
    lower = (
        _plane(window, degrees, units.warmth_number(5.0), below, TEMPERATURE_HEIGHT) if degrees else gravity
    )
    parts = [*_dates(gravity, lower.foot, units), *_stages(record, gravity)]
    name, digits = ("gravity", 3) if units.gravity_unit == "SG" else ("gravity, °Bx", 0)
    parts += [*_axis(gravity, name, digits), Line("line", [gravity.run(run) for run in _runs(said)])]
    parts += [Line("joined", _joined(said, checked, gravity))]
    parts += [Dot("check", *gravity.place(*check), 3.4) for check in checked]
    if degrees:
        parts += [*_axis(lower, units.degree, 0), *_bands(bands, lower, units)]
        parts += [Line("line thin", [lower.run(run) for run in _runs(warmth)])]
    parts += _deeds(record, gravity, lower.foot)
    return svg("ink", WIDTH, lower.foot + FOOT, f"Gravity and temperature of {record.lot.lot}", parts)


def _plane(window: tuple[int, int], values: Sequence[float], step: float, top: float, height: float) -> Plane:
    low, high = floor(min(values) / step) * step, ceil(max(values) / step) * step
    return Plane(*window, low, high if high > low else low + step, LEFT, top, WIDTH - LEFT - RIGHT, height)


def _shown(points: Sequence[tuple[int, float]], convert: Callable[[float], float]) -> list[Point]:
    """Return points in the cellar's unit."""
    return [Point(at_ms, convert(value)) for at_ms, value in points]


def _axis(plane: Plane, name: str, digits: int) -> Iterator[Part]:
    yield Area("frame", plane.box(plane.from_ms, plane.until_ms, plane.low, plane.high))
    for value in round_values(plane.low, plane.high, MOST_VALUES)[0]:
        yield Line("grid", [plane.level(value)])
        yield Words("tick", LEFT - 5, plane.y(value) + 3, signed(value, digits), "end")
    yield Words("name", LEFT + 5, plane.foot - 6, name)


def _dates(plane: Plane, bottom: float, units: Measures) -> Iterator[Part]:
    for tick in time_ticks(int(plane.from_ms), int(plane.until_ms), units):
        x = plane.x(tick.at_ms)
        yield Line("grid", [[(x, TOP), (x, bottom)]])
        if plane.left + 14 < x < plane.right - 14:
            yield Words("tick", x, bottom + 13, tick.text, "middle")


def _stages(record: BookRecord, plane: Plane) -> Iterator[Part]:
    y = TOP - 20
    for span in record.stages:
        left = plane.x(span.from_ms)
        right = plane.x(plane.until_ms if span.until_ms is None else span.until_ms)
        yield Line("stage", [[(left, y + 4), (left, y - 3), (max(left, right - 1), y - 3)]])
        if right - left >= NARROW:
            yield Words("tick", left + 4, y + 7, str(span.stage))


def _runs(points: Sequence[Point]) -> list[list[Point]]:
    """Return the stretches in which the sensors spoke. A lone estimate, made when an entry was, is none."""
    shown = m4(points, MOST_POINTS)
    longest = max(hole_ms([p.at_ms for p in shown]), HOLE_MS)
    return [run for run in broken(shown, longest) if len(run) > 2]


def _joined(said: Sequence[Point], checks: Sequence[Point], plane: Plane) -> list[list[tuple[float, float]]]:
    """Return the lines through the checks where no sensor spoke: before, between and after its stretches."""
    found = []
    for before, after in pairwise([None, *_runs(said), None]):
        from_ms = before[-1].at_ms if before else plane.from_ms - 1
        until_ms = after[0].at_ms if after else plane.until_ms + 1
        between = [p for p in checks if from_ms < p.at_ms < until_ms]
        found.append([*(before or [])[-1:], *between, *(after or [])[:1]])
    return [plane.run(run) for run in found if len(run) > 1]


def _bands(bands: Bands, plane: Plane, units: Measures) -> Iterator[Part]:
    ends = [*(at_ms for at_ms, _ in bands[1:]), plane.until_ms]
    for (at_ms, band), until_ms in zip(bands, ends, strict=True):
        for celsius in (band.low_c, band.high_c):
            value = units.temperature_number(celsius)
            yield Line("band", [plane.run([(at_ms, value), (until_ms, value)])])


def _deeds(record: BookRecord, plane: Plane, bottom: float) -> Iterator[Part]:
    """Yield rackings as numbered dashed lines, additions as triangles on the axis, bottling as a full line."""
    number = 0
    for entry in record.lot.entries:
        x = plane.x(entry.at_ms)
        if isinstance(entry.what, Racking):
            number += 1
            yield Line("racking", [[(x, TOP), (x, bottom)]])
            yield Words("deed", x, TOP - 3, f"R{number}", "middle")
        elif isinstance(entry.what, Bottling):
            yield Line("bottling", [[(x, TOP), (x, bottom)]])
            yield Words("deed", min(x, WIDTH - 6), TOP - 3, "B", "middle")
        elif isinstance(entry.what, Addition):
            foot = plane.foot
            yield Area("addition", [(x, foot - 7), (x + 4, foot), (x - 4, foot)])
