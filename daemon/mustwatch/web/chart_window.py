"""Which stretch of a lot's life its curve shows, and where a tap leads from there."""

from collections.abc import Mapping
from typing import Any

from mustwatch.cellar.instant import DAY_MS, MINUTE_MS

SHORTEST_MS = 5 * MINUTE_MS


def opening(curves: Mapping[str, Any]) -> tuple[int, int]:
    """Return the first look at a lot: its life, and its forecast as far as that is surely ahead."""
    begin, end = curves["from_ms"], curves["until_ms"]
    if curves["forecast"] is None:
        return begin, end
    most = max(end + (end - begin) * 3 // 5, end + 2 * DAY_MS)
    return begin, max(end, min(curves["forecast"]["expected"][-1] + DAY_MS, most))


def neighbours(curves: Mapping[str, Any], window: tuple[int, int]) -> dict[str, tuple[int, int]]:
    """Return the windows that a tap leads to: earlier and later by half, closer and further by a factor of two."""
    begin, end = window
    half, quarter = (end - begin) // 2, (end - begin) // 4
    moved = {
        "earlier": (begin - half, end - half),
        "later": (begin + half, end + half),
        "closer": (begin + quarter, end - quarter),
        "further": (begin - half, end + half),
    }
    return {name: _kept(curves["whole"], *one) for name, one in moved.items()}


def _kept(whole: Mapping[str, int], begin: int, end: int) -> tuple[int, int]:
    """Return a window neither too short nor far beside the lot's life."""
    longest = (whole["until_ms"] - whole["from_ms"]) * 2 + DAY_MS
    length = min(max(end - begin, SHORTEST_MS), longest)
    middle = min(
        max((begin + end) // 2, whole["from_ms"] - length // 2), whole["until_ms"] + max(DAY_MS, length // 2)
    )
    return middle - length // 2, middle - length // 2 + length
