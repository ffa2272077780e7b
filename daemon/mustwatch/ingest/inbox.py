"""Arrivals between the network thread and the pipeline: bounded, and nothing is ever dropped from it."""

import threading
from collections import deque
from collections.abc import Callable
from typing import Final

from mustwatch.ingest.arrival import Arrival

MOST_BYTES: Final = 16 * 1024 * 1024
"""Payload bytes held at once. Two thousand ordinary messages are under 1 MB; this bounds hostile ones on a machine
with 512 MB."""


class Inbox:
    """A bounded queue whose producer asks for room first: when there is none it stops reading its socket."""

    def __init__(self, most_arrivals: int, most_bytes: int = MOST_BYTES) -> None:
        """Begin empty."""
        self._most_arrivals = most_arrivals
        self._most_bytes = most_bytes
        self._arrivals: deque[Arrival] = deque()
        self._bytes = 0
        self._changed = threading.Condition()
        self._is_woken = False
        self.on_room: Callable[[], None] = lambda: None
        """Called, by the consumer's thread, when there is room again after there was none."""

    def __len__(self) -> int:
        """Return how many arrivals wait."""
        return len(self._arrivals)

    def has_room(self) -> bool:
        """Return whether another arrival may be put; one message over the byte limit is let in."""
        return len(self._arrivals) < self._most_arrivals and self._bytes < self._most_bytes

    def put(self, arrival: Arrival) -> None:
        """Add an arrival. It is kept even without room: the producer must have asked, losing it would be worse."""
        with self._changed:
            self._arrivals.append(arrival)
            self._bytes += len(arrival.payload)
            self._changed.notify()

    def wake(self) -> None:
        """End the waiting in ``receive``, or in the next one, although nothing came."""
        with self._changed:
            self._is_woken = True
            self._changed.notify()

    def receive(self, most: int, timeout_s: float) -> list[Arrival]:
        """Return up to ``most`` arrivals in their order, waiting up to ``timeout_s`` for the first."""
        with self._changed:
            if not self._arrivals and not self._is_woken:
                self._changed.wait(timeout_s)
            self._is_woken = False
            was_full = not self.has_room()
            taken = [self._arrivals.popleft() for _ in range(min(most, len(self._arrivals)))]
            self._bytes -= sum(len(arrival.payload) for arrival in taken)
        if was_full and taken:
            self.on_room()
        return taken
