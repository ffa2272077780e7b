"""The small figures of the pages, drawn as SVG: a vessel's last days, a night, the moment of an alert."""

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from markupsafe import Markup, escape

from mustwatch.cellar.instant import from_ms, to_ms
from mustwatch.cellar.measures import DAYS
from mustwatch.web.drawing import Box, Run, line, spread, within
from mustwatch.web.words import Words

WIDTH = 330.0
LEFT, RIGHT = 2.0, 44.0
GRAVITY_AT_LEAST = 0.006
"""A gravity curve is never drawn taller than this: the noise of a settled wine must look flat."""
CELSIUS_AT_LEAST = 4.0


def midnights(from_instant_ms: int, until_ms: int, words: Words) -> Iterator[tuple[int, datetime]]:
    """Yield every local midnight in a window, daylight saving minded."""
    day = from_ms(from_instant_ms).astimezone(words.zone).date() + timedelta(days=1)
    while True:
        midnight = datetime(day.year, day.month, day.day, tzinfo=words.zone)
        if (at_ms := to_ms(midnight)) >= until_ms:
            return
        yield at_ms, midnight
        day += timedelta(days=1)


def days_figure(
    curve: Mapping[str, Any], band: Mapping[str, float] | None, words: Words, label: str
) -> Markup:
    """Return a vessel's last days: gravity above, temperature in its band below, on one axis of days."""
    gravity, celsius = (
        run_of(curve["gravity"], words.gravity_number),
        run_of(curve["celsius"], words.temperature_number),
    )
    if gravity.is_empty() and celsius.is_empty():
        return Markup("")
    from_instant_ms, until_ms = curve["from_ms"], curve["until_ms"]
    parts: list[Markup] = []
    height, upper = (118.0, 68.0) if not gravity.is_empty() else (58.0, 0.0)
    for at_ms, midnight in midnights(from_instant_ms, until_ms, words):
        x = LEFT + (WIDTH - LEFT - RIGHT) * (at_ms - from_instant_ms) / (until_ms - from_instant_ms)
        parts.append(Markup('<path class="day" d="M{:.1f},2V{}"/>').format(x, height - 12))
        if x < WIDTH - RIGHT - 12:
            parts.append(
                Markup('<text class="small" x="{:.1f}" y="{}">{}</text>').format(
                    x + 3, height - 2, DAYS[midnight.weekday()][:2]
                )
            )
    if not gravity.is_empty():
        low, high = spread(*(gravity.bounds() or (1.0, 1.0)), _gravity_at_least(words))
        box = Box(from_instant_ms, until_ms, low, high, WIDTH, upper, LEFT, 5, RIGHT, 5)
        parts.append(_curve("gravity", gravity, box, _short_gravity(words)))
    if not celsius.is_empty():
        parts.append(_celsius_part(celsius, band, words, from_instant_ms, until_ms, upper, height - 12))
    return Markup(
        '<svg class="ink days" viewBox="0 0 {:.0f} {:.0f}" role="img" aria-label="{}">{}</svg>'
    ).format(WIDTH, height, label, Markup("").join(parts))


def run_of(curve: Mapping[str, Any], convert: Callable[[float], float]) -> Run:
    """Return a curve's columns in the cellar's unit."""
    return Run(curve["at"], [None if v is None else convert(v) for v in curve["values"]])


def _gravity_at_least(words: Words) -> float:
    return GRAVITY_AT_LEAST if words.gravity_unit == "SG" else 1.5


def _short_gravity(words: Words) -> str:
    return "{:.3f}" if words.gravity_unit == "SG" else "{:.1f}"


def _celsius_part(
    celsius: Run,
    band: Mapping[str, float] | None,
    words: Words,
    from_instant_ms: int,
    until_ms: int,
    top: float,
    bottom: float,
) -> Markup:
    least = words.warmth_number(CELSIUS_AT_LEAST)
    low, high = spread(*(celsius.bounds() or (0.0, 0.0)), least)
    box = Box(from_instant_ms, until_ms, low, high, WIDTH, bottom, LEFT, top + 4, RIGHT, 4)
    shade = Markup("")
    if band is not None:
        shade = band_shade(box, words.temperature_number(band["low"]), words.temperature_number(band["high"]))
    return shade + _curve("celsius", celsius, box, "{:.1f}°")


def band_shade(box: Box, low: float, high: float) -> Markup:
    """Return the band as a tinted strip with its edges, as far as it is in the picture."""
    top, bottom = box.y(min(high, box.high)), box.y(max(low, box.low))
    if bottom <= top:
        return Markup("")
    right = box.width - box.right
    parts = [
        Markup('<rect class="band" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>').format(
            box.left, top, right - box.left, bottom - top
        )
    ]
    for edge in (low, high):
        if box.low < edge < box.high:
            y = box.y(edge)
            parts.append(Markup('<path class="edge" d="M{:.1f},{:.1f}H{:.1f}"/>').format(box.left, y, right))
    return Markup("").join(parts)


def _curve(kind: str, run: Run, box: Box, pattern: str) -> Markup:
    """Return a curve with its last value marked and written at the right."""
    last = max(i for i, v in enumerate(run.values) if v is not None)
    value = run.values[last]
    assert value is not None  # noqa: S101 - chosen so
    x, y = box.x(run.at[last]), box.y(value)
    return Markup(
        '<path class="{kind}" d="{path}"/><circle class="{kind}" cx="{x}" cy="{y}" r="2.5"/>'
        '<text class="{kind}" x="{tx}" y="{ty}">{text}</text>'
    ).format(
        kind=kind,
        path=line(run, box),
        x=f"{x:.1f}",
        y=f"{y:.1f}",
        tx=f"{box.width - box.right + 6:.1f}",
        ty=f"{min(max(y + 4, box.top + 6), box.height - 2):.1f}",
        text=escape(pattern.format(value).replace("-", "\N{MINUS SIGN}")),
    )


NIGHT_WIDTH, NIGHT_HEIGHT = 360.0, 168.0
NIGHT_LEFT, NIGHT_RIGHT, NIGHT_TOP, NIGHT_BOTTOM = 34.0, 8.0, 20.0, 20.0
HOUR_MS = 3_600_000


def night_figure(
    row: Mapping[str, Any], room: Mapping[str, Any] | None, night: Mapping[str, Any], words: Words, label: str
) -> Markup:
    """Return one place's night: the curve in its band, the night shaded, lowest and highest marked with their times.

    Args:
        row: a place of the night's document, with its ``curve``.
        room: the room's row, drawn beside it dashed, or None.
        night: the document, for its window.
        words: the cellar's units and clock.
        label: what the drawing shows, in words.
    """
    curve = run_of(row["curve"], words.temperature_number)
    beside = None if room is None else run_of(room["curve"], words.temperature_number)
    if curve.is_empty():
        return Markup("")
    least = words.warmth_number(CELSIUS_AT_LEAST)
    low, high = spread(*(curve.bounds() or (0.0, 0.0)), least, 0.12)
    low, high = low - 0.22 * (high - low), high + 0.14 * (high - low)  # room for the marks' words
    box = Box(
        night["shown_from_ms"], night["shown_until_ms"], low, high,
        NIGHT_WIDTH, NIGHT_HEIGHT, NIGHT_LEFT, NIGHT_TOP, NIGHT_RIGHT, NIGHT_BOTTOM,
    )  # fmt: skip
    parts = [_night_shade(box, night), *_hour_ticks(box, words), *_degree_ticks(box)]
    if row["band"] is not None:
        edges = [words.temperature_number(row["band"][side]) for side in ("low", "high")]
        parts.insert(1, band_shade(box, edges[0], edges[1]))
    if beside is not None:
        parts.append(Markup('<path class="room" d="{}"/>').format(line(within(beside, box), box)))
    parts.append(Markup('<path class="celsius" d="{}"/>').format(line(curve, box)))
    parts += _extreme(box, row, "minimum", words)
    parts += _extreme(box, row, "maximum", words)
    return Markup(
        '<svg class="ink night" viewBox="0 0 {:.0f} {:.0f}" role="img" aria-label="{}">{}</svg>'
    ).format(NIGHT_WIDTH, NIGHT_HEIGHT, label, Markup("").join(parts))


def _night_shade(box: Box, night: Mapping[str, Any]) -> Markup:
    left, right = box.x(night["from_ms"]), box.x(night["until_ms"])
    return Markup('<rect class="dark" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>').format(
        left, box.top, right - left, box.height - box.top - box.bottom
    )


def _hour_ticks(box: Box, words: Words) -> Iterator[Markup]:
    """Yield a line and its hour for every third hour of the clock on the wall."""
    at_ms = box.from_ms - box.from_ms % HOUR_MS
    while at_ms <= box.until_ms:
        local = from_ms(at_ms).astimezone(words.zone)
        if at_ms >= box.from_ms and local.minute == 0 and local.hour % 3 == 0:
            x = box.x(at_ms)
            foot = box.height - box.bottom
            yield Markup('<path class="day" d="M{:.1f},{:.1f}V{:.1f}"/>').format(x, box.top, foot)
            yield Markup('<text x="{:.1f}" y="{:.1f}" text-anchor="middle">{}</text>').format(
                min(max(x, 10), box.width - 10), box.height - 6, local.hour
            )
        at_ms += HOUR_MS


def _degree_ticks(box: Box) -> Iterator[Markup]:
    """Yield round temperatures at the left: three or four of them."""
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100) if (box.high - box.low) / s <= 4)
    value = -(-box.low // step) * step
    while value <= box.high:
        y = box.y(value)
        yield Markup('<path class="day" d="M{:.1f},{:.1f}H{:.1f}"/>').format(
            box.left, y, box.width - box.right
        )
        yield Markup('<text x="{:.1f}" y="{:.1f}" text-anchor="end">{}°</text>').format(
            box.left - 5, y + 4, f"{value:.0f}".replace("-", "\N{MINUS SIGN}")
        )
        value += step


def _extreme(box: Box, row: Mapping[str, Any], name: str, words: Words) -> Iterator[Markup]:
    """Yield the mark of the lowest or highest: a triangle that points at it, its value and its time."""
    celsius, at = row[name], row[f"{name}_at"]
    if celsius is None or at is None:
        return
    value = words.temperature_number(celsius)
    x, y = box.x(to_ms(words.local(at))), box.y(value)
    is_low = name == "minimum"
    tip, foot = (y + 2, y + 10) if is_low else (y - 2, y - 10)
    yield Markup('<path class="{}" d="M{:.1f},{:.1f}l-5,{:.1f}h10z"/>').format(
        "low" if is_low else "high", x, tip, foot - tip
    )
    anchor = "start" if x < box.left + 60 else "end" if x > box.width - 60 else "middle"
    label_y = min(foot + 13, box.height - box.bottom - 3) if is_low else max(foot - 5, 12)
    yield Markup('<text class="said" x="{:.1f}" y="{:.1f}" text-anchor="{}">{:.1f}° {}</text>').format(
        x, label_y, anchor, value, words.clock(at)
    )


def nights_figure(row: Mapping[str, Any], words: Words, label: str) -> Markup:
    """Return this night's span between lowest and highest beside those of the nights before, oldest at the left."""
    nights = [*reversed(row["earlier"]), {"night": "", "minimum": row["minimum"], "maximum": row["maximum"]}]
    spans = [
        None if n["minimum"] is None else [words.temperature_number(n[key]) for key in ("minimum", "maximum")]
        for n in nights
    ]
    known = [v for pair in spans if pair is not None for v in pair]
    if not known:
        return Markup("")
    low, high = spread(min(known), max(known), 2.0, 0.1)
    width, height = 200.0, 56.0
    box = Box(0, len(nights), low, high, width, height, 2, 4, 2, 4)
    parts = []
    for position, pair in enumerate(spans):
        if pair is None:
            continue
        least, most = pair
        top = box.y(most)
        parts.append(
            Markup('<rect class="{}" x="{:.1f}" y="{:.1f}" width="13" height="{:.1f}"/>').format(
                "this" if position == len(nights) - 1 else "before",
                box.x(position) + 5,
                top,
                max(1.5, box.y(least) - top),
            )
        )
    return Markup(
        '<svg class="ink nights" viewBox="0 0 {:.0f} {:.0f}" role="img" aria-label="{}">{}</svg>'
    ).format(width, height, label, Markup("").join(parts))


ALERT_HEIGHT = 120.0


def alert_figure(picture: Mapping[str, Any], words: Words) -> Markup:
    """Return the curve around an alert, its beginning and end marked: temperature or gravity, as its kind asks."""
    kind = picture["shows"]
    convert = words.temperature_number if kind == "celsius" else words.gravity_number
    run = run_of(picture[kind], convert)
    if run.is_empty():
        return Markup("")
    least = words.warmth_number(CELSIUS_AT_LEAST) if kind == "celsius" else _gravity_at_least(words)
    low, high = spread(*(run.bounds() or (0.0, 0.0)), least)
    box = Box(picture["from_ms"], picture["until_ms"], low, high, WIDTH, ALERT_HEIGHT, LEFT, 6, RIGHT, 20)
    parts = list(_days(box, words))
    for at_ms in (picture["opened_ms"], picture["cleared_ms"]):
        if at_ms is not None and box.from_ms <= at_ms <= box.until_ms:
            parts.append(
                Markup('<path class="moment" d="M{:.1f},{:.1f}V{:.1f}"/>').format(
                    box.x(at_ms), box.top, box.height - box.bottom
                )
            )
    parts.append(_curve(kind, run, box, "{:.1f}°" if kind == "celsius" else _short_gravity(words)))
    label = f"{'Temperature' if kind == 'celsius' else 'Gravity'} around this alert"
    return Markup(
        '<svg class="ink days" viewBox="0 0 {:.0f} {:.0f}" role="img" aria-label="{}">{}</svg>'
    ).format(WIDTH, ALERT_HEIGHT, label, Markup("").join(parts))


def _days(box: Box, words: Words) -> Iterator[Markup]:
    """Yield a line and a name for every midnight of a picture, as many names as there is room for."""
    found = list(midnights(box.from_ms, box.until_ms, words))
    every = max(1, -(-len(found) // 8))
    for position, (at_ms, midnight) in enumerate(found):
        x = box.x(at_ms)
        yield Markup('<path class="day" d="M{:.1f},{:.1f}V{:.1f}"/>').format(
            x, box.top, box.height - box.bottom
        )
        if position % every == 0 and x < box.width - box.right - 12:
            yield Markup('<text class="small" x="{:.1f}" y="{:.1f}">{}</text>').format(
                x + 3, box.height - 5, f"{DAYS[midnight.weekday()][:2]} {midnight.day}"
            )


def calibration_figure(calibration: Mapping[str, Any], label: str) -> Markup:
    """Return a calibration's points by how far they lie off the curve, with the scatter of a hydrometer's point."""
    points = calibration["points"]
    if len(points) < 2:
        return Markup("")
    sd = calibration["point_sd"]
    reach = max(2.5 * sd, *(abs(p["residual"]) * 1.15 for p in points))
    degrees = [p["inclination"] for p in points]
    box = Box(round(min(degrees) * 100), round(max(degrees) * 100), -reach, reach, WIDTH, 92.0, 10, 6, 60, 18)
    right = box.width - box.right
    parts = [
        band_shade(box, -sd, sd),
        Markup('<path class="axis" d="M{:.1f},{:.1f}H{:.1f}"/>').format(box.left, box.y(0), right),
        Markup('<text x="{:.1f}" y="{:.1f}">±{:.4f}</text>').format(right + 6, box.y(0) + 4, sd),
        Markup('<text x="{:.1f}" y="{:.1f}">{:.0f}°</text>').format(box.left, box.height - 4, min(degrees)),
        Markup('<text x="{:.1f}" y="{:.1f}" text-anchor="end">{:.0f}°</text>').format(
            right, box.height - 4, max(degrees)
        ),
    ]
    parts += [
        Markup('<circle class="gravity" cx="{:.1f}" cy="{:.1f}" r="3.2"/>').format(
            box.x(p["inclination"] * 100), box.y(p["residual"])
        )
        for p in points
    ]
    return Markup('<svg class="ink days" viewBox="0 0 {:.0f} 92" role="img" aria-label="{}">{}</svg>').format(
        WIDTH, label, Markup("").join(parts)
    )
