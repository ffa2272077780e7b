"""Delivery trouble: messages to somebody do not arrive. Found by the outbox's worker."""

from collections.abc import Mapping
from dataclasses import dataclass

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.quantities import Count, Hours
from mustwatch.watch.finding import About, Evidence, FindingKind


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


@dataclass(frozen=True, slots=True)
class Undelivered(Evidence):
    """The targets by name, for how long the first has failed and why, and how many messages wait for all."""

    targets: str
    hours_failing: Hours
    error: str
    messages_waiting: Count


KIND = FindingKind(
    "delivery-trouble",
    About.DAEMON,
    Undelivered,
    is_of_lot=False,
    runs_on="hours_failing",
    told_not_to="targets",
)


def undelivered(troubles: Troubles, now_ms: int) -> Undelivered | None:
    """Return the one finding of all targets as it stands, None where none is in trouble."""
    if not troubles:
        return None
    longest = min(troubles.values(), key=lambda trouble: trouble.since_ms)
    return Undelivered(
        targets=", ".join(sorted(troubles)),
        hours_failing=Hours(round(max(0, now_ms - longest.since_ms) / HOUR_MS, 1)),
        error=longest.error,
        messages_waiting=Count(sum(trouble.waiting for trouble in troubles.values())),
    )
