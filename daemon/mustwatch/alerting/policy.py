"""Whether to tell a target of an alert now: a pure function that answers with a reason.

It is asked again at every batch of readings and every minute, from nothing but what was told, what holds and
the instant; so a restart changes no answer, and nothing waits in a timer that a power cut could lose.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Self

from mustwatch.alerting.alert import Alert, Held, State, Telling
from mustwatch.alerting.rules import Digest, TellRules, TellTarget
from mustwatch.watch.finding import RANK, Severity


class Reason(StrEnum):
    """Why a target is told, or is not told, at an instant."""

    # It is told now, in a message of its own:
    FIRST_TELLING = "first-telling"
    SEVERITY_ROSE = "severity-rose"
    REPEAT_DUE = "repeat-due"
    CLEARED = "cleared"
    CAME_AND_WENT = "came-and-went"
    WITHDRAWN = "withdrawn"
    FLAPPING = "flapping"
    # It is told now, together with whatever else waited:
    RELEASED = "released"
    # It waits:
    HELD_BY_QUIET_HOURS = "held-by-quiet-hours"
    HELD_FOR_DIGEST = "held-for-digest"
    OLD_BACKLOG = "old-backlog"
    HELD_WHILE_FLAPPING = "held-while-flapping"
    # There is nothing to tell:
    ALREADY_TOLD = "already-told"
    ACKNOWLEDGED = "acknowledged"
    SEVERITY_NOT_WANTED = "severity-not-wanted"
    END_NOT_WORTH_TELLING = "end-not-worth-telling"
    ENDED_WITH_ITS_LOT = "ended-with-its-lot"
    SAID_BY_FLAPPING = "said-by-flapping"
    NEVER_TOLD = "never-told"
    ITS_OWN_TROUBLE = "its-own-trouble"


NOW = frozenset(
    {
        Reason.FIRST_TELLING,
        Reason.SEVERITY_ROSE,
        Reason.REPEAT_DUE,
        Reason.CLEARED,
        Reason.CAME_AND_WENT,
        Reason.WITHDRAWN,
        Reason.FLAPPING,
        Reason.RELEASED,
    }
)
"""Reasons to tell now."""

WAITS = {
    Reason.HELD_BY_QUIET_HOURS: Held.QUIET_HOURS,
    Reason.HELD_FOR_DIGEST: Held.DIGEST,
    Reason.OLD_BACKLOG: Held.BACKLOG,
    Reason.HELD_WHILE_FLAPPING: Held.FLAPPING,
}
"""Reasons to wait, and what the alert remembers of it."""


@dataclass(frozen=True, slots=True)
class Decision:
    """Whether to tell, why, and when to ask again at the latest (daemon's clock; None: only if something changes).

    ``news`` is what would be told if nothing held it back: it chooses the words.
    """

    reason: Reason
    due_ms: int | None = None
    news: Reason | None = None

    @property
    def tells(self) -> bool:
        """Say whether a message is due now."""
        return self.reason in NOW

    @property
    def waits(self) -> bool:
        """Say whether something worth telling is held back for later."""
        return self.reason in WAITS


@dataclass(frozen=True, slots=True)
class Heard:
    """What one target heard lately about one key, over all alerts of that key: what flapping is judged by."""

    news_ms: tuple[int, ...] = ()
    flapping_ms: int | None = None
    changed_ms: int | None = None
    """When the daemon last noticed a change of it."""
    newest_id: str = ""
    """The alert of that key that opened last."""
    is_said_otherwise: bool = False
    """Another alert tells the same: that a wine is fermenting again says that it is no longer finished."""

    @classmethod
    def of(cls, target: str, same_key: Iterable[Alert]) -> Self:
        """Gather what a target heard of the alerts of one key (one at least)."""
        alerts = list(same_key)
        tellings = [alert.told(target) for alert in alerts]
        return cls(
            news_ms=tuple(sorted(ms for telling in tellings for ms in telling.news_ms)),
            flapping_ms=max((t.flapping_ms for t in tellings if t.flapping_ms is not None), default=None),
            changed_ms=max((alert.noticed_ms for alert in alerts), default=None),
            newest_id=max(alerts, key=lambda alert: (alert.opened_ms, not alert.is_over)).id,
        )


def decide(
    alert: Alert, target: TellTarget, rules: TellRules, now_ms: int, heard: Heard | None = None
) -> Decision:
    """Decide whether to tell a target of an alert at an instant of the daemon's clock.

    What it was told before stands in ``alert.told(target.name)``; ``heard`` adds the alerts of the same key
    before this one (None: there were none).
    """
    telling = alert.told(target.name)
    if heard is None:
        heard = Heard.of(target.name, [alert])
    if target.name in _not_told(alert):
        # It would arrive only when it is over; what comes late says so itself.
        return Decision(Reason.ITS_OWN_TROUBLE)
    if alert.is_over:
        wish = _wish_when_over(alert, telling, target, heard)
    else:
        wish = _wish_while_open(alert, telling, target, rules, now_ms)
    return _hold_back(wish, alert, telling, target, rules, now_ms, heard) if wish.tells else wish


def _not_told(alert: Alert) -> Sequence[str]:
    key = alert.kind.told_not_to
    return () if key is None else str(alert.evidence.get(key) or "").split(", ")


def _wish_while_open(
    alert: Alert, telling: Telling, target: TellTarget, rules: TellRules, now_ms: int
) -> Decision:
    """Return what would be told of an alert that holds, were it not for quiet hours and the like."""
    is_risen = telling.severity is not None and RANK[alert.severity] > RANK[telling.severity]
    if not any(target.wants(raised.severity, alert.kind) for raised in alert.raises):
        return Decision(Reason.SEVERITY_NOT_WANTED)
    if alert.state is State.ACKNOWLEDGED:
        return Decision(Reason.ACKNOWLEDGED)
    if telling.severity is None:
        return Decision(Reason.FIRST_TELLING)
    if is_risen:
        return Decision(Reason.SEVERITY_ROSE)
    if alert.put_off_ms is not None and (telling.told_ms or 0) < alert.put_off_ms <= now_ms:
        return Decision(Reason.REPEAT_DUE)
    repeat_after_ms = rules.repeats_after_ms(alert.severity, telling.repeats)
    if repeat_after_ms is None or telling.told_ms is None:
        return Decision(Reason.ALREADY_TOLD)
    # A reminder is of what has lasted so long, not of what comes and goes with the days.
    repeat_ms = max(telling.told_ms, alert.noticed_ms) + repeat_after_ms
    return Decision(Reason.REPEAT_DUE) if now_ms >= repeat_ms else Decision(Reason.ALREADY_TOLD, repeat_ms)


def _wish_when_over(alert: Alert, telling: Telling, target: TellTarget, heard: Heard) -> Decision:
    """Return what would be told of an alert that is over, were it not for quiet hours and the like."""
    if telling.is_end_told:
        return Decision(Reason.ALREADY_TOLD)
    if alert.ended_with_lot is not None:
        return Decision(Reason.ENDED_WITH_ITS_LOT)
    if alert.is_withdrawn:
        return Decision(Reason.NEVER_TOLD if telling.severity is None else Reason.WITHDRAWN)
    if telling.severity is None:
        if alert.acknowledged_ms is not None:
            return Decision(Reason.ACKNOWLEDGED)
        wanted = any(target.wants(raised.severity, alert.kind) for raised in alert.raises)
        return Decision(Reason.CAME_AND_WENT if wanted else Reason.SEVERITY_NOT_WANTED)
    # Somebody may be bottling what was told finished: that it no longer is must be told, notice or not.
    is_worth_it = RANK[telling.severity] >= RANK[Severity.WARNING] or alert.kind.is_end_told
    if not is_worth_it or heard.is_said_otherwise:
        return Decision(Reason.END_NOT_WORTH_TELLING)
    return Decision(Reason.CLEARED)


def _hold_back(
    wish: Decision,
    alert: Alert,
    telling: Telling,
    target: TellTarget,
    rules: TellRules,
    now_ms: int,
    heard: Heard,
) -> Decision:
    """Return the wish, or why it waits: for the end of quiet hours, for calm, for the backlog's digest."""
    news = wish.reason
    wakes = alert.severity is Severity.URGENT and not alert.is_over
    quiet = target.quiet_hours
    is_quiet = quiet is not None and quiet.covers(now_ms, rules.units.zone)
    if quiet is not None and is_quiet and not wakes:
        return Decision(Reason.HELD_BY_QUIET_HOURS, quiet.over_ms(now_ms, rules.units.zone), news)
    if target.digest is not Digest.NONE and not wakes:
        last_ms, next_ms = target.digest_ms(now_ms, rules.units.zone)
        is_gathered = last_ms >= max(alert.noticed_ms, telling.told_ms or 0)
        return (
            Decision(Reason.RELEASED, None, news)
            if is_gathered
            else Decision(Reason.HELD_FOR_DIGEST, next_ms, news)
        )
    if telling.held is Held.QUIET_HOURS and not is_quiet:
        return Decision(Reason.RELEASED, None, news)
    # A reminder is rare by itself, and a mistake taken back is put right whatever else happens.
    if news in (Reason.REPEAT_DUE, Reason.WITHDRAWN):
        return Decision(news, None, news)
    flapping = _flapping(wish, alert, telling, rules, now_ms, heard)
    if flapping is not None:
        return flapping
    if alert.noticed_ms - alert.changed_ms > rules.backlog_age_ms:
        return Decision(Reason.OLD_BACKLOG, alert.noticed_ms + rules.backlog_gather_ms, news)
    return Decision(news, None, news)


def _flapping(
    wish: Decision, alert: Alert, telling: Telling, rules: TellRules, now_ms: int, heard: Heard
) -> Decision | None:
    """Return a decision if this comes and goes too often, else None.

    After ``flap_messages`` within the window one message says so; then nothing until nothing has changed for
    a whole window. A rise to urgent gets through, once: whoever was told "urgent" has been warned.
    """
    since_ms = now_ms - rules.flap_window_ms
    is_first_urgent = wish.reason is Reason.SEVERITY_ROSE and alert.severity is Severity.URGENT
    if is_first_urgent:
        return None
    calm_ms = (heard.changed_ms or now_ms) + rules.flap_window_ms
    was_said = heard.flapping_ms is not None and heard.flapping_ms > since_ms
    if was_said or telling.held is Held.FLAPPING:
        if alert.is_over and alert.id != heard.newest_id:
            return Decision(Reason.SAID_BY_FLAPPING)
        # A clock that was set back would make this wait for years: then it is not calm, it is unknown; tell.
        is_waiting = now_ms < calm_ms <= now_ms + rules.flap_window_ms
        return Decision(Reason.HELD_WHILE_FLAPPING, calm_ms, wish.reason) if is_waiting else None
    if sum(since_ms < ms <= now_ms for ms in heard.news_ms) >= rules.flap_messages:
        return Decision(Reason.FLAPPING, None, wish.reason)
    return None
