"""The whole store: one database and the tables' keepers."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mustwatch.store.alerts import Alerts
from mustwatch.store.book import Book
from mustwatch.store.database import Database
from mustwatch.store.outbox import Outbox
from mustwatch.store.readings import Readings
from mustwatch.store.redelivery import Redelivery
from mustwatch.store.revising import Revising
from mustwatch.store.watching import Watching


class Store:
    """A cellar's memory in one SQLite file.

    Raises on opening:
        sqlite3.DatabaseError: the file is not a database, or is damaged.
        store.schema.SchemaTooNewError: it was written by a newer mustwatch.
    """

    def __init__(self, path: Path, now_ms: int) -> None:
        """Open (create, migrate) the file."""
        self.database = Database(path, now_ms)
        self.readings = Readings(self.database)
        self.book = Book(self.database)
        self.watching = Watching(self.database)
        self.alerts = Alerts(self.database)
        self.outbox = Outbox(self.database)
        self.redelivery = Redelivery(self.database)
        self.revising = Revising(self.database)

    @property
    def path(self) -> Path:
        """Return where the file is."""
        return self.database.path

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Hold one write transaction for a block; all of it is written, or nothing."""
        try:
            with self.database.transaction():
                yield
        except BaseException:
            self.readings.forget_keys()
            raise

    def close(self) -> None:
        """Close the file."""
        self.database.close()
