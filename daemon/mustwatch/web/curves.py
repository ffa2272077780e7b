"""The small figures of the pages, drawn as SVG: a vessel's last days, a night, the moment of an alert."""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from markupsafe import Markup, escape

from mustwatch.cellar.instant import from_ms, to_ms
from mustwatch.web.drawing import Box, Run, line, spread
from mustwatch.web.words import DAYS, Words

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
    gravity = Run(curve["gravity"]["at"], [words.gravity_number(v) for v in curve["gravity"]["values"]])
    celsius = Run(curve["celsius"]["at"], [words.temperature_number(v) for v in curve["celsius"]["values"]])
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
    return Markup('<svg class="days" viewBox="0 0 {:.0f} {:.0f}" role="img" aria-label="{}">{}</svg>').format(
        WIDTH, height, label, Markup("").join(parts)
    )


def _gravity_at_least(words: Words) -> float:
    return GRAVITY_AT_LEAST if words.manners.gravity_unit == "SG" else 1.5


def _short_gravity(words: Words) -> str:
    return "{:.3f}" if words.manners.gravity_unit == "SG" else "{:.1f}"


def _celsius_part(
    celsius: Run,
    band: Mapping[str, float] | None,
    words: Words,
    from_instant_ms: int,
    until_ms: int,
    top: float,
    bottom: float,
) -> Markup:
    least = CELSIUS_AT_LEAST * (1.8 if words.manners.temperature_unit == "F" else 1.0)
    low, high = spread(*(celsius.bounds() or (0.0, 0.0)), least)
    box = Box(from_instant_ms, until_ms, low, high, WIDTH, bottom, LEFT, top + 4, RIGHT, 4)
    shade = Markup("")
    if band is not None:
        band_low, band_high = words.temperature_number(band["low"]), words.temperature_number(band["high"])
        shade = band_shade(box, band_low or 0.0, band_high or 0.0)
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
