"""Small curves drawn here, as SVG: they need no script, weigh little, and print."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple


class Box(NamedTuple):
    """A drawing's plane: instants (ms) from left to right, values from bottom to top, in pixels with margins."""

    from_ms: int
    until_ms: int
    low: float
    high: float
    width: float
    height: float
    left: float = 0.0
    top: float = 0.0
    right: float = 0.0
    bottom: float = 0.0

    def x(self, at_ms: float) -> float:
        """Return where an instant is."""
        inner = self.width - self.left - self.right
        return self.left + inner * (at_ms - self.from_ms) / max(1, self.until_ms - self.from_ms)

    def y(self, value: float) -> float:
        """Return where a value is."""
        inner = self.height - self.top - self.bottom
        return self.top + inner * (self.high - value) / max(1e-9, self.high - self.low)


@dataclass(frozen=True, slots=True)
class Run:
    """A curve's values beside their instants; None breaks the line."""

    at: Sequence[int]
    values: Sequence[float | None]

    def is_empty(self) -> bool:
        """Say whether there is nothing to draw."""
        return all(v is None for v in self.values)

    def bounds(self) -> tuple[float, float] | None:
        """Return the lowest and the highest value, or None."""
        known = [v for v in self.values if v is not None]
        return (min(known), max(known)) if known else None


def line(run: Run, box: Box) -> str:
    """Return the path of a curve: ``M12,8.1L13,8.4…``; a lone point becomes a short dash."""
    parts: list[str] = []
    pen_is_down = False
    for position, (at, value) in enumerate(zip(run.at, run.values, strict=True)):
        if value is None:
            pen_is_down = False
            continue
        x, y = box.x(at), box.y(value)
        parts.append(f"{'L' if pen_is_down else 'M'}{x:.1f},{y:.1f}")
        following = run.values[position + 1] if position + 1 < len(run.values) else None
        if not pen_is_down and following is None:
            parts.append("h1.5")
        pen_is_down = True
    return "".join(parts)


def spread(low: float, high: float, at_least: float, margin: float = 0.08) -> tuple[float, float]:
    """Return bounds around a curve: never narrower than ``at_least``, so that noise does not look like a storm."""
    middle, half = (low + high) / 2, max(high - low, at_least) / 2
    return middle - half * (1 + margin), middle + half * (1 + margin)


def within(run: Run, box: Box) -> Run:
    """Return the parts of a curve that are in the picture; it is broken where it leaves it."""
    return Run(run.at, [v if v is not None and box.low <= v <= box.high else None for v in run.values])
