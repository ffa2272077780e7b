"""Which vessel needs somebody most: the order of the cellar's page and command."""

from collections.abc import Iterable, Mapping
from typing import Any

from mustwatch.watch.finding import RANK


def alerts_of(row: Mapping[str, Any], alerts: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the alerts about a vessel, its lot or a sensor in it, the worst first."""
    about = [
        alert
        for alert in alerts
        if alert["vessel"] == row["vessel"] or (alert["lot"] is not None and alert["lot"] == row["lot"])
    ]
    return sorted(about, key=lambda alert: -RANK[alert["severity"]])


def by_need(
    rows: Iterable[Mapping[str, Any]], alerts: Iterable[Mapping[str, Any]]
) -> list[Mapping[str, Any]]:
    """Return the vessels, the one with the worst alert first, then what has a due step, a lot, and what is empty.

    Within one need they stay in the order of the configuration.
    """
    held = list(alerts)

    def need(row: Mapping[str, Any]) -> tuple[int, ...]:
        about = alerts_of(row, held)
        unknown = [a for a in about if a["acknowledged_at"] is None] or about
        worst = -RANK[unknown[0]["severity"]] if unknown else 1
        is_due = any(step["due"] in ("now", "overdue") for step in row["next"])
        return (worst, int(row["lot"] is None), int(not is_due))

    return sorted(rows, key=need)
