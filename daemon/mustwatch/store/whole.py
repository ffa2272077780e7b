"""Rows as a worn card gives them back: each is read for itself, and one that is not what was written is left out.

What cannot be made anew (the book, calibrations, alerts, messages) carries a checksum, so that a flipped bit is seen
even where the row still makes sense. Rows of versions before carry none, and are believed if they can be read.
"""

import json
import logging
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator
from typing import Any, NamedTuple, TypeVar

log = logging.getLogger(__name__)

T = TypeVar("T")
Row = tuple[Any, ...]

UNREADABLE = (
    *(ValueError, TypeError, LookupError, AttributeError, OverflowError, ArithmeticError, RecursionError),
    zlib.error,
)
"""What a row that is not as it was written may raise on the way to what it meant."""


class Table(NamedTuple):
    """How a table's rows are found and read, one by one.

    Attributes:
        name: of the table; ``key``: its key's columns; ``columns``: what ``make`` is given, in its order.
        make: what a row means; raises one of ``UNREADABLE``.
        called: what a row is, in a word or two.
        is_original: it cannot be made anew from other rows.
    """

    name: str
    key: tuple[str, ...]
    columns: str
    make: Callable[[Row], object]
    called: str
    is_original: bool = True


class AlteredError(ValueError):
    """A row is not what was written: its checksum is another."""


def checksum(*values: object) -> int:
    """Return the checksum of a row's values: CRC-32 of them as JSON."""
    return zlib.crc32(json.dumps(values, ensure_ascii=True).encode())


def verified(kept: int | None, *values: object) -> None:
    """Compare a row with its checksum, if it has one.

    Raises:
        AlteredError: they do not fit.
    """
    if kept is not None and kept != checksum(*values):
        raise AlteredError("not what was written: its checksum is another")


def readable(what: str, rows: Iterable[Row], make: Callable[[Row], T]) -> Iterator[T]:
    """Yield what rows mean; one that cannot be read is left out, and logged with its first column."""
    for row in rows:
        try:
            yield make(row)
        except UNREADABLE as error:
            log.warning("left out what cannot be read: %s %s: %s", what, str(row[0])[:60], error)


def number(kept: str | None) -> int | None:
    """Return a number that was kept as text, or None: there is none, or it cannot be read as one."""
    try:
        return None if kept is None else int(kept)
    except ValueError:
        return None


def as_text(raw: bytes) -> str:
    """Return a text of the file; bytes that are none are marked, where SQLite's own way refuses the whole answer."""
    return raw.decode("utf-8", "replace")


def add_checksums(connection: sqlite3.Connection) -> None:
    """Migrate: a checksum for each row that cannot be made anew, and a place for those that turn out unreadable."""
    for table in ("entry", "calibration", "alert", "outbox"):
        connection.execute(f"ALTER TABLE {table} ADD COLUMN crc INTEGER")
    connection.execute(
        "CREATE TABLE set_aside (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, what TEXT NOT NULL,"
        " place TEXT NOT NULL, why TEXT NOT NULL, body TEXT NOT NULL)"
    )
