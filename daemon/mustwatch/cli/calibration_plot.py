"""A calibration as a small plot of characters, for a terminal without any graphics."""

from typing import Final

from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.drawing.plane import Plane
from mustwatch.must.calibration import Calibration

WIDTH: Final = 61
HEIGHT: Final = 15
MARGIN: Final = 10
"""Columns for the gravity at the left of the plot."""
EVERY: Final = 7
"""Lines from label to label."""


def plot(
    calibration: Calibration, said: Measures = PLAIN, width: int = WIDTH, height: int = HEIGHT
) -> list[str]:
    """Return the lines of a plot: the curve as dots, the points as ``o``, gravity upwards, inclination to the right."""
    low_deg, high_deg = calibration.low_deg, calibration.high_deg
    curve = [
        calibration.gravity(low_deg + (high_deg - low_deg) * column / (width - 1))[0]
        for column in range(width)
    ]
    gravities = [*curve, *(g for _, g in calibration.points)]
    plane = Plane(low_deg, high_deg, min(gravities), max(gravities), 0, 0, width - 1, height - 1)
    cells = [[" "] * width for _ in range(height)]
    for column, gravity in enumerate(curve):
        cells[round(plane.y(gravity))][column] = "·"
    for inclination_deg, gravity in calibration.points:
        cells[round(plane.y(gravity))][round(plane.x(inclination_deg))] = "o"
    lines = []
    for row, line in enumerate(cells):
        is_named = row % EVERY == 0 or row == height - 1
        label = (
            said.gravity(plane.high - (plane.high - plane.low) * row / (height - 1), 4) if is_named else ""
        )
        lines.append(f"{label:>{MARGIN - 1}} |{''.join(line).rstrip()}")
    lines.append(" " * MARGIN + "+" + "-" * (width - 1))
    left, right = f"{low_deg:.1f}°", f"{high_deg:.1f}°"
    lines.append(" " * MARGIN + left + right.rjust(width - len(left)))
    return lines
