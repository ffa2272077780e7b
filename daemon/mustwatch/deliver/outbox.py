"""The outbox: what waits to be told, and the contract of the store that keeps it.

Telling is at least once. ``mark_attempt`` is on disk before a message is sent and ``mark_told`` after it was sent;
a row found with an attempt that neither ended well nor badly may have arrived, and is sent again with a line
that says so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from mustwatch.alerting.message import Message
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.watch.finding import Change, FindingKind, Severity, Subject, Transition


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


@dataclass(frozen=True, slots=True)
class Trouble:
    """A target that could not be told for longer than the bound.

    Attributes:
        since_ms: since when nothing could be delivered to it (daemon's clock).
        error: the latest reason, without secrets.
        waiting: how many messages wait for it.
    """

    since_ms: int
    error: str
    waiting: int


Troubles = Mapping[str, Trouble]
"""The targets in trouble, by name; empty: all is well."""


def trouble_transition(troubles: Troubles, now_ms: int) -> Transition:
    """Return the finding ``delivery-trouble`` as it stands: raised while any target is in trouble, else cleared.

    One finding for all targets; its evidence names them (``targets``), since when (``hours_failing``), the first
    one's ``error``, and how many messages wait (``messages_waiting``).
    """
    if not troubles:
        return Transition(FindingKind.DELIVERY_TROUBLE, Change.CLEARED, now_ms, Severity.WARNING, Subject())
    longest = min(troubles.values(), key=lambda trouble: trouble.since_ms)
    evidence: dict[str, float | int | str | None] = {
        "targets": ", ".join(sorted(troubles)),
        "hours_failing": round(max(0, now_ms - longest.since_ms) / HOUR_MS, 1),
        "error": longest.error,
        "messages_waiting": sum(trouble.waiting for trouble in troubles.values()),
    }
    return Transition(
        FindingKind.DELIVERY_TROUBLE, Change.RAISED, now_ms, Severity.WARNING, Subject(), evidence
    )
