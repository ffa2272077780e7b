"""Whether the store's file is sound: what a fault of SQLite means, checking it, and setting a damaged file aside.

A damaged file is never written to again and never thrown away: it is moved beside the store, where somebody may
still read from it.
"""

import os
import sqlite3
from contextlib import closing
from errno import EDQUOT, EIO, ENOSPC, EROFS
from pathlib import Path
from urllib.parse import quote

from mustwatch.cellar.instant import from_ms

_DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_MAY_PASS = frozenset(
    {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY}
)
COMPANIONS = ("", "-wal", "-shm")
"""A store's files: the database, its log, and the index of that log."""


class StoreDamagedError(Exception):
    """The store's file is damaged; the process ends, and the next start sets the file aside."""


def _primary_code(error: sqlite3.Error) -> int | None:
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF


def is_damage(error: BaseException) -> bool:
    """Say whether an error of SQLite means that the file is damaged (and not full, locked or out of reach)."""
    return isinstance(error, sqlite3.Error) and _primary_code(error) in _DAMAGE


def may_pass(error: BaseException) -> bool:
    """Say whether an error may be a card that is full, made read-only or not there: somebody can see to it."""
    if isinstance(error, sqlite3.Error):
        return _primary_code(error) in _MAY_PASS
    return isinstance(error, OSError) and error.errno in (ENOSPC, EDQUOT, EROFS, EIO)


def quick_check(path: Path) -> str | None:
    """Read the whole file and return the first fault found in its structure, or None.

    Reads through a connection of its own and writes nothing; takes as long as reading the file from the card.
    """
    try:
        with closing(sqlite3.connect(read_only(path), uri=True)) as connection:
            rows = connection.execute("PRAGMA quick_check(1)").fetchall()
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            return str(error)
        raise
    return None if rows == [("ok",)] else str(rows[0][0])


def read_only(path: Path) -> str:
    """Return a file's address for SQLite, to read it and never write; whatever its name holds."""
    return f"file:{quote(str(path))}?mode=ro"


def _mark(store_path: Path) -> Path:
    return store_path.with_name(store_path.name + ".damaged")


def mark_damaged(store_path: Path, why: str) -> None:
    """Note beside a store that its file is damaged, for the next start to see."""
    with _mark(store_path).open("w", encoding="utf-8") as mark:
        mark.write(why + "\n")
        mark.flush()
        os.fsync(mark.fileno())


def marked_damage(store_path: Path) -> str | None:
    """Return why a store was noted as damaged, or None if it was not."""
    try:
        return _mark(store_path).read_text(encoding="utf-8", errors="replace").strip() or "damaged"
    except FileNotFoundError:
        return None


def set_aside(store_path: Path, now_ms: int, word: str = "damaged") -> Path:
    """Move a store's files out of the way and return where the database file is now.

    Raises:
        OSError: they cannot be moved.
    """
    stem = f"{store_path.name}.{word}-{from_ms(now_ms):%Y%m%dT%H%M%SZ}"
    aside = store_path.with_name(stem)
    number = 1
    while aside.exists():
        number += 1
        aside = store_path.with_name(f"{stem}-{number}")
    for companion in reversed(COMPANIONS):  # the database last: while it is there, the move is not over
        source = store_path.with_name(store_path.name + companion)
        if source.exists():
            source.rename(aside.with_name(aside.name + companion))
    _mark(store_path).unlink(missing_ok=True)
    sync_folder(store_path.parent)
    return aside


def sync_folder(folder: Path) -> None:
    """Have a folder's entries on disk: a new or moved file is there after a power cut."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
