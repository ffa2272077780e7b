"""A message: what is put into the outbox for one target."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self

from mustwatch.watch.finding import Severity


class MessageKind(StrEnum):
    """What a message is for."""

    FIRST = "first"
    """Something is so, and is told for the first time (or at a higher severity than before)."""
    REPEAT = "repeat"
    """It is still so and nobody has acknowledged it."""
    OVER = "over"
    """It is no longer so."""
    PAST = "past"
    """It was so for a while, and was over before it could be told."""
    WITHDRAWN = "withdrawn"
    """It never was so, as what was entered later shows."""
    FLAPPING = "flapping"
    """It comes and goes; the next messages about it are left out."""
    DIGEST = "digest"
    """Several of these in one."""
    REVIEW = "review"
    """The morning's review of the night."""
    TEST = "test"
    """Somebody tries whether messages arrive."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message to one target. Instants are the daemon's clock, milliseconds since the epoch.

    Attributes:
        id: a function of target, kind and what it tells, so that the same message is never put in twice
            (the outbox ignores an id it has).
        target: the ``TellTarget``'s name.
        alert_ids: the alerts it tells of; empty for a review or a test.
        severity: the highest severity among what it tells.
        title: what and where, one line.
        body: why, with numbers, and what to do next; plain text of several lines.
        created_ms: when it was put in; ``due_ms``: when it became due (the same, unless said). The outbox sends
            at once: what is for later is not put in before.
        expires_ms: after this it is given up, once the outbox has also tried in earnest.
        order: its place among the messages of one instant.
    """

    id: str
    target: str
    kind: MessageKind
    alert_ids: tuple[str, ...]
    severity: Severity
    title: str
    body: str
    created_ms: int
    due_ms: int
    expires_ms: int
    order: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        return {
            "id": self.id,
            "target": self.target,
            "kind": self.kind.value,
            "alert_ids": list(self.alert_ids),
            "severity": self.severity.value,
            "title": self.title,
            "body": self.body,
            "created_ms": self.created_ms,
            "due_ms": self.due_ms,
            "expires_ms": self.expires_ms,
            "order": self.order,
        }

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Self:
        """Return what ``to_json`` wrote.

        Raises:
            KeyError, ValueError: it is not what ``to_json`` wrote.
        """
        return cls(
            id=value["id"],
            target=value["target"],
            kind=MessageKind(value["kind"]),
            alert_ids=tuple(value["alert_ids"]),
            severity=Severity(value["severity"]),
            title=value["title"],
            body=value["body"],
            created_ms=value["created_ms"],
            due_ms=value["due_ms"],
            expires_ms=value["expires_ms"],
            order=value.get("order", 0),
        )


def message_id(target: str, kind: MessageKind, parts: Iterable[str]) -> str:
    """Return a message's id from whom it is for, what it is for and what it tells."""
    text = "\x1f".join((target, kind.value, *sorted(parts)))
    return f"{kind.value}-{hashlib.sha256(text.encode()).hexdigest()[:20]}"


def written_message(
    kind: MessageKind, target: str, title: str, body: str, now_ms: int, life_ms: int, about: str = ""
) -> Message:
    """Return a message that tells of no alert: the morning's review, or a test.

    ``about`` says which one it is (for a review, its night), so that it is put in once.
    """
    return Message(
        id=message_id(target, kind, [about or str(now_ms)]),
        target=target,
        kind=kind,
        alert_ids=(),
        severity=Severity.NOTICE,
        title=title,
        body=body,
        created_ms=now_ms,
        due_ms=now_ms,
        expires_ms=now_ms + life_ms,
    )
