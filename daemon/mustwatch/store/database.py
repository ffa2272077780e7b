"""One SQLite file: one writing connection behind a lock, a few reading ones, short transactions.

Write-ahead log, ``synchronous=FULL``: when a commit returns, it is on the card, and only then is a message
acknowledged to the broker. Readers fetch everything and let go, so that they never hold the log back.
"""

import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from queue import LifoQueue
from typing import Any

from mustwatch.store.schema import migrate
from mustwatch.store.whole import as_text

BUSY_TIMEOUT_S = 15.0
"""How long to wait for another process's transaction (a command typed while the daemon commits)."""
READERS = 3
"""Reading connections kept open: pages, checks and commands at once; more would only cost memory."""
WAL_LIMIT_BYTES = 8 * 1024 * 1024
"""The log file is cut back to this after a checkpoint."""
WRITER_CACHE_KIB, READER_CACHE_KIB = 2048, 512
"""SQLite's page cache per connection; a Pi has little memory, the hot pages are few, and the system caches the file."""
LOG_PAGES, HURRIED_LOG_PAGES = 1_000, 4_000
"""Pages of 4 KiB in the log at which it is moved into the file: the usual number, and that of a replay, which
writes the same pages again and again."""

BREATH_S = 0.005
"""A lock that is given back and taken again at once is never seen free by a thread that waits for it."""


_NEVER = threading.Event()


@contextmanager
def _closed_if_it_fails(connection: sqlite3.Connection) -> Iterator[None]:
    """Close a connection that cannot be made ready: the file is set aside or looked at next."""
    try:
        yield
    except BaseException:
        connection.close()
        raise


class Database:
    """A SQLite file opened for reading and writing by this process.

    Raises on opening:
        sqlite3.DatabaseError: the file is not a database or is damaged.
        store.schema.SchemaTooNewError: it was written by a newer version.
    """

    def __init__(self, path: Path, now_ms: int) -> None:
        """Open (and create or migrate) the file."""
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        self._lock = threading.RLock()
        self._depth = 0
        self._held: tuple[str, float] | None = None
        self.longest_held_s = 0.0
        """How long a transaction held the lock at most, since the start."""
        self._is_closed = False
        self._writer = self._connect(WRITER_CACHE_KIB)
        self._readers: LifoQueue[sqlite3.Connection | None] = LifoQueue()
        for _ in range(READERS):
            self._readers.put(None)
        with _closed_if_it_fails(self._writer):
            self._writer.execute("PRAGMA journal_mode=WAL")
            self.applied = migrate(self._writer, now_ms)

    def _connect(self, cache_kib: int) -> sqlite3.Connection:
        connection = sqlite3.connect(
            self.path, timeout=BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )
        with _closed_if_it_fails(connection):
            connection.text_factory = as_text
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute(f"PRAGMA cache_size=-{cache_kib}")
            connection.execute(f"PRAGMA journal_size_limit={WAL_LIMIT_BYTES}")
            connection.execute("PRAGMA temp_store=MEMORY")
        return connection

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Hold the write lock for a block: committed at its end, rolled back if it raises. Nests."""
        with self._lock:
            outermost = self._depth == 0
            if outermost:
                self._writer.execute("BEGIN IMMEDIATE")
                self._held = threading.current_thread().name, time.monotonic()
            self._depth += 1
            try:
                yield
                if outermost:
                    self._writer.execute("COMMIT")
            except BaseException:
                if outermost and self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                raise
            finally:
                self._depth -= 1
                if outermost:
                    self.longest_held_s = max(self.longest_held_s, self.held()[1])
                    self._held = None

    def held(self) -> tuple[str, float]:
        """Return which thread has a transaction open ("": none), and for how many seconds; waits for nothing."""
        held = self._held
        return ("", 0.0) if held is None else (held[0], time.monotonic() - held[1])

    @contextmanager
    def hurried(self) -> Iterator[None]:
        """Write a block's transactions without waiting for the card at each; at its end all of them are on it.

        For what can be done again, as a replay: a power cut meanwhile loses the newest transactions, whole ones, and
        damages nothing.
        """
        self._pragmas("synchronous=NORMAL", f"wal_autocheckpoint={HURRIED_LOG_PAGES}")
        try:
            yield
        finally:
            self._pragmas("synchronous=FULL", f"wal_autocheckpoint={LOG_PAGES}", "wal_checkpoint(TRUNCATE)")

    def _pragmas(self, *pragmas: str) -> None:
        with self._lock:
            for pragma in pragmas:
                self._writer.execute(f"PRAGMA {pragma}").fetchall()

    def execute(self, sql: str, parameters: Sequence[Any] = ()) -> int:
        """Run one writing statement in the open transaction, else its own; return the rows changed."""
        with self.transaction():
            return self._writer.execute(sql, parameters).rowcount

    def executemany(self, sql: str, rows: Sequence[Sequence[Any]]) -> int:
        """Run one writing statement for many rows and return how many rows it changed."""
        if not rows:
            return 0
        with self.transaction():
            return self._writer.executemany(sql, rows).rowcount

    def query(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Return all rows of a query. Inside this thread's transaction it sees what that has written."""
        if self._depth and self._lock.acquire(blocking=False):
            try:
                if self._depth:
                    return self._writer.execute(sql, parameters).fetchall()
            finally:
                self._lock.release()
        connection = self._readers.get()
        try:
            connection = connection or self._connect(READER_CACHE_KIB)
            return connection.execute(sql, parameters).fetchall()
        finally:
            self._readers.put(connection)

    @staticmethod
    def breathe() -> None:
        """Let others have the write lock: a long job calls this between its short transactions."""
        _NEVER.wait(BREATH_S)

    def tidy_log(self) -> None:
        """Move the log into the file and cut it back to nothing, if nobody is reading just now; never waits for one."""
        with self._lock:
            self._writer.execute("PRAGMA busy_timeout=0")
            try:
                self._writer.execute("PRAGMA wal_checkpoint(PASSIVE)")
                self._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                self._writer.execute(f"PRAGMA busy_timeout={round(BUSY_TIMEOUT_S * 1000)}")

    def log_bytes(self) -> int:
        """Return how long the write-ahead log is."""
        wal = self.path.with_name(self.path.name + "-wal")
        return wal.stat().st_size if wal.exists() else 0

    def close(self) -> None:
        """Close every connection; a second time changes nothing."""
        if self._is_closed:
            return
        self._is_closed = True
        for _ in range(READERS):
            connection = self._readers.get()
            if connection is not None:
                connection.close()
        with self._lock:
            self._writer.close()
