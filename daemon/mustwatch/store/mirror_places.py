"""Where sensors were through time, as the mirror tags their points."""

from collections.abc import Iterator
from itertools import pairwise

from mustwatch.cellar.history import BEGINNING_MS, END_MS, CellarHistory

Where = tuple[str | None, str | None]
"""Vessel and lot."""
Timeline = tuple[tuple[int, Where], ...]
"""Where a sensor was, from instant to instant."""


def timeline(history: CellarHistory, sensor: str) -> Timeline:
    """Return where a sensor was through all time."""
    found: list[tuple[int, Where]] = []
    at_ms = BEGINNING_MS
    while at_ms < END_MS:
        place = history.place(sensor, at_ms)
        where = (place.vessel, place.lot)
        if not found or found[-1][1] != where:
            found.append((at_ms, where))
        at_ms = place.until_ms
    return tuple(found)


def place_at(of: Timeline, at_ms: int) -> Where:
    """Return where one was at an instant."""
    return next((where for from_ms, where in reversed(of) if from_ms <= at_ms), (None, None))


def differences(before: Timeline, now: Timeline) -> Iterator[tuple[int, int, Where]]:
    """Yield the spans in which two timelines differ, with what the former one said."""
    bounds = sorted({BEGINNING_MS, END_MS, *(from_ms for from_ms, _ in (*before, *now))})
    for from_ms, until_ms in pairwise(bounds):
        was = place_at(before, from_ms)
        if was != place_at(now, from_ms):
            yield from_ms, until_ms, was
