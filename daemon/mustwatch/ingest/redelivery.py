"""Telling a message the broker repeats from a new one that says the same.

A reading that carries its own time is known by it, and stored once by the store's unique key. One stamped on
arrival has no such mark: repeated, it would get another time and be stored twice. A crash after the commit and
before the acknowledgement reached the broker makes the broker repeat it.

What identifies a repeated message is its packet identifier: the sender must use the original one again, and set
the DUP flag (MQTT 3.1.1 and 5.0, sections 3.3.1.1 and 4.4, [MQTT-4.4.0-1]). Identifiers are used again for other
messages after at most 65,535, so the ledger holds those of the last few thousand messages only, each with a digest
of topic and payload; and a broker that has forgotten the session begins them anew, so the ledger is then emptied.

Two equal payloads in a row (20.1 °C and again 20.1 °C) differ in their identifiers, so neither is dropped for the
other. Without the DUP flag nothing is ever dropped: to store twice is the lesser fault. It can happen when a broker
is killed and comes back from an older save (tried with mosquitto 2.0.11): what was under way at the save is sent
again with DUP, but what only waited for us then is sent again as if it were new, though we have acknowledged it
since. Only a time in the payload helps there.
"""

from collections.abc import Iterable
from hashlib import blake2b
from typing import Final, NamedTuple

from mustwatch.ingest.arrival import Arrival

CAPACITY: Final = 4096
"""Messages remembered. The broker can repeat only what it has not seen acknowledged: at most as many as may be in
flight, which the source limits to 2,000 under MQTT 5 and common brokers to 20 under 3.1.1."""


class LedgerRow(NamedTuple):
    """One remembered message, as stored: ``slot`` is the key, so the table never has more rows than slots."""

    slot: int
    sequence: int
    packet_id: int
    digest: bytes


class LedgerChange(NamedTuple):
    """What a transaction must write: first remove every row if ``emptied``, then replace ``rows`` by slot."""

    emptied: bool
    rows: tuple[LedgerRow, ...]


Key = tuple[int, bytes]


class RedeliveryLedger:
    """The messages lately stored that have no identity but the broker's. Pure; the pipeline stores its changes.

    Within a transaction: ``is_repeated`` and ``remember`` for each arrival, ``change`` for what to write; then
    ``committed``, or ``rolled_back`` if the transaction failed and its arrivals will be taken again.
    """

    def __init__(self, rows: Iterable[LedgerRow] = (), capacity: int = CAPACITY) -> None:
        """Begin with what was stored, in any order."""
        self._capacity = capacity
        kept = sorted(rows, key=lambda row: row.sequence)[-capacity:]
        self._rows = {row.sequence: row for row in kept}
        self._sequences: dict[Key, int] = {(row.packet_id, row.digest): row.sequence for row in kept}
        self._next = kept[-1].sequence + 1 if kept else 0
        self._generation = 0
        self._staged: dict[Key, int] = {}
        self._emptied = False
        self._generation_before = 0

    def is_repeated(self, arrival: Arrival) -> bool:
        """Return whether an arrival repeats a message that is stored, or is about to be in this transaction."""
        token = arrival.token
        if token is None:
            return False
        self._enter_connection(token.generation, token.resumed)
        if not arrival.is_duplicate:
            return False
        key = (token.packet_id, digest(arrival))
        return key in self._staged or (not self._emptied and key in self._sequences)

    def remember(self, arrival: Arrival) -> None:
        """Note that what an arrival says is stored in this transaction."""
        if arrival.token is not None:
            key = (arrival.token.packet_id, digest(arrival))
            self._staged.pop(key, None)
            self._staged[key] = self._next + len(self._staged)

    def change(self) -> LedgerChange:
        """Return what this transaction must write for the ledger to survive."""
        newest = list(self._staged)[-self._capacity :]
        first = self._next + len(self._staged) - len(newest)
        rows = (
            LedgerRow(sequence % self._capacity, sequence, *key)
            for sequence, key in enumerate(newest, start=first)
        )
        return LedgerChange(self._emptied, tuple(rows))

    def committed(self) -> None:
        """Take over what this transaction wrote."""
        change = self.change()
        if change.emptied:
            self._rows.clear()
            self._sequences.clear()
        for row in change.rows:
            self._forget(row.sequence - self._capacity)
            self._rows[row.sequence] = row
            self._sequences[row.packet_id, row.digest] = row.sequence
        self._next += len(self._staged)
        self._end_transaction()

    def rolled_back(self) -> None:
        """Forget what this transaction would have written."""
        self._generation = self._generation_before
        self._end_transaction()

    def snapshot(self) -> tuple[LedgerRow, ...]:
        """Return everything committed, oldest first; a ledger made from it is equal to this one."""
        return tuple(self._rows.values())

    def _enter_connection(self, generation: int, resumed: bool) -> None:
        if generation != self._generation:
            self._generation = generation
            if not resumed:
                self._emptied = True
                self._staged.clear()

    def _forget(self, sequence: int) -> None:
        row = self._rows.pop(sequence, None)
        if row is not None and self._sequences.get((row.packet_id, row.digest)) == sequence:
            del self._sequences[row.packet_id, row.digest]

    def _end_transaction(self) -> None:
        self._staged.clear()
        self._emptied = False
        self._generation_before = self._generation


def digest(arrival: Arrival) -> bytes:
    """Return eight bytes that tell messages with the same packet identifier apart."""
    topic = arrival.topic.encode("utf-8", "surrogatepass")
    size = arrival.payload_bytes.to_bytes(8, "big")
    return blake2b(len(topic).to_bytes(4, "big") + topic + size + arrival.payload, digest_size=8).digest()
