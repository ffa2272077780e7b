"""The step from what the watch concluded to alerts and messages. Pure: old alerts in, new alerts and messages out.

The caller hands in the alerts that are not filed, as they stand in the transaction in which it will write the
result: the changed alerts (by id, replacing) and the messages (ignoring an id that is there already).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from mustwatch.alerting import lifecycle, wording
from mustwatch.alerting.alert import Alert, Key, Raise, alert_id, key_of
from mustwatch.alerting.message import Message
from mustwatch.alerting.newest import Newest, brought_up_to_date
from mustwatch.alerting.rules import TellRules, Units
from mustwatch.alerting.telling import tell
from mustwatch.watch.finding import Change, Transition

NOTHING_NEW: Mapping[Key, Newest] = {}


@dataclass(frozen=True, slots=True)
class Step:
    """What a step brought.

    Attributes:
        changed: alerts that are new or differ from before, whole; to be stored by id.
        messages: to be put into the outbox, in this order.
        next_due_ms: when to call ``due`` at the latest (daemon's clock), or None: only when something changes.
    """

    changed: tuple[Alert, ...] = ()
    messages: tuple[Message, ...] = ()
    next_due_ms: int | None = None


def step(
    alerts: Iterable[Alert],
    transitions: Sequence[Transition],
    now_ms: int,
    rules: TellRules,
    newest: Mapping[Key, Newest] = NOTHING_NEW,
) -> Step:
    """Take transitions, in order of event time, and tell what there is to tell.

    A transition that was taken before changes nothing.

    Args:
        alerts: those not filed.
        transitions: what the watch concluded, oldest first.
        now_ms: the daemon's clock.
        rules: whom to tell, and how.
        newest: what is known now of findings that hold; what is told speaks of that.
    """
    before = {alert.id: alert for alert in alerts}
    now = dict(before)
    for transition in transitions:
        changed = take(now.values(), transition, now_ms, rules.units)
        if changed is not None:
            now[changed.id] = changed
    return finish(before, now, now_ms, rules, newest)


def due(alerts: Iterable[Alert], now_ms: int, rules: TellRules) -> Step:
    """Tell what has become due by the clock alone: repeats, what quiet hours held, digests; file what is done."""
    return step(alerts, (), now_ms, rules)


def finish(
    before: dict[str, Alert],
    now: dict[str, Alert],
    now_ms: int,
    rules: TellRules,
    newest: Mapping[Key, Newest] = NOTHING_NEW,
) -> Step:
    """Tell what there is to tell of the alerts as they are now, and return all that differs from before."""
    now |= {alert.id: alert for alert in brought_up_to_date(list(now.values()), newest, rules.units)}
    told = tell((alert for alert in now.values() if not alert.is_filed), now_ms, rules)
    now = now | {alert.id: alert for alert in told.changed}
    changed = tuple(alert for id_, alert in now.items() if alert != before.get(id_))
    return Step(changed, told.messages, told.next_due_ms)


def take(alerts: Iterable[Alert], transition: Transition, now_ms: int, units: Units) -> Alert | None:
    """Return the alert that a transition opens or changes, or None if it says nothing new."""
    alerts = list(alerts)
    key = key_of(transition.kind, transition.subject)
    same_key = [alert for alert in alerts if alert.key == key and not alert.is_withdrawn]
    open_ = next((alert for alert in same_key if not alert.is_over), None)
    over = [alert for alert in same_key if alert.is_over]
    if transition.change is Change.CLEARED:
        changed = None if open_ is None else _clear(open_, over, transition, now_ms)
    elif open_ is not None:
        changed = _raise(open_, transition, now_ms)
    elif any(was.at_ms == transition.at_ms for alert in over for was in alert.raises):
        changed = None
    else:
        changed = opened(key, transition, now_ms, {alert.id for alert in alerts})
    return None if changed is None else replace(changed, summary=wording.summary(changed, units))


def opened(key: Key, transition: Transition, now_ms: int, taken: set[str]) -> Alert:
    """Return the alert that a raise opens."""
    return Alert(
        id=alert_id(key, transition.at_ms, taken),
        kind=transition.kind,
        subject=transition.subject,
        raises=(Raise(transition.at_ms, transition.severity, dict(transition.evidence)),),
        noticed_ms=now_ms,
    )


def _raise(alert: Alert, transition: Transition, now_ms: int) -> Alert | None:
    """Return the alert at another severity; None if it holds at this one, or knows something later."""
    if transition.severity is alert.severity or transition.at_ms < alert.raises[-1].at_ms:
        return None
    if any(was.at_ms == transition.at_ms and was.severity is transition.severity for was in alert.raises):
        return None
    raised = Raise(transition.at_ms, transition.severity, dict(transition.evidence))
    return lifecycle.raise_to(alert, raised, transition.subject, now_ms)


def _clear(alert: Alert, over: Sequence[Alert], transition: Transition, now_ms: int) -> Alert | None:
    """Return the alert over; None if the transition is the one that ended an earlier alert of the key."""
    ended_before = any(was.cleared_ms == transition.at_ms for was in over)
    if ended_before and transition.at_ms <= alert.opened_ms:
        return None
    return lifecycle.clear(alert, transition.at_ms, dict(transition.evidence), now_ms)
