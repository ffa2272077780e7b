"""A quantity that was measured now and then, drawn small: its values with how far each may be off, joined by a line."""

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from mustwatch.cellar.instant import to_ms
from mustwatch.drawing.picture import Dot, Line, Part
from mustwatch.drawing.picture import Words as Text
from mustwatch.drawing.plane import Plane, around
from mustwatch.web.curves import LEFT, RIGHT, WIDTH, figure
from mustwatch.web.words import Words

HEIGHT = 96.0
AT_LEAST_SHARE = 0.2
"""A curve is drawn no taller than if it spanned this share of its highest value: two readings are not a storm."""


def measured_figure(quantity: Mapping[str, Any], words: Words) -> Markup:
    """Return the curve of one quantity of the lot's document; nothing of words, or of fewer than two values."""
    said = [v for v in quantity["values"] if isinstance(v["value"], int | float)]
    if len(said) < 2:
        return Markup("")
    at = [to_ms(words.local(v["at"])) for v in said]
    values, errors = [float(v["value"]) for v in said], [float(v["error"] or 0.0) for v in said]
    ends = [v + side * e for v, e in zip(values, errors, strict=True) for side in (-1, 1)]
    bounds = around(ends, AT_LEAST_SHARE * max(ends))
    plane = Plane(at[0], at[-1], *bounds, LEFT + 6, 8, WIDTH - LEFT - 6 - RIGHT, HEIGHT - 28)
    foot = HEIGHT - 18
    parts: list[Part] = [
        Line("axis", [[(plane.left, foot), (plane.right, foot)]]),
        Text("small", plane.left, HEIGHT - 5, words.day(at[0])),
        Text("small", plane.right, HEIGHT - 5, words.day(at[-1]), "end"),
        Line("gravity", [plane.run(zip(at, values, strict=True))]),
    ]
    for at_ms, value, error in zip(at, values, errors, strict=True):
        if error:
            parts.append(Line("moment", [plane.run([(at_ms, value + error), (at_ms, value - error)])]))
        parts.append(Dot("gravity", *plane.place(at_ms, value), 3.2))
    parts.append(Text("gravity", plane.right + 7, plane.y(values[-1]) + 4, f"{values[-1]:g}"))
    return figure("days", WIDTH, HEIGHT, f"{quantity['words']} over time", parts)
