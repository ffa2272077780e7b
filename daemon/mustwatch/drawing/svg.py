"""Draws parts as SVG: a part's kind is its class, and the sheet says the rest."""

from collections.abc import Iterable, Sequence
from html import escape

from mustwatch.drawing.picture import Area, Dot, Line, Part
from mustwatch.drawing.plane import Place

LONE = 1.5
"""A run of one place is a dash of this length."""


def number(value: float, digits: int = 1) -> str:
    """Return a coordinate as short as it may be written."""
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def path(runs: Iterable[Sequence[Place]], x_digits: int = 1, *, closed: bool = False) -> str:
    """Return the data of a path: ``M12 8.1 13 8.4M20 9``."""
    parts = []
    for run in runs:
        places = " ".join(f"{number(x, x_digits)} {number(y)}" for x, y in run)
        parts.append(f"M{places}{'z' if closed else '' if len(run) > 1 else f'h{LONE}'}")
    return "".join(parts)


def drawn(part: Part, x_digits: int = 1) -> str:
    """Return one part."""
    if isinstance(part, Line):
        return f'<path class="{part.kind}" d="{path(part.runs, x_digits)}"/>' if part.runs else ""
    if isinstance(part, Area):
        return (
            f'<path class="{part.kind}" d="{path([part.outline], x_digits, closed=True)}"/>'
            if part.outline
            else ""
        )
    x, y = number(part.x), number(part.y)
    if isinstance(part, Dot):
        return f'<circle class="{part.kind}" cx="{x}" cy="{y}" r="{number(part.radius)}"/>'
    anchor = "" if part.anchor == "start" else f' text-anchor="{part.anchor}"'
    return f'<text class="{part.kind}" x="{x}" y="{y}"{anchor}>{escape(part.text)}</text>'


def svg(kind: str, width: float, height: float, label: str, parts: Iterable[Part]) -> str:
    """Return a whole picture; ``label`` says in words what it shows."""
    return (
        f'<svg class="{kind}" viewBox="0 0 {number(width)} {number(height)}" role="img" '
        f'aria-label="{escape(label)}" xmlns="http://www.w3.org/2000/svg">{"".join(map(drawn, parts))}</svg>'
    )
