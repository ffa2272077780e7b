"""Draws a message's chart as a small PNG: ink on paper like the pages, legible on a phone, and without any colour.

Everything that a colour says is also said by a shape: the curve is thick, limits are dashed, the finding's instant
is a dotted line under a wedge. The imaging library is imported when it is prepared or something is first drawn: it
belongs to the messenger, never to the daemon's own process.
"""

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from mustwatch.views.message_chart import Chart
from mustwatch.watch.finding import Curve

if TYPE_CHECKING:
    from PIL import Image, ImageFont

WIDTH, HEIGHT = 640, 360
FINE = 2
"""Lines are drawn so many times larger and then shrunk: that smooths them."""
LEFT, TOP, RIGHT, BOTTOM = 84, 78, 84, 40
TEXT_PX = 23
"""A phone shows the picture at about half its size: 12 points are left."""
HEADING_PX = 27
SMALL_PX = 20
MOST_LETTERS = 60
"""A name is never longer than this in a heading, however narrow its letters."""
COLOURS = 40
"""Shades kept in the file; smoothed lines need no more."""

# The pages' light scheme (web/static/sheet.css).
LEAF, INK, FAINT, RULE, HAIR = "#fdfaf1", "#1e1913", "#5c5245", "#cbbfa6", "#e2d9c4"
BAND, EDGE = "#dde5cf", "#6f8050"
LINE = {Curve.GRAVITY: "#7b1f3e", Curve.TEMPERATURE: "#17566a"}
SPREAD = "#e5cfd0"


class Plane(NamedTuple):
    """Where instants and values are, in pixels of the finished picture."""

    chart: Chart

    def x(self, at_ms: float) -> float:
        """Return where an instant is."""
        window = self.chart.window
        part = (at_ms - window.from_ms) / max(1, window.until_ms - window.from_ms)
        return LEFT + (WIDTH - LEFT - RIGHT) * part

    def y(self, value: float) -> float:
        """Return where a value is, kept inside the plane."""
        part = (self.chart.high - value) / max(1e-9, self.chart.high - self.chart.low)
        return TOP + (HEIGHT - TOP - BOTTOM) * min(max(part, 0.0), 1.0)


def prepare() -> None:
    """Import the imaging library and its font, beside the reading of what is to be drawn.

    Raises:
        ImportError: the imaging library is not installed.
    """
    from PIL import Image, ImageDraw, ImageFont

    Image.preinit()
    canvas = ImageDraw.Draw(Image.new("L", (8, 8)))
    canvas.text((0, 0), "a", 255, ImageFont.load_default(TEXT_PX))


def chart_png(chart: Chart) -> bytes:
    """Return a chart as a PNG of 640x360.

    Raises:
        ImportError: the imaging library is not installed.
    """
    from PIL import Image

    large = Image.new("RGB", (WIDTH * FINE, HEIGHT * FINE), LEAF)
    _draw_lines(_Pen(large), chart, Plane(chart))
    picture = large.resize((WIDTH, HEIGHT), Image.Resampling.BOX)
    _write_words(picture, chart, Plane(chart))
    file = io.BytesIO()
    reduced = picture.quantize(COLOURS, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    reduced.save(file, "PNG", compress_level=6)
    return file.getvalue()


class _Pen:
    """Draws on the large picture in coordinates of the finished one."""

    def __init__(self, picture: "Image.Image") -> None:
        from PIL import ImageDraw

        self._draw = ImageDraw.Draw(picture)

    def line(self, points: Sequence[tuple[float, float]], colour: str, width: float) -> None:
        """Draw a line with round joints; a single point becomes a dot."""
        scaled = [(x * FINE, y * FINE) for x, y in points]
        if len(scaled) > 1:
            self._draw.line(scaled, colour, round(width * FINE), joint="curve")
        for x, y in (scaled[0], scaled[-1]):
            self._dot(x, y, width * FINE / 2, colour)

    def dashes(
        self, begin: tuple[float, float], end: tuple[float, float], colour: str, width: float, dash: float
    ) -> None:
        """Draw a straight line in dashes, with gaps a little shorter than they."""
        length = max(abs(end[0] - begin[0]), abs(end[1] - begin[1]))
        at = 0.0
        while at < length:
            ends = min(at + dash, length)
            pair = [
                tuple(FINE * (b + (e - b) * part / length) for b, e in zip(begin, end, strict=True))
                for part in (at, ends)
            ]
            self._draw.line([pair[0], pair[1]], colour, round(width * FINE))
            at += 1.8 * dash

    def shape(self, points: Sequence[tuple[float, float]], colour: str, outline: str | None = None) -> None:
        """Fill a shape."""
        self._draw.polygon([(x * FINE, y * FINE) for x, y in points], colour, outline, round(2.5 * FINE))

    def box(self, left: float, top: float, right: float, bottom: float, colour: str) -> None:
        """Fill an upright rectangle."""
        self._draw.rectangle((left * FINE, top * FINE, right * FINE, bottom * FINE), colour)

    def dot(self, x: float, y: float, radius: float, colour: str) -> None:
        """Draw a dot."""
        self._dot(x * FINE, y * FINE, radius * FINE, colour)

    def _dot(self, x: float, y: float, radius: float, colour: str) -> None:
        self._draw.ellipse((x - radius, y - radius, x + radius, y + radius), colour)


def _draw_lines(pen: _Pen, chart: Chart, plane: Plane) -> None:
    foot, right = HEIGHT - BOTTOM, WIDTH - RIGHT
    for strip in chart.strips:
        left, end = (min(max(plane.x(at), LEFT), right) for at in (strip.from_ms, strip.until_ms))
        if end > left and plane.y(strip.low) > plane.y(strip.high):
            pen.box(left, plane.y(strip.high), end, plane.y(strip.low), BAND)
    for value in chart.values:
        pen.line([(LEFT, plane.y(value.at)), (right, plane.y(value.at))], HAIR, 1)
    for time in chart.times:
        pen.line([(plane.x(time.at), TOP), (plane.x(time.at), foot + (6 if time.label else 0))], RULE, 1)
    pen.line([(LEFT, foot), (right, foot)], FAINT, 1.5)
    for run in chart.spread:
        above = [(plane.x(s.at_ms), plane.y(s.high)) for s in run]
        below = [(plane.x(s.at_ms), plane.y(s.low)) for s in reversed(run)]
        pen.shape([*above, *below], SPREAD)
    for level in chart.levels:
        pen.dashes((LEFT, plane.y(level.at)), (right, plane.y(level.at)), EDGE, 2, 9)
    for mark in chart.marks:
        x = plane.x(mark)
        pen.dashes((x, TOP), (x, foot), INK, 2, 4)
        pen.shape([(x - 8, TOP - 9), (x + 8, TOP - 9), (x, TOP + 4)], INK)
    for points in chart.curve:
        pen.line([(plane.x(p.at_ms), plane.y(p.value)) for p in points], LINE[chart.quantity], 3.5)
    last = chart.curve[-1][-1]
    pen.dot(plane.x(last.at_ms), plane.y(last.value), 6, LINE[chart.quantity])
    for check in chart.checks:
        x, y = plane.x(check.at_ms), plane.y(check.value)
        pen.shape([(x - 8, y), (x, y - 8), (x + 8, y), (x, y + 8)], LEAF, INK)


class _Writer:
    """Writes on the finished picture, in the imaging library's own font."""

    def __init__(self, picture: "Image.Image") -> None:
        from PIL import ImageDraw

        self._draw: ImageDraw.ImageDraw = ImageDraw.Draw(picture)
        self._fonts: dict[int, ImageFont.FreeTypeFont | ImageFont.ImageFont] = {}

    def _font(self, px: int) -> "ImageFont.FreeTypeFont | ImageFont.ImageFont":
        from PIL import ImageFont

        if px not in self._fonts:
            self._fonts[px] = ImageFont.load_default(px)
        return self._fonts[px]

    def width(self, text: str, px: int) -> float:
        """Return how wide a text will be."""
        return self._draw.textlength(text, self._font(px))

    def can_write(self, text: str) -> bool:
        """Say whether the font has every letter of a text; what it lacks it draws as an empty box."""
        font = self._font(TEXT_PX)
        missing = bytes(font.getmask("\uffff"))
        has_all = all(letter == " " or bytes(font.getmask(letter)) != missing for letter in text)
        return has_all and text.isprintable()

    def write(self, at: tuple[float, float], text: str, colour: str, px: int, anchor: str) -> None:
        """Write a text with a halo of paper, so that no line runs through it."""
        font = self._font(px)
        self._draw.text(at, text, colour, font, anchor, stroke_width=3, stroke_fill=LEAF)
        self._draw.text(at, text, colour, font, anchor)


def _write_words(picture: "Image.Image", chart: Chart, plane: Plane) -> None:
    writer = _Writer(picture)
    right = WIDTH - RIGHT
    writer.write((14, 26), chart.heading, LINE[chart.quantity], HEADING_PX, "lm")
    room = WIDTH - 28 - writer.width(chart.heading, HEADING_PX) - 24
    if writer.can_write(chart.lot):
        writer.write((WIDTH - 14, 26), _fitted(writer, chart.lot, room), INK, HEADING_PX, "rm")
    half = writer.width(chart.caption, SMALL_PX) / 2
    middle = sum(plane.x(at) for at in chart.marks) / len(chart.marks) if chart.marks else LEFT
    middle = min(max(middle, LEFT + half), WIDTH - 14 - half)
    writer.write((middle, TOP - 23), chart.caption, INK, SMALL_PX, "mm")
    for value in chart.values:
        writer.write((LEFT - 8, plane.y(value.at)), value.label, FAINT, TEXT_PX, "rm")
    free_from = 0.0
    for time in chart.times:
        x, width = plane.x(time.at) + 4, writer.width(time.label, SMALL_PX)
        if time.label and free_from <= x < WIDTH - 6 - width:
            writer.write((x, HEIGHT - BOTTOM + 20), time.label, FAINT, SMALL_PX, "lm")
            free_from = x + width + 8
    for level in chart.levels:
        width = writer.width(level.label, SMALL_PX)
        writer.write(_clear_of_curve(chart, plane, level.at, width), level.label, INK, SMALL_PX, "lm")
    last = chart.curve[-1][-1]
    x = min(plane.x(last.at_ms) + 12, right + 12)
    writer.write((x, plane.y(last.value)), chart.last, LINE[chart.quantity], TEXT_PX, "lm")


def _clear_of_curve(chart: Chart, plane: Plane, value: float, width: float) -> tuple[float, float]:
    """Return where the name of a level begins: beside its line, if possible where neither curve nor mark passes."""
    y = plane.y(value)
    points = [(plane.x(p.at_ms), plane.y(p.value)) for run in chart.curve for p in run]
    points += [(plane.x(mark), y) for mark in chart.marks]
    places = [
        (x, y + side)
        for side in (-13, 13)
        for x in (LEFT + 6, WIDTH - RIGHT - width - 12)
        if TOP < y + side < HEIGHT - BOTTOM - 10
    ]
    for x, middle in places:
        if not any(x - 6 < px < x + width + 6 and abs(py - middle) < 16 for px, py in points):
            return x, middle
    return places[0] if places else (LEFT + 6, y - 13)


def _fitted(writer: _Writer, text: str, room: float) -> str:
    """Return a text, or as much of it as there is room for."""
    text = text if len(text) <= MOST_LETTERS else f"{text[:MOST_LETTERS]}..."
    if writer.width(text, HEADING_PX) <= room:
        return text
    while text and writer.width(f"{text}...", HEADING_PX) > room:
        text = text[:-1]
    return f"{text.rstrip()}..." if text else ""
