"""A lot as pages and API show it: assembled from the store by one set of rules."""

from typing import Any

from mustwatch.cellar.instant import DAY_MS
from mustwatch.review.series import Point, m4
from mustwatch.store.store import Store

SMALL_CURVE_MS = 7 * DAY_MS
SMALL_CURVE_POINTS = 160
"""A curve the size of a thumb: one column per two pixels."""


def small_curve(store: Store, lot: str, now_ms: int) -> dict[str, Any]:
    """Return a lot's last days as ``gravity`` and ``celsius``, each ``{at: [ms], values: []}``."""
    estimates = store.watching.estimates(lot, now_ms - SMALL_CURVE_MS, now_ms + 1)
    gravity = [Point(e.at_ms, e.gravity) for e in estimates if e.gravity is not None]
    celsius = [Point(e.at_ms, e.temperature_c) for e in estimates if e.temperature_c is not None]
    return {
        "from_ms": now_ms - SMALL_CURVE_MS,
        "until_ms": now_ms,
        "gravity": columns(m4(gravity, SMALL_CURVE_POINTS), 5),
        "celsius": columns(m4(celsius, SMALL_CURVE_POINTS), 2),
    }


def columns(points: list[Point], digits: int) -> dict[str, list[Any]]:
    """Return points as two lists, which is half the bytes of a list of pairs of names."""
    return {"at": [p.at_ms for p in points], "values": [round(p.value, digits) for p in points]}
