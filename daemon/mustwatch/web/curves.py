"""The small figures of the pages: a vessel's last days, a night, the moment of an alert, a calibration."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from markupsafe import Markup

from mustwatch.cellar.instant import to_ms
from mustwatch.cellar.measures import signed
from mustwatch.drawing import svg
from mustwatch.drawing.picture import Anchor, Area, Dot, Line, Part, Words, shade
from mustwatch.drawing.plane import Plane, around
from mustwatch.drawing.ticks import day_ticks, round_values
from mustwatch.web.words import Words as Speech

WIDTH = 330.0
LEFT, RIGHT = 2.0, 44.0
GRAVITY_AT_LEAST = {"SG": 0.006, "Bx": 1.5}
"""A gravity curve is never drawn taller than this: the noise of a settled wine must look flat."""
CELSIUS_AT_LEAST = 4.0


class _Curve(NamedTuple):
    """A curve's columns in the cellar's unit, None where it is broken; ``kind`` names its ink."""

    kind: str
    at: list[int | None]
    values: list[float | None]
    at_least: float
    digits: int
    unit: str

    @property
    def known(self) -> list[float]:
        return [v for v in self.values if v is not None]

    def plane(self, window: tuple[int, int], top: float, height: float) -> Plane:
        """Return the plane of a small figure, as high as the curve asks for."""
        return Plane(*window, *around(self.known, self.at_least), LEFT, top, WIDTH - LEFT - RIGHT, height)

    def drawn(self, plane: Plane) -> Iterator[Part]:
        """Yield it, with its last value marked and written at the right."""
        at_ms, value = [
            (a, v) for a, v in zip(self.at, self.values, strict=True) if a is not None and v is not None
        ][-1]
        x, y = plane.place(at_ms, value)
        yield Line(self.kind, plane.runs(self.at, self.values))
        yield Dot(self.kind, x, y, 2.5)
        yield Words(
            self.kind, plane.right + 6, max(y + 4, plane.top + 6), f"{signed(value, self.digits)}{self.unit}"
        )


def _curve(kind: str, curve: Mapping[str, Any], words: Speech) -> _Curve:
    is_gravity = kind == "gravity"
    convert: Callable[[float], float] = words.gravity_number if is_gravity else words.temperature_number
    least = GRAVITY_AT_LEAST[words.gravity_unit] if is_gravity else words.warmth_number(CELSIUS_AT_LEAST)
    values = [None if v is None else convert(v) for v in curve["values"]]
    digits = 3 if is_gravity and words.gravity_unit == "SG" else 1
    return _Curve(kind, curve["at"], values, least, digits, "" if is_gravity else "°")


def figure(kind: str, width: float, height: float, label: str, parts: Iterable[Part]) -> Markup:
    """Return parts as one of the pages' small figures; ``label`` says what it shows."""
    return Markup(svg.svg(f"ink {kind}", width, height, label, parts))  # noqa: S704 - escapes what people wrote


def _days(plane: Plane, label_y: float, words: Speech) -> Iterator[Part]:
    """Yield a line and a name for every midnight, as many names as there is room for."""
    for at_ms, name in day_ticks(int(plane.from_ms), int(plane.until_ms), words):
        yield Line("day", [plane.upright(at_ms)])
        if name and plane.x(at_ms) < plane.right - 12:
            yield Words("small", plane.x(at_ms) + 3, label_y, name)


def days_figure(
    curve: Mapping[str, Any],
    band: Mapping[str, float] | None,
    nights: Iterable[Mapping[str, int]],
    words: Speech,
    label: str,
) -> Markup:
    """Return a vessel's last days: gravity above, temperature in its band below, on one axis of days, nights shaded."""
    gravity, celsius = _curve("gravity", curve["gravity"], words), _curve("celsius", curve["celsius"], words)
    if not gravity.known and not celsius.known:
        return Markup("")
    window = (curve["from_ms"], curve["until_ms"])
    height, upper = (118.0, 68.0) if gravity.known else (58.0, 0.0)
    whole = Plane(*window, 0, 1, LEFT, 2, WIDTH - LEFT - RIGHT, height - 14)
    parts: list[Part] = [
        Area("dark", whole.box(max(night["from_ms"], window[0]), min(night["until_ms"], window[1]), 0, 1))
        for night in nights
    ]
    parts += _days(whole, height - 2, words)
    if gravity.known:
        parts += gravity.drawn(gravity.plane(window, 5, upper - 10))
    if celsius.known:
        plane = celsius.plane(window, upper + 4, height - upper - 20)
        parts += _band(plane, band, words)
        parts += celsius.drawn(plane)
    return figure("days", WIDTH, height, label, parts)


def _band(plane: Plane, band: Mapping[str, float] | None, words: Speech) -> list[Part]:
    if band is None:
        return []
    return shade(plane, words.temperature_number(band["low"]), words.temperature_number(band["high"]))


NIGHT_WIDTH, NIGHT_HEIGHT = 360.0, 168.0
NIGHT_LEFT, NIGHT_RIGHT, NIGHT_TOP, NIGHT_BOTTOM = 34.0, 8.0, 20.0, 20.0


def night_figure(
    row: Mapping[str, Any],
    room: Mapping[str, Any] | None,
    night: Mapping[str, Any],
    words: Speech,
    label: str,
) -> Markup:
    """Return one place's night: the curve in its band, the night shaded, lowest and highest marked with their times.

    Args:
        row: a place of the night's document, with its ``curve``.
        room: the room's row, drawn beside it dashed, or None.
        night: the document, for its window.
        words: the cellar's units and clock.
        label: what the drawing shows, in words.
    """
    curve = _curve("celsius", row["curve"], words)
    if not curve.known:
        return Markup("")
    low, high = around(curve.known, curve.at_least, 0.12)
    low, high = low - 0.22 * (high - low), high + 0.14 * (high - low)  # room for the marks' words
    plane = Plane(
        night["shown_from_ms"], night["shown_until_ms"], low, high, NIGHT_LEFT, NIGHT_TOP,
        NIGHT_WIDTH - NIGHT_LEFT - NIGHT_RIGHT, NIGHT_HEIGHT - NIGHT_TOP - NIGHT_BOTTOM,
    )  # fmt: skip
    parts: list[Part] = [Area("dark", plane.box(night["from_ms"], night["until_ms"], low, high))]
    parts += _band(plane, row["band"], words)
    for at_ms, name in day_ticks(int(plane.from_ms), int(plane.until_ms), words):
        parts.append(Line("day", [plane.upright(at_ms)]))
        parts.append(
            Words("hour", min(max(plane.x(at_ms), 14), NIGHT_WIDTH - 16), NIGHT_HEIGHT - 6, name, "middle")
        )
    for degree in round_values(low, high, 4)[0]:
        parts.append(Line("day", [plane.level(degree)]))
        parts.append(Words("degree", plane.left - 5, plane.y(degree) + 4, f"{signed(degree, 0)}°", "end"))
    if room is not None:
        beside = _curve("room", room["curve"], words)
        inside = [v if v is not None and low <= v <= high else None for v in beside.values]
        parts.append(Line("room", plane.runs(beside.at, inside)))
    parts.append(Line("celsius", plane.runs(curve.at, curve.values)))
    parts += [*_extreme(plane, row, "minimum", words), *_extreme(plane, row, "maximum", words)]
    return figure("night", NIGHT_WIDTH, NIGHT_HEIGHT, label, parts)


def _extreme(plane: Plane, row: Mapping[str, Any], name: str, words: Speech) -> Iterator[Part]:
    """Yield the mark of the lowest or highest: a triangle that points at it, its value and its time."""
    celsius, at = row[name], row[f"{name}_at"]
    if celsius is None or at is None:
        return
    x, y = plane.place(to_ms(words.local(at)), words.temperature_number(celsius))
    is_low = name == "minimum"
    tip, foot = (y + 2, y + 10) if is_low else (y - 2, y - 10)
    yield Area("low" if is_low else "high", [(x, tip), (x - 5, foot), (x + 5, foot)])
    label_y = min(foot + 13, plane.foot - 3) if is_low else max(foot - 5, 12)
    anchor: Anchor = "start" if x < plane.left + 60 else "end" if x > NIGHT_WIDTH - 60 else "middle"
    yield Words("said", x, label_y, f"{words.temperature_text(celsius)}° {words.clock(at)}", anchor)


def nights_figure(row: Mapping[str, Any], words: Speech, label: str) -> Markup:
    """Return this night's span between lowest and highest beside those of the nights before, oldest at the left."""
    nights = [*reversed(row["earlier"]), row]
    spans = [
        None if n["minimum"] is None else [words.temperature_number(n[key]) for key in ("minimum", "maximum")]
        for n in nights
    ]
    known = [v for span in spans if span is not None for v in span]
    if not known:
        return Markup("")
    width, height = 200.0, 56.0
    plane = Plane(0, len(nights), *around(known, 2.0, 0.1), 2, 4, width - 4, height - 8)
    parts = []
    for position, span in enumerate(spans):
        if span is not None:
            left, top, foot = plane.x(position) + 5, plane.y(span[1]), plane.y(span[0])
            foot = max(foot, top + 1.5)
            outline = [(left, top), (left + 13, top), (left + 13, foot), (left, foot)]
            parts.append(Area("this" if position == len(nights) - 1 else "before", outline))
    return figure("nights", width, height, label, parts)


ALERT_HEIGHT = 120.0


def alert_figure(picture: Mapping[str, Any], words: Speech) -> Markup:
    """Return the curve around an alert, its beginning and end marked: temperature or gravity, as its kind asks."""
    kind = picture["shows"]
    curve = _curve(kind, picture[kind], words)
    if not curve.known:
        return Markup("")
    plane = curve.plane((picture["from_ms"], picture["until_ms"]), 6, ALERT_HEIGHT - 26)
    moments = [
        plane.upright(at_ms)
        for at_ms in (picture["opened_ms"], picture["cleared_ms"])
        if at_ms is not None and plane.shows(at_ms)
    ]
    parts = [*_days(plane, ALERT_HEIGHT - 5, words), Line("moment", moments), *curve.drawn(plane)]
    label = f"{'Temperature' if kind == 'celsius' else 'Gravity'} around this alert"
    return figure("days", WIDTH, ALERT_HEIGHT, label, parts)


def calibration_figure(calibration: Mapping[str, Any], words: Speech, label: str) -> Markup:
    """Return a calibration's points by how far they lie off the curve, with the scatter of a hydrometer's point."""
    points = calibration["points"]
    if len(points) < 2:
        return Markup("")
    sd = calibration["point_sd"]
    reach = max(2.5 * sd, *(abs(p["residual"]) * 1.15 for p in points))
    degrees = [p["inclination"] for p in points]
    height = 92.0
    plane = Plane(min(degrees), max(degrees), -reach, reach, 10, 6, WIDTH - 70, height - 24)
    parts = [
        *shade(plane, -sd, sd),
        Line("axis", [plane.level(0)]),
        Words("sd", plane.right + 6, plane.y(0) + 4, f"±{words.gravity_change(sd, digits=4)}"),
        Words("degree", plane.left, height - 4, f"{min(degrees):.0f}°"),
        Words("degree", plane.right, height - 4, f"{max(degrees):.0f}°", "end"),
        *(Dot("gravity", plane.x(p["inclination"]), plane.y(p["residual"]), 3.2) for p in points),
    ]
    return figure("days", WIDTH, height, label, parts)
