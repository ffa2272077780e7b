"""A message's chart as a small picture: ink on paper like the pages, legible on a phone, and without any colour.

Everything that a colour says is also said by a shape: the curve is thick, limits are dashed, the finding's instant
is a dotted line under a wedge.
"""

from collections.abc import Iterator

from mustwatch.drawing.picture import Area, Dot, Line, Part, Words, between
from mustwatch.drawing.plane import Place, Plane
from mustwatch.drawing.png import Letters, Pen, png
from mustwatch.views.message_chart import Chart
from mustwatch.watch.finding import Curve

WIDTH, HEIGHT = 640, 360
LEFT, TOP, RIGHT, BOTTOM = 84, 78, 84, 40
TEXT_PX = 23
"""A phone shows the picture at about half its size: 12 points are left."""
HEADING_PX = 27
SMALL_PX = 20
MOST_LETTERS = 60
"""A name is never longer than this in a heading, however narrow its letters."""

# The pages' light scheme (web/static/sheet.css).
LEAF, INK, FAINT, RULE, HAIR = "#fdfaf1", "#1e1913", "#5c5245", "#cbbfa6", "#e2d9c4"
LINE = {Curve.GRAVITY: "#7b1f3e", Curve.TEMPERATURE: "#17566a"}
PENS = {
    "band": Pen("#dde5cf", 0),
    "value": Pen(HAIR),
    "time": Pen(RULE),
    "foot": Pen(FAINT, 1.5),
    "spread": Pen("#e5cfd0", 0),
    "level": Pen("#6f8050", 2, dash=9),
    "mark": Pen(INK, 2, dash=4),
    "wedge": Pen(INK, 0),
    "check": Pen(LEAF, 2.5, edge=INK),
    "lot": Pen(INK, HEADING_PX),
    "said": Pen(INK, SMALL_PX),
    "axis": Pen(FAINT, TEXT_PX),
    "day": Pen(FAINT, SMALL_PX),
}


def prepare() -> None:
    """Import the imaging library and its font, beside the reading of what is to be drawn.

    Raises:
        ImportError: the imaging library is not installed.
    """
    Letters().width("a", TEXT_PX)


def chart_png(chart: Chart) -> bytes:
    """Return a chart as a PNG of 640x360.

    Raises:
        ImportError: the imaging library is not installed.
    """
    letters, ink = Letters(), LINE[chart.quantity]
    plane = Plane(
        *chart.window, chart.low, chart.high, LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
    )
    pens = {**PENS, "curve": Pen(ink, 3.5), "heading": Pen(ink, HEADING_PX), "last": Pen(ink, TEXT_PX)}
    parts = [*_lines(chart, plane), *_words(chart, plane, letters)]
    return png(parts, pens, (WIDTH, HEIGHT), LEAF, letters)


def _lines(chart: Chart, plane: Plane) -> Iterator[Part]:
    for strip in chart.strips:
        yield Area("band", plane.box(*strip))
    yield Line("value", [plane.level(value.at) for value in chart.values])
    for time in chart.times:
        (x, top), (_, foot) = plane.upright(time.at)
        yield Line("time", [[(x, top), (x, foot + (6 if time.label else 0))]])
    yield Line("foot", [plane.level(chart.low)])
    for run in chart.spread:
        yield between("spread", plane.run((s.at_ms, s.high) for s in run), plane.run(s[:2] for s in run))
    yield Line("level", [plane.level(level.at) for level in chart.levels])
    for at_ms in chart.marks:
        x = plane.x(at_ms)
        yield Line("mark", [plane.upright(at_ms)])
        yield Area("wedge", [(x - 8, TOP - 9), (x + 8, TOP - 9), (x, TOP + 4)])
    yield Line("curve", [plane.run(run) for run in chart.curve])
    yield Dot("curve", *plane.place(*chart.curve[-1][-1]), 6)
    for check in chart.checks:
        x, y = plane.place(*check)
        yield Area("check", [(x - 8, y), (x, y - 8), (x + 8, y), (x, y + 8)])


def _below(middle: float, px: float) -> float:
    """Return the line of letters that stand around a height."""
    return middle + 0.36 * px


def _words(chart: Chart, plane: Plane, letters: Letters) -> Iterator[Part]:
    top = _below(26, HEADING_PX)
    yield Words("heading", 14, top, chart.heading)
    if letters.has(chart.lot):
        room = WIDTH - 28 - letters.width(chart.heading, HEADING_PX) - 24
        yield Words("lot", WIDTH - 14, top, _fitted(letters, chart.lot, room), "end")
    half = letters.width(chart.caption, SMALL_PX) / 2
    middle = sum(plane.x(at) for at in chart.marks) / len(chart.marks) if chart.marks else LEFT
    middle = min(max(middle, LEFT + half), WIDTH - 14 - half)
    yield Words("said", middle, _below(TOP - 23, SMALL_PX), chart.caption, "middle")
    for value in chart.values:
        yield Words("axis", LEFT - 8, _below(plane.y(value.at), TEXT_PX), value.label, "end")
    free_from = 0.0
    for time in chart.times:
        x, width = plane.x(time.at) + 4, letters.width(time.label, SMALL_PX)
        if time.label and free_from <= x < WIDTH - 6 - width:
            yield Words("day", x, _below(HEIGHT - BOTTOM + 20, SMALL_PX), time.label)
            free_from = x + width + 8
    for level in chart.levels:
        x, y = _clear_of_curve(chart, plane, level.at, letters.width(level.label, SMALL_PX))
        yield Words("said", x, _below(y, SMALL_PX), level.label)
    x, y = plane.place(*chart.curve[-1][-1])
    yield Words("last", min(x, plane.right) + 12, _below(y, TEXT_PX), chart.last)


def _clear_of_curve(chart: Chart, plane: Plane, value: float, width: float) -> Place:
    """Return where the name of a level begins: beside its line, if possible where neither curve nor mark passes."""
    y = plane.y(value)
    points = [place for run in chart.curve for place in plane.run(run)]
    points += [(plane.x(mark), y) for mark in chart.marks]
    places = [
        (x, y + side)
        for side in (-13, 13)
        for x in (LEFT + 6, plane.right - width - 12)
        if TOP < y + side < plane.foot - 10
    ]
    for x, middle in places:
        if not any(x - 6 < px < x + width + 6 and abs(py - middle) < 16 for px, py in points):
            return x, middle
    return places[0] if places else (LEFT + 6, y - 13)


def _fitted(letters: Letters, text: str, room: float) -> str:
    """Return a text, or as much of it as there is room for."""
    text = text if len(text) <= MOST_LETTERS else f"{text[:MOST_LETTERS]}..."
    if letters.width(text, HEADING_PX) <= room:
        return text
    while text and letters.width(f"{text}...", HEADING_PX) > room:
        text = text[:-1]
    return f"{text.rstrip()}..." if text else ""
