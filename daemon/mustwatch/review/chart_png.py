"""The small chart that goes with a message: one curve, its band, and the moment it is about, as a PNG."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from mustwatch.cellar.instant import HOUR_MS, from_ms, to_ms
from mustwatch.review.chart_canvas import GLYPH_HEIGHT, Canvas, Colour, Spot, text_width
from mustwatch.review.series import Point, broken, hole_ms, m4

WIDTH, HEIGHT = 640, 300
LEFT, TOP, RIGHT, BOTTOM = 16, 18, 116, 34
COLUMNS_POINTS = 400

PAPER: Colour = (253, 250, 241)
INK: Colour = (30, 25, 19)
FAINT: Colour = (92, 82, 69)
HAIR: Colour = (226, 217, 196)
BAND: Colour = (221, 229, 207)
WINE: Colour = (123, 31, 62)
WATER: Colour = (23, 86, 106)

DAYS = ("Mo", "Tu", "We", "Th", "Fr", "Sa", "Su")
TICKED_BY_HOURS_MS = 30 * HOUR_MS
"""A picture up to this long is ticked by hours, each sixth of the clock; a longer one by days."""


@dataclass(frozen=True, slots=True)
class Chart:
    """What is drawn. Values are in the cellar's units; ``pattern`` writes them (``{:.3f}``, ``{:.1f}°C``).

    ``at_least`` is the least height of the values' axis; ``moments`` are marked by dashed lines.
    """

    points: Sequence[Point]
    from_ms: int
    until_ms: int
    pattern: str
    is_temperature: bool
    at_least: float
    zone: tzinfo
    band: tuple[float, float] | None = None
    moments: tuple[int, ...] = ()


def chart_png(chart: Chart) -> bytes | None:
    """Return the chart as a PNG of some kilobytes, or None if there is nothing to draw."""
    if not chart.points or chart.until_ms <= chart.from_ms:
        return None
    canvas = Canvas(WIDTH, HEIGHT, PAPER)
    values = [p.value for p in chart.points]
    middle, half = (min(values) + max(values)) / 2, max(max(values) - min(values), chart.at_least) * 0.58
    low, high = middle - half, middle + half

    def x(at_ms: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (at_ms - chart.from_ms) / (chart.until_ms - chart.from_ms)

    def y(value: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (high - value) / (high - low)

    if chart.band is not None:
        top, bottom = y(min(max(chart.band[1], low), high)), y(min(max(chart.band[0], low), high))
        canvas.tint(LEFT, top, WIDTH - RIGHT, bottom, BAND)
    for at_ms, name in _ticks(chart):
        canvas.tint(x(at_ms), TOP, x(at_ms) + 1, HEIGHT - BOTTOM, HAIR)
        if x(at_ms) + text_width(name) < WIDTH - RIGHT:
            canvas.write(name, x(at_ms) + 4, HEIGHT - BOTTOM + 10, FAINT)
    for at_ms in chart.moments:
        if chart.from_ms <= at_ms <= chart.until_ms:
            canvas.dashes(x(at_ms), TOP, HEIGHT - BOTTOM, INK)
    colour = WATER if chart.is_temperature else WINE
    kept = m4(chart.points, COLUMNS_POINTS)
    for run in broken(kept, hole_ms([p.at_ms for p in chart.points])):
        canvas.line([Spot(x(p.at_ms), y(p.value)) for p in run], colour, 3.0)
    last = chart.points[-1]
    canvas.dot(Spot(x(last.at_ms), y(last.value)), 5.0, colour)
    label_y = min(max(y(last.value) - GLYPH_HEIGHT, TOP), HEIGHT - BOTTOM - 2 * GLYPH_HEIGHT)
    canvas.write(chart.pattern.format(last.value), WIDTH - RIGHT + 12, label_y, colour)
    return canvas.png()


def _ticks(chart: Chart) -> Iterator[tuple[int, str]]:
    """Yield instants and their names: midnights by the day, or every sixth hour in a short picture."""
    if chart.until_ms - chart.from_ms <= TICKED_BY_HOURS_MS:
        at_ms = -(-chart.from_ms // HOUR_MS) * HOUR_MS
        while at_ms < chart.until_ms:
            local = from_ms(at_ms).astimezone(chart.zone)
            if local.hour % 6 == 0:
                yield at_ms, f"{local:%H:%M}"
            at_ms += HOUR_MS
        return
    day = from_ms(chart.from_ms).astimezone(chart.zone).date() + timedelta(days=1)
    days = (chart.until_ms - chart.from_ms) // (24 * HOUR_MS)
    every = max(1, -(-days // 10))
    count = 0
    while (at_ms := to_ms(datetime(day.year, day.month, day.day, tzinfo=chart.zone))) < chart.until_ms:
        if count % every == 0:
            yield at_ms, f"{DAYS[day.weekday()]} {day.day}" if days <= 10 else f"{day.day}"
        count += 1
        day += timedelta(days=1)
