"""The ledger of messages the broker may repeat, on disk. What its columns mean is the ingest's affair."""

from collections.abc import Sequence
from typing import Protocol

from mustwatch.store.database import Database


class Row(Protocol):
    """A row of the ledger."""

    @property
    def slot(self) -> int: ...
    @property
    def sequence(self) -> int: ...
    @property
    def packet_id(self) -> int: ...
    @property
    def digest(self) -> bytes: ...


class Redelivery:
    """The ledger's table: never more rows than slots."""

    def __init__(self, database: Database) -> None:
        """Use a database."""
        self._db = database

    def rows(self) -> list[tuple[int, int, int, bytes]]:
        """Return every row (slot, sequence, packet id, digest)."""
        return [
            (int(r[0]), int(r[1]), int(r[2]), bytes(r[3]))
            for r in self._db.query("SELECT slot, sequence, packet_id, digest FROM redelivery")
        ]

    def apply(self, *, emptied: bool, rows: Sequence[Row]) -> None:
        """Write a transaction's changes: first remove every row if emptied, then replace by slot."""
        if emptied:
            self._db.execute("DELETE FROM redelivery")
        self._db.executemany(
            "INSERT OR REPLACE INTO redelivery (slot, sequence, packet_id, digest) VALUES (?, ?, ?, ?)",
            [(r.slot, r.sequence, r.packet_id, r.digest) for r in rows],
        )
