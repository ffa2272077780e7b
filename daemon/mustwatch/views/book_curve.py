"""The curve of a lot as a static drawing (SVG) for the printed page: told apart by lines and marks, not by colour."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from html import escape
from itertools import pairwise
from math import ceil, floor

from mustwatch.cellar.book import Addition, Bottling, Racking
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, to_ms
from mustwatch.cellar.measures import Measures, signed
from mustwatch.cellar.profile import Band
from mustwatch.views.book_record import BookRecord
from mustwatch.views.series import Point, broken, hole_ms, m4

WIDTH, LEFT, RIGHT, TOP = 720.0, 46.0, 12.0, 34.0
GRAVITY_HEIGHT, TEMPERATURE_HEIGHT, GAP, FOOT = 205.0, 80.0, 16.0, 18.0
MOST_POINTS = 800
"""Points per curve: more than the paper can show at 190 mm."""
HOLE_MS = 6.0 * HOUR_MS
"""A full line is not broken for less than this."""
DAY_STEPS = (1, 2, 7, 14, 30, 61, 122, 365)
MOST_DATES = 9
NARROW = 44.0
"""A stage narrower than this (in drawing units) is not named: the name would run into the next."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A plot area: from instants and values to places."""

    from_ms: int
    until_ms: int
    low: float
    high: float
    top: float
    height: float

    def x(self, at_ms: float) -> float:
        """Return the place of an instant."""
        return LEFT + (WIDTH - LEFT - RIGHT) * (at_ms - self.from_ms) / (self.until_ms - self.from_ms)

    def y(self, value: float) -> float:
        """Return the place of a value."""
        return self.top + self.height * (self.high - value) / (self.high - self.low)


def curve_svg(
    record: BookRecord, until_ms: int, units: Measures, bands: Sequence[tuple[int, Band]] = ()
) -> str:
    """Return the drawing: gravity above, temperature below, on one time axis, with what people did.

    Args:
        record: the lot's record.
        until_ms: the right edge, if nothing in the record is later.
        units: of both axes, and the clock of the dates.
        bands: temperature band from an instant on, in time order.
    """
    curves = record.curves
    from_ms = record.lot.started_ms
    last = [p[-1][0] for p in (curves.gravity, curves.celsius, curves.checks) if p]
    end_ms = max([until_ms, from_ms + DAY_MS, *last])
    parts: list[str] = []
    said, checked = _shown(curves.gravity, units.gravity_number), _shown(curves.checks, units.gravity_number)
    step, fallback = (0.01, (1.0, 1.1)) if units.gravity_unit == "SG" else (2.0, (0.0, 24.0))
    gravity = _frame(
        from_ms, end_ms, [v for _, v in (*said, *checked)] or fallback, step, TOP, GRAVITY_HEIGHT
    )
    below = TOP + GRAVITY_HEIGHT + GAP
    warmth = _shown(curves.celsius, units.temperature_number)
    limits = [units.temperature_number(c) for _, b in bands for c in (b.low_c, b.high_c) if warmth]
    degrees = [v for _, v in warmth] + limits
    coarse = 10.0 if units.temperature_unit == "F" else 5.0
    temperature = _frame(from_ms, end_ms, degrees, coarse, below, TEMPERATURE_HEIGHT) if degrees else None
    bottom = below + TEMPERATURE_HEIGHT if temperature is not None else TOP + GRAVITY_HEIGHT
    parts += _dates(gravity, bottom, units)
    parts += _stages(record, gravity, end_ms)
    name, digits = ("gravity", 3) if units.gravity_unit == "SG" else ("gravity, °Bx", 0)
    parts += _axis(gravity, _gravity_ticks(gravity, step), name, lambda v: signed(v, digits))
    parts += _line(said, gravity, "line")
    parts += _joined(said, checked, gravity)
    parts += [
        f'<circle class="check" cx="{gravity.x(t):.1f}" cy="{gravity.y(v):.1f}" r="3.4"/>' for t, v in checked
    ]
    if temperature is not None:
        parts += _axis(temperature, _ticks(temperature, coarse), units.degree, lambda v: signed(v, 0))
        parts += _bands(bands, temperature, units)
        parts += _line(warmth, temperature, "line thin")
    parts += _deeds(record, gravity, bottom)
    height = bottom + FOOT
    title = escape(f"Gravity and temperature of {record.lot.lot}")
    return (
        f'<svg viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-label="{title}" '
        f'xmlns="http://www.w3.org/2000/svg"><title>{title}</title>{"".join(parts)}</svg>'
    )


def _frame(
    from_ms: int, until_ms: int, values: Sequence[float], step: float, top: float, height: float
) -> Frame:
    low, high = floor(min(values) / step) * step, ceil(max(values) / step) * step
    return Frame(from_ms, until_ms, low, high if high > low else low + step, top, height)


def _ticks(frame: Frame, step: float) -> list[float]:
    while (frame.high - frame.low) / step > 5.01:
        step *= 2
    first = ceil(frame.low / step - 1e-9)
    return [n * step for n in range(first, floor(frame.high / step + 1e-9) + 1)]


def _gravity_ticks(frame: Frame, step: float) -> list[float]:
    return _ticks(frame, step if frame.high - frame.low <= 5.1 * step else 2 * step)


Points = Sequence[tuple[int, float]]


def _shown(points: Points, convert: Callable[[float], float]) -> Points:
    """Return points in the cellar's unit."""
    return [(at_ms, convert(value)) for at_ms, value in points]


def _axis(frame: Frame, ticks: list[float], name: str, words: Callable[[float], str]) -> Iterator[str]:
    right = WIDTH - RIGHT
    yield f'<rect class="frame" x="{LEFT}" y="{frame.top}" width="{right - LEFT}" height="{frame.height}"/>'
    for tick in ticks:
        y = frame.y(tick)
        if frame.low < tick < frame.high:
            yield f'<path class="grid" d="M{LEFT} {y:.1f}H{right}"/>'
        yield f'<text class="tick" x="{LEFT - 5}" y="{y + 3:.1f}" text-anchor="end">{words(tick)}</text>'
    yield f'<text class="name" x="{LEFT + 5}" y="{frame.top + frame.height - 6:.1f}">{name}</text>'


def _dates(frame: Frame, bottom: float, units: Measures) -> Iterator[str]:
    days = (frame.until_ms - frame.from_ms) / DAY_MS
    step = next((s for s in DAY_STEPS if days / s <= MOST_DATES), DAY_STEPS[-1])
    at = units.local(frame.from_ms).replace(hour=0, minute=0, second=0, microsecond=0)
    while True:
        at += timedelta(days=step)
        x = frame.x(to_ms(at))
        if to_ms(at) > frame.until_ms:
            return
        yield f'<path class="grid" d="M{x:.1f} {TOP}V{bottom:.1f}"/>'
        if x < WIDTH - RIGHT - 14:
            day = units.date(to_ms(at))
            yield f'<text class="tick" x="{x:.1f}" y="{bottom + 13:.1f}" text-anchor="middle">{day}</text>'


def _stages(record: BookRecord, frame: Frame, end_ms: int) -> Iterator[str]:
    y = TOP - 20
    for span in record.stages:
        left, right = frame.x(span.from_ms), frame.x(span.until_ms if span.until_ms is not None else end_ms)
        yield f'<path class="stage" d="M{left:.1f} {y + 4}V{y - 3}H{max(left, right - 1):.1f}"/>'
        if right - left >= NARROW:
            yield f'<text class="tick" x="{left + 4:.1f}" y="{y + 7}">{span.stage}</text>'


def _runs(points: Sequence[tuple[int, float]]) -> list[list[Point]]:
    """Return the stretches in which the sensors spoke. A lone estimate, made when an entry was, is none."""
    shown = m4([Point(*p) for p in points], MOST_POINTS)
    longest = max(hole_ms([p.at_ms for p in shown]), HOLE_MS)
    return [run for run in broken(shown, longest) if len(run) > 2]


def _line(points: Sequence[tuple[int, float]], frame: Frame, style: str) -> Iterator[str]:
    for run in _runs(points):
        yield from _polyline(run, frame, style)


def _joined(said: Points, checked: Points, frame: Frame) -> Iterator[str]:
    """Yield dotted lines through the checks where no sensor spoke: before, between and after its stretches."""
    runs = _runs(said)
    checks = [Point(*p) for p in checked]
    edges = [None, *runs, None]
    for before, after in pairwise(edges):
        from_ms = before[-1].at_ms if before else frame.from_ms - 1
        until_ms = after[0].at_ms if after else frame.until_ms + 1
        between = [p for p in checks if from_ms < p.at_ms < until_ms]
        first, last = ([before[-1]] if before else []), ([after[0]] if after else [])
        yield from _polyline([*first, *between, *last], frame, "joined")


def _polyline(run: Sequence[Point], frame: Frame, style: str) -> Iterator[str]:
    if len(run) < 2:
        return
    places = " ".join(f"{frame.x(p.at_ms):.1f},{frame.y(p.value):.1f}" for p in run)
    yield f'<polyline class="{style}" points="{places}"/>'


def _bands(bands: Sequence[tuple[int, Band]], frame: Frame, units: Measures) -> Iterator[str]:
    ends = [at_ms for at_ms, _ in bands[1:]]
    for (at_ms, band), until_ms in zip(bands, [*ends, frame.until_ms], strict=True):
        left, right = frame.x(at_ms), frame.x(until_ms)
        for celsius in (band.low_c, band.high_c):
            yield f'<path class="band" d="M{left:.1f} {frame.y(units.temperature_number(celsius)):.1f}H{right:.1f}"/>'


def _deeds(record: BookRecord, frame: Frame, bottom: float) -> Iterator[str]:
    """Yield rackings as numbered dashed lines, additions as triangles on the axis, bottling as a full line."""
    number = 0
    for entry in record.lot.entries:
        x = frame.x(entry.at_ms)
        if isinstance(entry.what, Racking):
            number += 1
            yield f'<path class="racking" d="M{x:.1f} {TOP}V{bottom:.1f}"/>'
            yield f'<text class="deed" x="{x:.1f}" y="{TOP - 3}" text-anchor="middle">R{number}</text>'
        elif isinstance(entry.what, Bottling):
            yield f'<path class="bottling" d="M{x:.1f} {TOP}V{bottom:.1f}"/>'
            yield f'<text class="deed" x="{min(x, WIDTH - 6):.1f}" y="{TOP - 3}" text-anchor="middle">B</text>'
        elif isinstance(entry.what, Addition):
            y = frame.top + frame.height
            yield f'<path class="addition" d="M{x:.1f} {y - 7:.1f}l4 7h-8z"/>'
