"""The cellar's document arranged as its page shows it: by need, each vessel with its alerts, the quiet ones folded."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from mustwatch.cellar.instant import HOUR_MS, to_ms
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.lot import SMALL_CURVE_MS, nights_of, small_curve
from mustwatch.views.need import alerts_of, by_need

OLD_MS = 3 * HOUR_MS
"""A vessel not heard for longer than this is no quiet one: silence is not good news."""


def cellar_page(store: Store, settings: Settings, document: Mapping[str, Any], now_ms: int) -> dict[str, Any]:
    """Return the document with its vessels in the order of their need.

    Each row gets ``told`` (the alerts in its card, the worst first, those that somebody knows of last), ``is_quiet``
    and, unless that, its last days as ``curve``. ``elsewhere`` are the alerts that stand in no card.
    """
    rows = []
    shown: set[str] = set()
    for row in by_need(document["vessels"], document["alerts"]):
        told = alerts_of(row, document["alerts"]) if row["lot"] is not None else []
        told = sorted(told, key=lambda alert: alert["acknowledged_at"] is not None)
        shown |= {alert["id"] for alert in told}
        is_quiet = row["lot"] is not None and not told and _is_quiet(row, now_ms)
        curve = None if row["lot"] is None or is_quiet else small_curve(store, row["lot"], now_ms)
        rows.append({**row, "told": told, "is_quiet": is_quiet, "curve": curve})
    return {
        **document,
        "vessels": rows,
        "elsewhere": [alert for alert in document["alerts"] if alert["id"] not in shown],
        "nights": nights_of(settings, now_ms - SMALL_CURVE_MS, now_ms),
    }


def _is_quiet(row: Mapping[str, Any], now_ms: int) -> bool:
    """Say whether nothing of a vessel has to be done or looked at now."""
    observed_at = row["observed_at"]
    is_heard = observed_at is not None and now_ms - to_ms(datetime.fromisoformat(observed_at)) < OLD_MS
    is_due = any(step["due"] in ("now", "overdue") for step in row["next"])
    return is_heard and not is_due and row["unwatched"] is None and row["evaluated_until"] is None
