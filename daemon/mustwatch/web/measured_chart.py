"""A quantity that was measured now and then, drawn small: its values with how far each may be off, joined by a line."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from markupsafe import Markup

from mustwatch.cellar.instant import to_ms
from mustwatch.web.curves import LEFT, RIGHT, WIDTH
from mustwatch.web.drawing import Box, Run, line, spread
from mustwatch.web.words import Words

HEIGHT = 96.0
AT_LEAST_SHARE = 0.2
"""A curve is drawn no taller than if it spanned this share of its highest value: two readings are not a storm."""


def measured_figure(quantity: Mapping[str, Any], words: Words) -> Markup:
    """Return the curve of one quantity of the lot's document; nothing of words, or of fewer than two values."""
    said = [v for v in quantity["values"] if isinstance(v["value"], int | float)]
    if len(said) < 2:
        return Markup("")
    at = [to_ms(datetime.fromisoformat(v["at"])) for v in said]
    values, errors = [float(v["value"]) for v in said], [float(v["error"] or 0.0) for v in said]
    lowest = min(v - e for v, e in zip(values, errors, strict=True))
    highest = max(v + e for v, e in zip(values, errors, strict=True))
    low, high = spread(lowest, highest, AT_LEAST_SHARE * highest)
    box = Box(at[0], at[-1], low, high, WIDTH, HEIGHT, LEFT + 6, 8, RIGHT, 20)
    foot, right = HEIGHT - 18, WIDTH - RIGHT
    parts = [
        Markup('<path class="axis" d="M{:.1f},{:.1f}H{:.1f}"/>').format(box.left, foot, right),
        Markup('<text class="small" x="{:.1f}" y="{:.1f}">{}</text>').format(
            box.left, HEIGHT - 5, words.day(at[0])
        ),
        Markup('<text class="small" x="{:.1f}" y="{:.1f}" text-anchor="end">{}</text>').format(
            right, HEIGHT - 5, words.day(at[-1])
        ),
    ]
    parts.append(Markup('<path class="gravity" d="{}"/>').format(line(Run(at, values), box)))
    for at_ms, value, error in zip(at, values, errors, strict=True):
        if error:
            ends = (box.x(at_ms), box.y(value + error), box.y(value - error))
            parts.append(Markup('<path class="moment" d="M{:.1f},{:.1f}V{:.1f}"/>').format(*ends))
        parts.append(
            Markup('<circle class="gravity" cx="{:.1f}" cy="{:.1f}" r="3.2"/>').format(
                box.x(at_ms), box.y(value)
            )
        )
    end = Markup('<text class="gravity" x="{:.1f}" y="{:.1f}">{}</text>').format(
        WIDTH - RIGHT + 7, box.y(values[-1]) + 4, f"{values[-1]:g}"
    )
    return Markup(
        '<svg class="ink days" viewBox="0 0 {:.0f} {:.0f}" role="img" aria-label="{}">{}</svg>'
    ).format(WIDTH, HEIGHT, f"{quantity['words']} over time", Markup("").join([*parts, end]))
