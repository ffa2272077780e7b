"""Alerts on disk."""

import json
from collections.abc import Iterable

from mustwatch.alerting.alert import Alert
from mustwatch.store.database import Database
from mustwatch.store.whole import Row, Table, checksum, readable, verified


class Alerts:
    """The alerts table; an alert is one JSON object with the columns that are searched beside it."""

    def __init__(self, database: Database) -> None:
        """Use a database."""
        self._db = database

    def save(self, alerts: Iterable[Alert]) -> None:
        """Write alerts, new or changed."""
        self._db.executemany(
            "INSERT OR REPLACE INTO alert (id, lot, sensor, opened_ms, cleared_ms, filed, body, crc)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [_values(alert) for alert in alerts],
        )

    def _where(self, condition: str, parameters: tuple[object, ...] = ()) -> list[Alert]:
        rows = self._db.query(
            f"SELECT {ALERTS.columns} FROM alert WHERE {condition} ORDER BY opened_ms, id",  # noqa: S608
            parameters,
        )
        return list(readable(ALERTS.called, rows, alert_of))

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


def _values(alert: Alert) -> tuple[object, ...]:
    body = json.dumps(alert.to_json(), ensure_ascii=False)
    subject = alert.subject
    filed = int(alert.is_filed)
    columns = (alert.id, subject.lot, subject.sensor, alert.opened_ms, alert.cleared_ms, filed, body)
    return (*columns, checksum(*columns))


def alert_of(row: Row) -> Alert:
    """Return an alert from its row.

    Raises:
        one of UNREADABLE: it is not what was written.
    """
    *columns, crc = row
    verified(crc, *columns)
    return Alert.from_json(json.loads(columns[-1]))


ALERTS = Table(
    "alert", ("id",), "id, lot, sensor, opened_ms, cleared_ms, filed, body, crc", alert_of, "alert"
)
