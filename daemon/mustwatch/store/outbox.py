"""The outbox on disk: messages wait here from the transaction that decided on them until they are told."""

import json
from collections.abc import Iterable
from typing import NamedTuple

from mustwatch.alerting.lifecycle import arrived
from mustwatch.alerting.message import Message
from mustwatch.store.alerts import Alerts
from mustwatch.store.database import Database
from mustwatch.store.whole import Row, Table, checksum, readable, verified


class OutboxRow(NamedTuple):
    """A message that waits to be told, and what was tried.

    ``is_repeat_possible``: an attempt was begun that neither ended well nor surely failed: it may have arrived.
    ``next_try_ms`` and ``error`` (without secrets) are of the last attempt that failed.
    """

    message: Message
    attempts: int
    is_repeat_possible: bool
    next_try_ms: int | None
    error: str | None


_COLUMNS = "id, target, created_ms, body, crc, attempts, unfinished, next_try_ms, error"


class Outbox:
    """The outbox table."""

    def __init__(self, database: Database) -> None:
        """Use a database."""
        self._db = database

    def put(self, messages: Iterable[Message]) -> None:
        """Put messages in; one whose id is there already is left as it is."""
        bodies = [(m, json.dumps(m.to_json(), ensure_ascii=False)) for m in messages]
        self._db.executemany(
            "INSERT OR IGNORE INTO outbox (id, target, created_ms, body, crc) VALUES (?, ?, ?, ?, ?)",
            [
                (m.id, m.target, m.created_ms, body, checksum(m.id, m.target, m.created_ms, body))
                for m, body in bodies
            ],
        )

    def waiting(self, target: str | None = None, limit: int = 1000) -> list[OutboxRow]:
        """Return what is neither told nor given up, for one or all targets, in the order it was put in."""
        where, parameters = (" AND target=?", (target, limit)) if target is not None else ("", (limit,))
        rows = self._db.query(
            f"SELECT {_COLUMNS} FROM outbox WHERE told_ms IS NULL AND expired_ms IS NULL{where}"  # noqa: S608
            " ORDER BY seq LIMIT ?",
            parameters,
        )
        return list(readable(MESSAGES.called, rows, row_of))

    def sent(self, message_id: str) -> tuple[OutboxRow, int | None, int | None] | None:
        """Return a message, when it was told and when it was given up; None if there is none of that id."""
        rows = self._db.query(f"SELECT {_COLUMNS}, told_ms, expired_ms FROM outbox WHERE id=?", (message_id,))  # noqa: S608
        return next(readable(MESSAGES.called, rows, lambda r: (row_of(r[:-2]), r[-2], r[-1])), None)

    def bring_back(self, message: Message, told_ms: int | None, expired_ms: int | None) -> bool:
        """Put in a message that a lost store had, and say whether it waits now.

        What waited there may have been told since: it is marked so, and is told with a line saying that it may be a
        repeat. What was told there is not told again, even if it waits here.
        """
        known = self.sent(message.id)
        self.put([message])
        if told_ms or expired_ms:
            self._db.execute(
                "UPDATE outbox SET told_ms=?, expired_ms=?, unfinished=0 WHERE id=? AND told_ms IS NULL",
                (told_ms, expired_ms, message.id),
            )
            return False
        if known is None:
            self._db.execute(
                "UPDATE outbox SET unfinished=1, attempts=max(attempts, 1) WHERE id=?", (message.id,)
            )
        return known is None

    def undelivered(self, since_ms: int) -> list[OutboxRow]:
        """Return what was given up since an instant, in the order it was put in."""
        rows = self._db.query(
            f"SELECT {_COLUMNS} FROM outbox WHERE expired_ms>=? ORDER BY seq",  # noqa: S608
            (since_ms,),
        )
        return list(readable(MESSAGES.called, rows, row_of))

    def mark_attempt(self, message_id: str, at_ms: int) -> None:
        """Note, before sending, that an attempt begins."""
        self._db.execute(
            "UPDATE outbox SET attempts=attempts+1, attempt_ms=?, unfinished=1 WHERE id=?",
            (at_ms, message_id),
        )

    def mark_told(self, message_id: str, at_ms: int) -> None:
        """Note, after sending, that a message was told; its alerts remember the first time."""
        with self._db.transaction():
            self._db.execute(
                "UPDATE outbox SET told_ms=?, unfinished=0, error=NULL WHERE id=?", (at_ms, message_id)
            )
            rows = self._db.query(f"SELECT {_COLUMNS} FROM outbox WHERE id=?", (message_id,))  # noqa: S608
            alerts = Alerts(self._db)
            for row in readable(MESSAGES.called, rows, row_of):
                told = [alerts.get(alert_id) for alert_id in row.message.alert_ids]
                alerts.save(arrived(alert, at_ms) for alert in told if alert is not None)

    def mark_failed(
        self, message_id: str, at_ms: int, error: str, next_try_ms: int, may_have_arrived: bool = False
    ) -> None:
        """Keep why an attempt failed and when the next is due; it stays unfinished if it may have arrived."""
        self._db.execute(
            "UPDATE outbox SET unfinished=?, error=?, next_try_ms=?, attempt_ms=? WHERE id=?",
            (int(may_have_arrived), error, next_try_ms, at_ms, message_id),
        )

    def mark_expired(self, message_id: str, at_ms: int) -> None:
        """Note that a message was given up; it stays to be seen."""
        self._db.execute("UPDATE outbox SET unfinished=0, expired_ms=? WHERE id=?", (at_ms, message_id))

    def forget_before(self, at_ms: int) -> int:
        """Let go of messages told or given up before an instant; return how many."""
        return self._db.execute("DELETE FROM outbox WHERE told_ms<? OR expired_ms<?", (at_ms, at_ms))


def row_of(row: Row) -> OutboxRow:
    """Return a message from its row.

    Raises:
        one of UNREADABLE: it is not what was written.
    """
    id_, target, created_ms, body, crc, attempts, unfinished, next_try_ms, error = row
    verified(crc, id_, target, created_ms, body)
    return OutboxRow(Message.from_json(json.loads(body)), attempts, bool(unfinished), next_try_ms, error)


MESSAGES = Table("outbox", ("seq",), _COLUMNS, row_of, "message")
