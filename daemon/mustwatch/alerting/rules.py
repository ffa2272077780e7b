"""Whom to tell and by which rules: targets, quiet hours, repeats, digests. Data; the decisions are in ``policy``."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta, tzinfo
from enum import StrEnum
from typing import Literal, Self

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, from_ms, to_ms
from mustwatch.cellar.measures import Measures
from mustwatch.watch.finding import Severity

ALL_SEVERITIES = frozenset(Severity)


class TargetsNotUniqueError(ValueError):
    """Two targets have one name; says which."""


@dataclass(frozen=True, slots=True)
class QuietHours:
    """Local times of day from ``begin`` (included) to ``end`` (excluded), across midnight if ``end`` is earlier.

    Wall-clock times: on the night the clocks change, 07:00 is still when the clock on the wall says seven.
    """

    begin: time
    end: time

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``22:00-07:00``.

        Raises:
            ValueError: it is not two different times of day.
        """
        match = re.fullmatch(r"\s*(\d{1,2}:\d{2})\s*[-–]\s*(\d{1,2}:\d{2})\s*", text)
        try:
            if match is None:
                raise ValueError
            begin, end = (time.fromisoformat(part.zfill(5)) for part in match.groups())
        except ValueError:
            raise ValueError(
                f'quiet hours {text!r}: expected two local times such as "22:00-07:00"'
            ) from None
        if begin == end:
            raise ValueError(f"quiet hours {text!r}: expected two different times (leave them out for none)")
        return cls(begin, end)

    def __str__(self) -> str:
        """Return it as ``parse`` reads it."""
        return f"{self.begin:%H:%M}-{self.end:%H:%M}"

    def covers(self, at_ms: int, zone: tzinfo) -> bool:
        """Say whether it is quiet at an instant, by the clock on the wall in a zone."""
        local = from_ms(at_ms).astimezone(zone).time()
        if self.begin < self.end:
            return self.begin <= local < self.end
        return local >= self.begin or local < self.end

    def over_ms(self, at_ms: int, zone: tzinfo) -> int:
        """Return the first instant from ``at_ms`` on at which it is not quiet (``at_ms`` if it is not quiet then).

        Where the clock jumps over the end (spring), that is the instant of the jump.
        """
        if not self.covers(at_ms, zone):
            return at_ms
        today = from_ms(at_ms).astimezone(zone).date()
        candidates = sorted(
            to_ms(
                datetime.combine(today + timedelta(days=days), self.end, zone)
                .replace(fold=fold)
                .astimezone(UTC)
            )
            for days in (0, 1)
            for fold in (0, 1)
        )
        found = next(ms for ms in candidates if ms > at_ms and not self.covers(ms, zone))
        for ms in range(found - found % MINUTE_MS, max(at_ms, found - 2 * HOUR_MS), -MINUTE_MS):
            if self.covers(ms, zone):
                break
            found = ms
        return found


class Digest(StrEnum):
    """How often a target hears what is not urgent: at once, or together once a day or a week."""

    NONE = "none"
    DAILY = "daily"
    WEEKLY = "weekly"


MORNING = "morning"
"""What ``kinds`` of a target calls the morning's message."""


@dataclass(frozen=True, slots=True)
class TellTarget:
    """Somebody to tell, without the address: the core knows no secret.

    Attributes:
        name: unique and stable over restarts: what was told is remembered under it.
        severities: what it wants to hear of.
        quiet_hours: when all but ``urgent`` is held back, or None.
        kinds: the findings it wants to hear of, and ``MORNING``; None: every one.
        digest: whether all but ``urgent`` waits for one message, by the clock at ``digest_at`` (weekly: on Mondays).
    """

    name: str
    severities: frozenset[Severity] = ALL_SEVERITIES
    quiet_hours: QuietHours | None = None
    kinds: frozenset[str] | None = None
    digest: Digest = Digest.NONE
    digest_at: time = time(9)

    def wants(self, severity: Severity, kind: str) -> bool:
        """Say whether it wants to hear of a kind of finding, or of the morning, at a severity."""
        return severity in self.severities and (self.kinds is None or kind in self.kinds)

    def digest_ms(self, at_ms: int, zone: tzinfo) -> tuple[int, int]:
        """Return the last instant of its digest up to ``at_ms``, and the first after it; it has to have a digest."""
        days = 7 if self.digest is Digest.WEEKLY else 1
        today = from_ms(at_ms).astimezone(zone).date()
        monday = today - timedelta(days=today.weekday())
        first = (monday if days == 7 else today) - timedelta(days=days)
        instants = [
            to_ms(datetime.combine(first + timedelta(days=days * n), self.digest_at, zone).astimezone(UTC))
            for n in range(3)
        ]
        after = next(ms for ms in instants if ms > at_ms)
        return max(ms for ms in instants if ms <= at_ms), after


@dataclass(frozen=True, slots=True)
class Units:
    """How the cellar's people like their numbers, dates and links.

    ``base_address`` is where the pages are reached from a phone (``http://cellar.lan:8714``), or None for no link.
    """

    gravity: Literal["SG", "Bx"] = "SG"
    temperature: Literal["C", "F"] = "C"
    zone: tzinfo = UTC
    base_address: str | None = None

    @property
    def measures(self) -> Measures:
        """Return how quantities are said."""
        return Measures(self.gravity, self.temperature, self.zone)


# An urgent finding costs the wine within hours; a warning is for the next visit; a notice is said once. Each reminder
# waits twice as long as the one before it: who has not acted on three will not act on a fourth of the same day.
REPEAT_AFTER_MS: Mapping[Severity, int | None] = {
    Severity.URGENT: 4 * HOUR_MS,
    Severity.WARNING: DAY_MS,
    Severity.NOTICE: None,
}
REPEAT_MOST_MS: Mapping[Severity, int] = {Severity.URGENT: DAY_MS, Severity.WARNING: 7 * DAY_MS}


@dataclass(frozen=True, slots=True)
class TellRules:
    """The rules of telling. All spans are milliseconds of the daemon's clock.

    Attributes:
        targets: whom to tell; empty: nobody (alerts live all the same).
        units: for the wording, and the zone of quiet hours.
        repeat_after_ms: by severity, after how long an open, unacknowledged alert is told again; None: never. Each
            later time after twice as long, up to ``REPEAT_MOST_MS``.
        backlog_age_ms: what happened longer ago than this before the daemon learnt of it is told in a digest.
        backlog_gather_ms: how long nothing new of that kind must come before the digest goes out…
        backlog_gather_most_ms: …and how long it waits at most.
        flap_messages: messages of news about one thing within ``flap_window_ms`` after which one says that it
            comes and goes, and no more are sent until it has been calm for as long.
        together_from: this many messages (none urgent) due for a target at one instant go as one digest.
        keep_trying_ms: how long the outbox tries to deliver before it gives a message up.
    """

    targets: tuple[TellTarget, ...] = ()
    units: Units = field(default_factory=Units)
    repeat_after_ms: Mapping[Severity, int | None] = field(default_factory=lambda: dict(REPEAT_AFTER_MS))
    backlog_age_ms: int = 6 * HOUR_MS
    backlog_gather_ms: int = 2 * MINUTE_MS
    backlog_gather_most_ms: int = 10 * MINUTE_MS
    flap_messages: int = 4
    flap_window_ms: int = HOUR_MS
    together_from: int = 4
    keep_trying_ms: int = 7 * DAY_MS

    def repeats_after_ms(self, severity: Severity, repeats: int) -> int | None:
        """Return how long after the last message an alert is told again that was so often; None: never."""
        first_ms = self.repeat_after_ms.get(severity)
        if first_ms is None:
            return None
        return min(first_ms << min(repeats, 16), max(first_ms, REPEAT_MOST_MS.get(severity, first_ms)))

    def __post_init__(self) -> None:
        """Refuse two targets of one name: what one was told would count for the other."""
        names = [target.name for target in self.targets]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise TargetsNotUniqueError(
                f"targets' names to be unique: {', '.join(twice)} is used more than once"
            )


PUT_OFF_AT_LEAST_MS = 12 * HOUR_MS


def tomorrow_ms(now_ms: int, morning: time, zone: tzinfo) -> int:
    """Return until when "ask me tomorrow" puts off: the next morning of the cellar that is half a day away."""
    for days in (0, 1, 2):
        local = from_ms(now_ms).astimezone(zone)
        at_ms = to_ms(datetime.combine(local.date() + timedelta(days=days), morning, zone).astimezone(UTC))
        if at_ms >= now_ms + PUT_OFF_AT_LEAST_MS:
            return at_ms
    return now_ms + DAY_MS
