"""The overnight review in words, the same for the command and the morning's message."""

from typing import Any

from mustwatch.cellar.measures import Measures

LITTLE_COVERAGE = 0.9
"""Below this share of the night it is said how little was heard."""


def night_lines(document: dict[str, Any], measures: Measures) -> list[str]:
    """Return a night's document (``night_view``) as lines of text."""
    from_until = f"{measures.moment(document['from'])} to {measures.moment(document['until'])}"
    lines = [f"Night of {measures.full_day(document['night'])} ({from_until})"]
    for row in document["vessels"]:
        lines += vessel_lines(row, measures)
    return lines


def vessel_lines(row: dict[str, Any], measures: Measures) -> list[str]:
    """Return one vessel's (or the room's) night as lines of text."""
    name = row["vessel"] or f"room ({row['sensor']})"
    lot = f" ({row['lot']})" if row["lot"] else ""
    if row["minimum"] is None:
        return [f"  {name}{lot}: no temperatures"]
    lowest, highest = (
        f"{measures.temperature(row[key])} at {measures.clock(row[f'{key}_at'])}"
        for key in ("minimum", "maximum")
    )
    lines = [f"  {name}{lot}: {lowest} to {highest}, swing {measures.warmth(row['swing'])}"]
    if row["steepest_per_hour"] is not None:
        steepest = measures.warmth(row["steepest_per_hour"])
        lines.append(f"      steepest {steepest} in an hour, from {measures.clock(row['steepest_at'])}")
    for key, words in (("above", "too warm"), ("below", "too cold")):
        if row[f"minutes_{key}"]:
            lasted = measures.minutes(row[f"minutes_{key}"])
            lines.append(f"      {words} for {lasted}, from {measures.clock(row[f'{key}_at'])}")
    if row["coverage"] < LITTLE_COVERAGE:
        lines.append(f"      only {row['coverage'] * 100:.0f} % of the night was heard")
    return lines
