"""Which lots are to be evaluated again, and how far each has come: after a stop or a power cut it goes on there."""

import json
from typing import NamedTuple

from mustwatch.store.database import Database
from mustwatch.store.whole import Row, readable

PREFIX = "revise:"


class Due(NamedTuple):
    """What of a lot is to be evaluated again.

    Attributes:
        lot: which.
        from_ms: from this instant on, in a pass that has not begun; None: nothing beside the pass under way.
        since_ms: where the pass under way began; what was concluded up to then stands. None: none is under way.
        done_ms: up to this instant the pass under way has concluded, and has written it.
    """

    lot: str
    from_ms: int | None
    since_ms: int | None = None
    done_ms: int | None = None

    @property
    def reached_ms(self) -> int:
        """Return up to when what is concluded of the lot holds."""
        return min(at_ms for at_ms in (self.from_ms, self.done_ms) if at_ms is not None)


class Revising:
    """Rows of the table ``kept``, one for each lot."""

    def __init__(self, database: Database) -> None:
        """Use a database."""
        self._db = database

    def all(self) -> list[Due]:
        """Return what is to be evaluated again, by lot."""
        rows = self._db.query(
            "SELECT name, value FROM kept WHERE name >= ? AND name < ? ORDER BY name",
            (PREFIX, PREFIX[:-1] + chr(ord(PREFIX[-1]) + 1)),
        )
        return list(readable("state", rows, due_of))

    def keep(self, due: Due) -> None:
        """Write what of a lot is to be evaluated again; nothing, if neither a pass is under way nor one is to begin."""
        if due.from_ms is None and due.since_ms is None:
            self._db.execute("DELETE FROM kept WHERE name=?", (PREFIX + due.lot,))
        else:
            self._db.execute(
                "INSERT OR REPLACE INTO kept (name, value) VALUES (?, ?)",
                (PREFIX + due.lot, json.dumps(due[1:])),
            )


def due_of(row: Row) -> Due:
    """Return what is due from its row.

    Raises:
        one of UNREADABLE: it is not what was written.
    """
    name, value = row
    from_ms, since_ms, done_ms = (None if one is None else int(one) for one in json.loads(value))
    return Due(name.removeprefix(PREFIX), from_ms, since_ms, done_ms)
