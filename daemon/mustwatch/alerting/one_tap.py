"""The link in a message that acknowledges what it tells with one tap: signed, for a few days, good for one use.

Its address names the message, so that nobody who has it learns or reaches more than that message told. It is used up
without being remembered anywhere: it speaks for what the message told and nobody has acknowledged since.
"""

import hashlib
import hmac
from dataclasses import dataclass

from mustwatch.alerting.alert import Alert, State
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.cellar.instant import DAY_MS
from mustwatch.watch.finding import RANK

LIFE_MS = 2 * DAY_MS
"""What was told longer ago is better looked at than acknowledged unseen. Own choice."""
PATH = "/told/"
ENDS = frozenset({MessageKind.OVER, MessageKind.PAST, MessageKind.WITHDRAWN})
"""Messages that leave nothing to acknowledge."""


@dataclass(frozen=True, slots=True)
class OneTap:
    """Signs and reads the links of one cellar; ``secret`` is of this machine, ``base_address`` that of its pages."""

    secret: bytes
    base_address: str

    def link(self, message: Message) -> str:
        """Return the address that acknowledges what a message tells; empty if there is nothing to acknowledge."""
        if not message.alert_ids or message.kind in ENDS:
            return ""
        said = f"{message.id}.{message.created_ms + LIFE_MS}"
        return f"{self.base_address.rstrip('/')}{PATH}{said}.{self._sign(said)}"

    def message_id(self, token: str, now_ms: int) -> str | None:
        """Return which message the end of an address speaks for; None if it is not ours, or has expired."""
        said, _, signature = token.rpartition(".")
        id_, _, until = said.partition(".")
        if not hmac.compare_digest(signature.encode(), self._sign(said).encode()) or not until.isdigit():
            return None
        return id_ if now_ms < int(until) else None

    def _sign(self, said: str) -> str:
        return hmac.new(self.secret, said.encode(), hashlib.sha256).hexdigest()[:40]


def secret_of(token: str) -> bytes:
    """Return what links are signed with: made from the pages' token, so that a new one ends them all."""
    return hashlib.sha256(b"mustwatch one tap\x00" + token.encode()).digest()


def still_asks(alert: Alert, message: Message) -> bool:
    """Say whether an alert is as a message told it: nobody has acknowledged it since, and it has not got worse."""
    is_as_told = alert.recalled_ms is None or alert.recalled_ms <= message.created_ms
    return alert.state is State.OPEN and is_as_told and RANK[alert.severity] <= RANK[message.severity]
