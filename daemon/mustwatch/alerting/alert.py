"""An alert: a finding that somebody is told about, from opening to clearing, and what each target has heard of it.

Two clocks meet here. ``opened_ms``, ``cleared_ms`` and the instants in ``raises`` are event time: when it was
so in the wine. ``noticed_ms``, ``acknowledged_ms``, ``told_ms`` and everything in a ``Telling`` are the daemon's
clock: when it was concluded, seen and said.
"""

import base64
import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Self

from mustwatch.cellar.instant import HOUR_MS, iso
from mustwatch.watch.finding import About, Figures, FindingKind, Severity, Subject, kind_named

LOT_ENDED = "lot_ended"
"""In the evidence of the end: how the lot ended (``bottled``), and this with it."""

MAX_RAISES = 32
"""Changes of severity kept per alert; the first and the latest ones stay. Detectors have hysteresis: a finding
that changed severity more often than this has no history worth more bytes."""

ID_BYTES = 5
"""40 bits behind the kind: short enough to type after ``alerts --ack``, and clashes within a kind are improbable
(one in twenty thousand for ten thousand alerts of one kind); a clash among known alerts is resolved besides."""

Key = tuple[str, str]
"""What an alert is the one open alert of: its kind, and ``lot:…``, ``vessel:…``, ``sensor:…`` or ``daemon``."""


def key_of(kind: FindingKind, subject: Subject) -> Key:
    """Return the identity of a finding: at most one alert is open per key."""
    if kind.about is About.GEAR and subject.sensor is not None:
        return kind.name, f"sensor:{subject.sensor}"
    if subject.lot is not None:
        return kind.name, f"lot:{subject.lot}"
    if subject.sensor is not None:
        return kind.name, f"sensor:{subject.sensor}"
    if subject.vessel is not None:
        return kind.name, f"vessel:{subject.vessel}"
    return kind.name, "daemon"


def alert_id(key: Key, opened_ms: int, taken: Collection[str] = ()) -> str:
    """Return the id of the alert that opens for a key at an instant: always the same one, unless it is taken.

    Being a function of what happened, it makes a replay find the alert it made before instead of a second one.
    """
    salt = 0
    while True:
        text = "\x1f".join((*key, str(opened_ms), *([str(salt)] if salt else ())))
        digest = hashlib.sha256(text.encode()).digest()[:ID_BYTES]
        made = f"{key[0]}-{base64.b32encode(digest).decode().lower()}"
        if made not in taken:
            return made
        salt += 1


class State(StrEnum):
    """Where an alert is in its life; the table of moves is ``lifecycle.TABLE``."""

    OPEN = "open"
    ACKNOWLEDGED = "acknowledged"
    CLEARED = "cleared"
    WITHDRAWN = "withdrawn"


class Held(StrEnum):
    """Why something worth telling waits for a target."""

    QUIET_HOURS = "quiet-hours"
    BACKLOG = "backlog"
    FLAPPING = "flapping"
    DIGEST = "digest"


@dataclass(frozen=True, slots=True)
class Raise:
    """The finding held from an instant (event time) at a severity, with the evidence of then."""

    at_ms: int
    severity: Severity
    evidence: Figures = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Telling:
    """What one target has heard of an alert. ``…_ms`` are the daemon's clock.

    "Told" in a telling means: put into the outbox, which forgets nothing; it is what stops a second message.

    Attributes:
        severity: the highest severity told since the alert opened (or was reinstated); None: nothing told.
        told_ms: when the latest message was put into the outbox.
        times: how many messages there were; it numbers them, so that each has an identity of its own.
        is_end_told: the end (over, or withdrawn) was told.
        held: why something waits, or None.
        news_ms: instants of the messages that were news (not repeats), newest last; flapping is counted on them.
        flapping_ms: when the target was told that this comes and goes.
        repeats: how often it was reminded since the last news.
    """

    severity: Severity | None = None
    told_ms: int | None = None
    times: int = 0
    is_end_told: bool = False
    held: Held | None = None
    news_ms: tuple[int, ...] = ()
    flapping_ms: int | None = None
    repeats: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        return {
            "severity": self.severity,
            "told_ms": self.told_ms,
            "times": self.times,
            "is_end_told": self.is_end_told,
            "held": self.held,
            "news_ms": list(self.news_ms),
            "flapping_ms": self.flapping_ms,
            "repeats": self.repeats,
        }

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Self:
        """Return what ``to_json`` wrote."""
        return cls(
            severity=None if value["severity"] is None else Severity(value["severity"]),
            told_ms=value["told_ms"],
            times=value["times"],
            is_end_told=value["is_end_told"],
            held=None if value["held"] is None else Held(value["held"]),
            news_ms=tuple(value["news_ms"]),
            flapping_ms=value["flapping_ms"],
            repeats=value.get("repeats", 0),
        )


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert. Never changed: every step returns a new value.

    Attributes:
        id: stable and short, see ``alert_id``.
        subject: lot, vessel and sensor as the latest raise named them.
        raises: how it was raised and changed severity, oldest first; never empty.
        noticed_ms: when the daemon concluded its latest change.
        newest: the figures of the finding as last known while it held, worst so far among them; ``newest_ms``: as of
            when (event time). Empty and None where nothing is known but what the latest raise said.
        cleared_ms: since when it no longer holds (event time), with the evidence of then; None while it holds.
        acknowledged_ms: when somebody said they know.
        put_off_ms: until when they put it off; then it is told again, and open. None: they did not.
        recalled_ms: when it was last asked about again: put off until then, or its acknowledging undone.
        is_withdrawn: what was entered later showed that it never held; ``cleared_ms`` is then set too.
        told_ms: when a message about it first arrived anywhere; the outbox's doing, not the policy's.
        summary: one plain line for lists, in the cellar's units.
        tellings: what each target heard, by the target's name.
        is_filed: over, and nothing about it remains to be told: kept for the record only.
    """

    id: str
    kind: FindingKind
    subject: Subject
    raises: tuple[Raise, ...]
    noticed_ms: int
    newest: Figures = field(default_factory=dict)
    newest_ms: int | None = None
    cleared_ms: int | None = None
    cleared_evidence: Figures = field(default_factory=dict)
    acknowledged_ms: int | None = None
    put_off_ms: int | None = None
    recalled_ms: int | None = None
    is_withdrawn: bool = False
    told_ms: int | None = None
    summary: str = ""
    tellings: Mapping[str, Telling] = field(default_factory=dict)
    is_filed: bool = False

    @property
    def key(self) -> Key:
        """Return its identity: at most one alert is open per key."""
        return key_of(self.kind, self.subject)

    @property
    def severity(self) -> Severity:
        """Return the severity at which it holds, or last held."""
        return self.raises[-1].severity

    @property
    def evidence(self) -> Figures:
        """Return the evidence of the latest raise: what it was then."""
        return self.raises[-1].evidence

    @property
    def as_of_ms(self) -> int:
        """Return of which instant ``figures`` are, event time."""
        raised_ms = self.raises[-1].at_ms
        return raised_ms if self.newest_ms is None or self.newest_ms < raised_ms else self.newest_ms

    def figures(self, now_ms: int | None = None) -> Figures:
        """Return the figures of the finding as last known: newest values, durations since it began, worst so far.

        Durations that run by the wall clock (a silence) run until ``now_ms`` where that is given.
        """
        found = self.evidence if self.as_of_ms == self.raises[-1].at_ms else self.newest
        key = self.kind.runs_on
        begun = None if key is None else self.evidence.get(key)
        if key is None or now_ms is None or self.is_over or not isinstance(begun, int | float):
            return found
        hours = max(0, now_ms - self.raises[-1].at_ms) / HOUR_MS
        return {**found, key: round(begun + hours, 2)}

    @property
    def opened_ms(self) -> int:
        """Return since when it holds, event time."""
        return self.raises[0].at_ms

    @property
    def changed_ms(self) -> int:
        """Return the instant of its latest change, event time."""
        return self.cleared_ms if self.cleared_ms is not None else self.raises[-1].at_ms

    @property
    def is_over(self) -> bool:
        """Say whether it no longer holds (or never did)."""
        return self.cleared_ms is not None

    @property
    def ended_with_lot(self) -> str | None:
        """Return how the lot ended (``bottled``) if this ended with it: no news, and nothing to do; else None."""
        how = self.cleared_evidence.get(LOT_ENDED)
        return how if isinstance(how, str) else None

    @property
    def state(self) -> State:
        """Return where it is in its life."""
        if self.is_withdrawn:
            return State.WITHDRAWN
        if self.is_over:
            return State.CLEARED
        return State.OPEN if self.acknowledged_ms is None else State.ACKNOWLEDGED

    @property
    def times_told(self) -> int:
        """Return how many messages all targets together were given about it."""
        return sum(telling.times for telling in self.tellings.values())

    def told(self, target: str) -> Telling:
        """Return what a target has heard; an empty telling for one that heard nothing."""
        return self.tellings.get(target, _NOTHING_TOLD)

    def public(self, now_ms: int | None = None) -> dict[str, Any]:
        """Return it as ``mustwatch alerts --json`` and the pages' API show it; instants are ISO 8601, UTC.

        ``evidence`` is what the latest raise said; ``now`` what is known now (or was last, once it is over).
        """
        return {
            "id": self.id,
            "kind": self.kind.name,
            "severity": self.severity.value,
            "state": self.state.value,
            "lot": self.subject.lot,
            "vessel": self.subject.vessel,
            "sensor": self.subject.sensor,
            "opened_at": iso(self.opened_ms),
            "cleared_at": iso(self.cleared_ms),
            "acknowledged_at": iso(self.acknowledged_ms),
            "put_off_until": iso(self.put_off_ms if self.state is State.ACKNOWLEDGED else None),
            "told_at": iso(self.told_ms),
            "withdrawn": self.is_withdrawn,
            "ended_with_lot": self.ended_with_lot,
            "times_told": self.times_told,
            "summary": self.summary,
            "evidence": dict(self.evidence),
            "now": dict(self.figures(now_ms)),
            "now_at": iso(self.as_of_ms),
        }

    def to_json(self) -> dict[str, Any]:
        """Return the whole alert as plain JSON values, for the store; ``from_json`` reads it back equal."""
        return {
            "id": self.id,
            "kind": self.kind.name,
            "lot": self.subject.lot,
            "vessel": self.subject.vessel,
            "sensor": self.subject.sensor,
            "raises": [[r.at_ms, r.severity.value, dict(r.evidence)] for r in self.raises],
            "noticed_ms": self.noticed_ms,
            "newest": dict(self.newest),
            "newest_ms": self.newest_ms,
            "cleared_ms": self.cleared_ms,
            "cleared_evidence": dict(self.cleared_evidence),
            "acknowledged_ms": self.acknowledged_ms,
            "put_off_ms": self.put_off_ms,
            "recalled_ms": self.recalled_ms,
            "is_withdrawn": self.is_withdrawn,
            "told_ms": self.told_ms,
            "summary": self.summary,
            "tellings": {name: telling.to_json() for name, telling in self.tellings.items()},
            "is_filed": self.is_filed,
        }

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Self:
        """Return the alert that ``to_json`` wrote.

        Raises:
            KeyError, ValueError: it is not what ``to_json`` wrote.
        """
        return cls(
            id=value["id"],
            kind=kind_named(value["kind"]),
            subject=Subject(value["lot"], value["vessel"], value["sensor"]),
            raises=tuple(
                Raise(at, Severity(severity), evidence) for at, severity, evidence in value["raises"]
            ),
            noticed_ms=value["noticed_ms"],
            newest=value.get("newest", {}),
            newest_ms=value.get("newest_ms"),
            cleared_ms=value["cleared_ms"],
            cleared_evidence=value["cleared_evidence"],
            acknowledged_ms=value["acknowledged_ms"],
            put_off_ms=value.get("put_off_ms"),
            recalled_ms=value.get("recalled_ms"),
            is_withdrawn=value["is_withdrawn"],
            told_ms=value["told_ms"],
            summary=value["summary"],
            tellings={name: Telling.from_json(telling) for name, telling in value["tellings"].items()},
            is_filed=value["is_filed"],
        )


_NOTHING_TOLD = Telling()
