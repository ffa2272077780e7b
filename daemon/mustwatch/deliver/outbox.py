"""The outbox: what waits to be told, and the contract of the store that keeps it.

Telling is at least once. ``mark_attempt`` is on disk before a message is sent and ``mark_told`` after it was sent;
a row found with an attempt that neither ended well nor badly may have arrived, and is sent again with a line
that says so.
"""

from collections.abc import Sequence
from typing import Protocol

from mustwatch.alerting.message import Message


class OutboxRow(Protocol):
    """One message that waits to be told, and what was tried."""

    @property
    def message(self) -> Message:
        """Return what to tell."""
        ...

    @property
    def attempts(self) -> int:
        """Return how often it was tried."""
        ...

    @property
    def is_repeat_possible(self) -> bool:
        """Say whether an attempt was begun that neither ended well nor surely failed: it may have arrived."""
        ...

    @property
    def error(self) -> str | None:
        """Return why the last attempt failed, without secrets, or None."""
        ...


class OutboxStore(Protocol):
    """Where messages wait. Every method is a short transaction of its own, on disk when it returns.

    It is called from the worker's thread; the pipeline's thread puts messages in meanwhile.
    """

    def waiting(self) -> Sequence[OutboxRow]:
        """Return every row neither told nor given up, those in back-off included.

        The worker decides what is tried when: it alone knows how a target does.
        """
        ...

    def mark_attempt(self, message_id: str, at_ms: int) -> None:
        """Count an attempt and mark it unfinished. On disk before the message is sent."""
        ...

    def mark_told(self, message_id: str, at_ms: int) -> None:
        """Mark a message told, and set ``told_ms`` of its alerts where it is not set (``lifecycle.arrived``).

        Also for a row that was marked failed or expired meanwhile: an answer can come after the worker stopped
        waiting for it.
        """
        ...

    def mark_failed(
        self, message_id: str, at_ms: int, error: str, next_try_ms: int, may_have_arrived: bool = False
    ) -> None:
        """Keep why an attempt failed and when the next is due (to be shown).

        The attempt stays unfinished if it may have arrived (no answer came in time).
        """
        ...

    def mark_expired(self, message_id: str, at_ms: int) -> None:
        """Give a message up. The row is kept, to be shown as undelivered."""
        ...
