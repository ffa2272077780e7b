"""The overnight review in words, the same for the command and the morning's message."""

from typing import Any
from zoneinfo import ZoneInfo

from mustwatch.views.figures_text import local, temperature_text

LITTLE_COVERAGE = 0.9
"""Below this share of the night it is said how little was heard."""


def night_lines(document: dict[str, Any], unit: str, zone: ZoneInfo) -> list[str]:
    """Return a night's document (``night_view``) as lines of text."""
    lines = [
        f"Night of {document['night']} ({local(document['from'], zone)} to {local(document['until'], zone)})"
    ]
    for row in document["vessels"]:
        lines += vessel_lines(row, unit, zone)
    return lines


def vessel_lines(row: dict[str, Any], unit: str, zone: ZoneInfo) -> list[str]:
    """Return one vessel's (or the room's) night as lines of text."""
    name = row["vessel"] or f"room ({row['sensor']})"
    lot = f" ({row['lot']})" if row["lot"] else ""
    if row["minimum"] is None:
        return [f"  {name}{lot}: no temperatures"]
    at = "%H:%M"
    lines = [
        f"  {name}{lot}: {temperature_text(row['minimum'], unit)} at {local(row['minimum_at'], zone, at)}"
        f" to {temperature_text(row['maximum'], unit)} at {local(row['maximum_at'], zone, at)},"
        f" swing {temperature_text(row['swing'], unit, difference=True)}"
    ]
    if row["steepest_per_hour"] is not None:
        steepest = temperature_text(row["steepest_per_hour"], unit, difference=True)
        lines.append(f"      steepest {steepest} in an hour, from {local(row['steepest_at'], zone, at)}")
    for key, words in (("above", "too warm"), ("below", "too cold")):
        if row[f"minutes_{key}"]:
            lines.append(
                f"      {words} for {row[f'minutes_{key}']} min, from {local(row[f'{key}_at'], zone, at)}"
            )
    if row["coverage"] < LITTLE_COVERAGE:
        lines.append(f"      only {row['coverage'] * 100:.0f} % of the night was heard")
    return lines
