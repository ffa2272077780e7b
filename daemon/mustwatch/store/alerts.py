"""Alerts on disk."""

import json
from collections.abc import Iterable

from mustwatch.alerting.alert import Alert
from mustwatch.store.database import Database


class Alerts:
    """The alerts table; an alert is one JSON object with the columns that are searched beside it."""

    def __init__(self, database: Database) -> None:
        """Use a database."""
        self._db = database

    def save(self, alerts: Iterable[Alert]) -> None:
        """Write alerts, new or changed."""
        self._db.executemany(
            "INSERT OR REPLACE INTO alert (id, lot, sensor, opened_ms, cleared_ms, filed, body)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    a.id,
                    a.subject.lot,
                    a.subject.sensor,
                    a.opened_ms,
                    a.cleared_ms,
                    int(a.is_filed),
                    json.dumps(a.to_json(), ensure_ascii=False),
                )
                for a in alerts
            ],
        )

    def _where(self, condition: str, parameters: tuple[object, ...] = ()) -> list[Alert]:
        rows = self._db.query(
            f"SELECT body FROM alert WHERE {condition} ORDER BY opened_ms, id",  # noqa: S608
            parameters,
        )
        return [Alert.from_json(json.loads(row[0])) for row in rows]

    def live(self) -> list[Alert]:
        """Return the alerts that are open, or over with something still to be told."""
        return self._where("filed = 0")

    def open(self) -> list[Alert]:
        """Return the alerts that hold."""
        return [a for a in self.live() if not a.is_over]

    def of_lot(self, lot: str) -> list[Alert]:
        """Return every alert there ever was about a lot."""
        return self._where("lot = ?", (lot,))

    def get(self, alert_id: str) -> Alert | None:
        """Return an alert by its id, or None."""
        return next(iter(self._where("id = ?", (alert_id,))), None)

    def recent(self, since_ms: int) -> list[Alert]:
        """Return the alerts that hold, or that were opened or cleared since an instant."""
        return self._where("cleared_ms IS NULL OR cleared_ms >= ? OR opened_ms >= ?", (since_ms, since_ms))
