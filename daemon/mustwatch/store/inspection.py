"""Every row read for itself when the daemon starts: what is derived is made anew, what is original is set aside.

Nothing original is thrown away: a row that cannot be read is kept in ``set_aside`` as it stood, with where it was.
"""

import json
import logging
from collections.abc import Callable, Iterable
from typing import NamedTuple

from mustwatch.store.alerts import ALERTS
from mustwatch.store.book import CALIBRATIONS, ENTRIES
from mustwatch.store.outbox import MESSAGES
from mustwatch.store.revising import PREFIX, due_of
from mustwatch.store.store import Store
from mustwatch.store.watching import CHECKPOINTS, FINDINGS, PRESENT
from mustwatch.store.whole import UNREADABLE, Row, Table

log = logging.getLogger(__name__)


def _kept_of(row: Row) -> object:
    name, value = row
    if name in NUMBERS or name.startswith("job:"):
        return int(value)
    if name.startswith(PREFIX):
        return due_of(row)
    return json.loads(value) if name in DOCUMENTS else value


NUMBERS = frozenset({"book_seq", "rolled_until", "thinned_until"})
DOCUMENTS = frozenset({"clock", "morning-told", "session", "topics"})
STATE = Table("kept", ("name",), "name, value", _kept_of, "state", False)
TABLES = (ENTRIES, CALIBRATIONS, ALERTS, MESSAGES, CHECKPOINTS, PRESENT, FINDINGS, STATE)


class Broken(NamedTuple):
    """A row that cannot be read: its table, its key, what it holds, and why."""

    table: Table
    key: Row
    row: Row
    why: str

    def __str__(self) -> str:
        """Return what it is and where it was, in a line."""
        place = ", ".join(f"{name} {value}" for name, value in zip(self.table.key, self.key, strict=True))
        return f"{self.table.called} ({place}): {self.why}"


def broken_rows(query: Callable[[str], Iterable[Row]]) -> list[Broken]:
    """Return every row that cannot be read, or is not what was written, from what ``query`` answers."""
    found = []
    for table in TABLES:
        keys = len(table.key)
        columns = ", ".join(table.key)
        for row in query(f"SELECT {columns}, {table.columns} FROM {table.name}"):  # noqa: S608
            try:
                table.make(row[keys:])
            except UNREADABLE as error:
                found.append(Broken(table, row[:keys], row[keys:], str(error) or type(error).__name__))
    return found


def set_aside_broken(store: Store, now_ms: int) -> list[Broken]:
    """Take every row that cannot be read out of the way, and return those that cannot be made anew."""
    broken = broken_rows(store.database.query)
    if not broken:
        return []
    with store.transaction():
        for one in broken:
            log.error("a row cannot be read, %s", one)
            where = " AND ".join(f"{name}=?" for name in one.table.key)
            store.database.execute(f"DELETE FROM {one.table.name} WHERE {where}", one.key)  # noqa: S608
            if one.table.is_original:
                store.database.execute(
                    "INSERT INTO set_aside (at_ms, what, place, why, body) VALUES (?, ?, ?, ?, ?)",
                    (now_ms, one.table.name, json.dumps(one.key), one.why, json.dumps(one.row, default=repr)),
                )
        for lot in store.book.lots_named():  # whatever was concluded from it, or is missing now, is made anew
            store.book.note_change(lot, -(2**62) if _concerns(broken, lot) else now_ms)
    return [one for one in broken if one.table.is_original]


def _concerns(broken: list[Broken], lot: str) -> bool:
    """Say whether a lot's conclusions may rest on a row that is gone: one of its own, or one that may be anybody's."""
    of_conclusions = (ENTRIES, CALIBRATIONS, ALERTS, FINDINGS, STATE)
    return any(
        one.table in of_conclusions and (one.table in (CALIBRATIONS, STATE) or lot in one.row)
        for one in broken
    )
