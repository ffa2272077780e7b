"""Every row read for itself when the daemon starts: what is derived is made anew, what is original is set aside.

Nothing original is thrown away: a row that cannot be read is kept in ``set_aside`` as it stood, with where it was.
"""

import json
import logging
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from mustwatch.cellar.history import BEGINNING_MS
from mustwatch.cellar.instant import DAY_MS
from mustwatch.store.alerts import ALERTS
from mustwatch.store.book import CALIBRATIONS, ENTRIES
from mustwatch.store.outbox import MESSAGES
from mustwatch.store.revising import PREFIX, due_of
from mustwatch.store.soundness import is_damage
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
OTHERS = (
    ("reading", "reading", True),
    ("sensor_stay", "place of a sensor", True),
    ("reading_aside", "reading that was set aside", True),
    ("estimate", "estimate", False),
    ("rollup", "quarter of an hour", False),
    ("redelivery", "what the broker sent last", False),
)
"""Tables that are read without being looked at row by row: by name, what a row is called, whether it is original."""
KINDS = {"INTEGER": "'integer'", "REAL": "'real', 'integer'", "TEXT": "'text'"}
OF_A_LOT = frozenset({"entry", "alert", "finding", "estimate"})
OF_ANYBODY = frozenset({"calibration", "kept", "reading", "sensor_stay"})
MOST = 1e15
"""No number of a row is larger; an instant in milliseconds is not, before the year 33658."""
LOOKED_AT_MS = 60 * DAY_MS
"""Of what there is most of, so much is looked at, up to the newest: years of it would keep a Pi from starting for long.
Older readings that cannot be read are left out when they are."""
MOST_OF = {"reading": "observed_ms", "estimate": "at_ms", "rollup": "at_ms"}
"""The instants of the tables with the most rows."""
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
    known = {(one.table.name, one.key) for one in found}
    others = [Table(name, (), "", tuple, called, own) for name, called, own in OTHERS]
    # A snapshot is text or packed; to be read at all it was unpacked above.
    looked_at = [table for table in (*TABLES, *others) if table is not CHECKPOINTS]
    odd = [one for table in looked_at for one in _of_other_kinds(query, table)]
    return found + [one for one in odd if (one.table.name, one.key) not in known]


def _of_other_kinds(query: Callable[[str], Iterable[Row]], table: Table) -> Iterator[Broken]:
    """Yield the rows in which something stands that its column never holds: SQLite takes anything anywhere."""
    columns = list(query(f"SELECT name, type, [notnull], pk FROM pragma_table_info('{table.name}')"))  # noqa: S608
    key = tuple(name for name, _, _, pk in columns if pk)
    if not key:  # of a version that did not have it yet
        return
    wrong = []
    for name, kind, _, _ in columns:
        if kind in KINDS:
            wrong.append(f"typeof({name}) NOT IN ('null', {KINDS[kind]})")
        if kind in ("INTEGER", "REAL"):
            bounds = f"NOT BETWEEN -{MOST} AND {MOST} AND {name} != {BEGINNING_MS}"
            wrong.append(f"{name} {bounds}" if kind == "REAL" or name.endswith("_ms") else "0")
    since = ""
    if (at := MOST_OF.get(table.name)) is not None:
        newest = f"(SELECT max(observed_ms) FROM reading WHERE observed_ms < {MOST})"  # noqa: S608
        since = f"{at} > coalesce({newest}, 0) - {LOOKED_AT_MS} AND "
    names = ", ".join((*key, *(name for name, _, _, _ in columns)))
    try:
        rows = list(query(f"SELECT {names} FROM {table.name} WHERE {since}({' OR '.join(wrong)})"))  # noqa: S608
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise
        log.warning("table %s cannot be read through: %s", table.name, error)
        return  # the file itself is damaged: reading it through, beside the work, finds that, and a backup helps
    for row in rows:
        named = table._replace(key=key)
        yield Broken(named, row[: len(key)], row[len(key) :], "a value that is none of its column's kind")


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
                    (
                        *(now_ms, one.table.name, json.dumps(one.key, default=repr), one.why),
                        json.dumps(one.row, default=repr),
                    ),
                )
        for lot in store.book.lots_named():  # whatever was concluded from it, or is missing now, is made anew
            store.book.note_change(lot, -(2**62) if _concerns(broken, lot) else now_ms)
    return [one for one in broken if one.table.is_original]


def _concerns(broken: list[Broken], lot: str) -> bool:
    """Say whether a lot's conclusions may rest on a row that is gone: one of its own, or one that may be anybody's."""
    return any(
        one.table.name in OF_ANYBODY or (one.table.name in OF_A_LOT and lot in (*one.key, *one.row))
        for one in broken
    )
