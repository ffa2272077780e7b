"""Lots laid over each other as one SVG: gravity above, temperature below, days since pitching along it.

Drawn as a lot's own curve is (``lot_chart``): lines in a part that the browser stretches, letters outside it.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from markupsafe import Markup

from mustwatch.cellar.measures import signed
from mustwatch.drawing import svg
from mustwatch.drawing.plane import Plane, around
from mustwatch.drawing.ticks import round_values
from mustwatch.web.lot_chart import ALONG, LEAST_GRAVITY, LEAST_WARMTH, grid
from mustwatch.web.words import Words

GRAVITY_TOP, GRAVITY_HEIGHT = 8.0, 230.0
WARMTH_TOP, WARMTH_HEIGHT = 262.0, 100.0
FOOT, HEIGHT = 362.0, 384
MOST_DAYS = 8
Shown = Callable[[float], float]
"""Turns a value into the person's unit."""


def overlay_svg(document: Mapping[str, Any], words: Words) -> Markup:
    """Return the drawing of what the page's hand gives; the lots' lines are told apart by dashes and colour."""
    gravity = _plane(document, "gravity", words.gravity_number, GRAVITY_TOP, GRAVITY_HEIGHT, words)
    celsius = _plane(document, "celsius", words.temperature_number, WARMTH_TOP, WARMTH_HEIGHT, words)
    stretched = [grid(gravity, 6), grid(celsius, 4)]
    stretched += _lines(document, "gravity", gravity, words.gravity_number)
    stretched += _lines(document, "celsius", celsius, words.temperature_number)
    upright = [*_axis(gravity, 6, 3 if words.gravity_unit == "SG" else 0, _gravity_unit(words))]
    upright += [*_axis(celsius, 4, 0, f" {words.degree}"), *_days(gravity, document["days"])]
    return Markup(
        '<svg class="curve over" height="{height}" role="img" aria-labelledby="over-said"><svg class="stretched" '
        'width="100%" height="{height}" viewBox="0 0 10000 {height}" preserveAspectRatio="none">{stretched}</svg>'
        "{upright}</svg>"
    ).format(height=HEIGHT, stretched=Markup("").join(stretched), upright=Markup("").join(upright))


def _gravity_unit(words: Words) -> str:
    return "" if words.gravity_unit == "SG" else " °Bx"


def _plane(
    document: Mapping[str, Any], quantity: str, shown: Shown, top: float, height: float, words: Words
) -> Plane:
    values = [shown(v) for lot in document["lots"] for v in lot[quantity]["value"]]
    if not values:
        values = [shown(1.0 if quantity == "gravity" else 20.0)]

    least = (
        LEAST_GRAVITY[words.gravity_unit] if quantity == "gravity" else LEAST_WARMTH[words.temperature_unit]
    )
    return Plane(0, document["days"], *around(values, least), 0, top, ALONG, height)


def _lines(document: Mapping[str, Any], quantity: str, plane: Plane, shown: Shown) -> Iterator[Markup]:
    for number, lot in enumerate(document["lots"], 1):
        curve = lot[quantity]
        runs = plane.runs(curve["day"], [shown(value) for value in curve["value"]])
        if runs:
            yield Markup('<path class="lot-{}" data-quantity="{}" d="{}"/>').format(
                number, quantity, svg.path(runs, x_digits=0)
            )


def _axis(plane: Plane, most: int, least_digits: int, unit: str) -> Iterator[Markup]:
    values, digits = round_values(plane.low, plane.high, most)
    for value in values:
        text = signed(value, max(digits, least_digits)) + (unit if value == values[-1] else "")
        yield Markup('<text class="value" x="0" y="{:.0f}" dx="-9">{}</text>').format(
            plane.y(value) + 4, text
        )


def _days(plane: Plane, days: float) -> Iterator[Markup]:
    values = round_values(0.0, days, MOST_DAYS)[0]
    for value in values:
        text = f"day {value:g}" if value == values[-1] else f"{value:g}"
        yield Markup('<text class="time" x="{}" y="{:.0f}">{}</text>').format(
            f"{plane.x(value) / 100:.2f}%", FOOT + 17, text
        )
