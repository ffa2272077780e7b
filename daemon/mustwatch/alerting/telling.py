"""From decisions to messages: one message each, or one digest, and what the alerts remember of it."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from mustwatch.alerting import wording
from mustwatch.alerting.alert import Alert, Held, Key, State
from mustwatch.alerting.lifecycle import come_due
from mustwatch.alerting.message import Message, MessageKind, message_id
from mustwatch.alerting.policy import WAITS, Decision, Heard, Reason, decide
from mustwatch.alerting.rules import TellRules, TellTarget
from mustwatch.watch.finding import RANK, Severity

KIND_OF_NEWS = {
    Reason.FIRST_TELLING: MessageKind.FIRST,
    Reason.SEVERITY_ROSE: MessageKind.FIRST,
    Reason.REPEAT_DUE: MessageKind.REPEAT,
    Reason.CLEARED: MessageKind.OVER,
    Reason.CAME_AND_WENT: MessageKind.PAST,
    Reason.WITHDRAWN: MessageKind.WITHDRAWN,
}


@dataclass(frozen=True, slots=True)
class Told:
    """The alerts that remember more than before, the messages to send, and when to ask again at the latest."""

    changed: tuple[Alert, ...]
    messages: tuple[Message, ...]
    next_due_ms: int | None


def tell(alerts: Iterable[Alert], now_ms: int, rules: TellRules) -> Told:
    """Decide for every alert and target, write the messages, and file what is over and done with.

    ``alerts`` are those not filed, at most one of a key open.
    """
    before = {alert.id: alert for alert in alerts}
    now = {id_: come_due(alert, now_ms) for id_, alert in before.items()}
    messages: list[Message] = []
    for target in rules.targets:
        messages += _tell_one(target, now, now_ms, rules)
    for alert in now.values():
        if alert.is_over and _done_ms(alert, now_ms, rules) == now_ms:
            now[alert.id] = replace(alert, is_filed=True)
    changed = tuple(alert for id_, alert in now.items() if alert != before[id_])
    numbered = tuple(replace(message, order=order) for order, message in enumerate(messages))
    return Told(changed, numbered, _next_due_ms(now.values(), now_ms, rules))


def _next_due_ms(alerts: Iterable[Alert], now_ms: int, rules: TellRules) -> int | None:
    """Return when to ask again at the latest if nothing else happens, always after now; None for never."""
    live = [alert for alert in alerts if not alert.is_filed]
    due: list[int | None] = [_done_ms(alert, now_ms, rules) for alert in live if alert.is_over]
    due += [alert.put_off_ms for alert in live if alert.state is State.ACKNOWLEDGED]
    for target in rules.targets:
        old: list[Alert] = []
        for alert, decision in _decisions(target, live, now_ms, rules):
            if decision.reason is Reason.OLD_BACKLOG:
                old.append(alert)
            elif not decision.tells:
                due.append(decision.due_ms)
        due.append(_backlog_ripe_ms(old, now_ms, rules))
    return min((max(ms, now_ms + 1) for ms in due if ms is not None), default=None)


def _tell_one(target: TellTarget, alerts: dict[str, Alert], now_ms: int, rules: TellRules) -> list[Message]:
    decisions = _decisions(target, alerts.values(), now_ms, rules)
    old = [alert for alert, decision in decisions if decision.reason is Reason.OLD_BACKLOG]
    is_ripe = _backlog_ripe_ms(old, now_ms, rules) == now_ms
    own: list[tuple[Alert, Decision]] = []
    together: list[tuple[Alert, Decision]] = []
    for alert, decision in decisions:
        if decision.reason is Reason.RELEASED or (decision.reason is Reason.OLD_BACKLOG and is_ripe):
            together.append((alert, decision))
        elif decision.tells:
            own.append((alert, decision))
        else:
            _remember_wait(alerts, alert, target, decision.reason)
    own.sort(key=lambda pair: not _is_urgent(pair[0]))
    mergeable = [pair for pair in own if not _is_urgent(pair[0]) and pair[1].reason is not Reason.FLAPPING]
    if len(mergeable) >= rules.together_from:
        own = [pair for pair in own if pair not in mergeable]
        together = mergeable + together
    messages = [_one(target, alert, decision, alerts, now_ms, rules) for alert, decision in own]
    if len(together) == 1:
        messages.append(_one(target, *together[0], alerts, now_ms, rules))
    elif together:
        messages.append(_digest(target, together, alerts, now_ms, rules))
    return messages


def _is_urgent(alert: Alert) -> bool:
    return alert.severity is Severity.URGENT and not alert.is_over


def _decisions(
    target: TellTarget, alerts: Iterable[Alert], now_ms: int, rules: TellRules
) -> list[tuple[Alert, Decision]]:
    """Return a decision for each alert, in order of event time."""
    by_key: defaultdict[Key, list[Alert]] = defaultdict(list)
    for alert in alerts:
        by_key[alert.key].append(alert)
    begun = {
        (alert.kind, alert.subject.lot, alert.opened_ms)
        for of_key in by_key.values()
        for alert in of_key
        if not alert.is_withdrawn and target.wants(alert.severity, alert.kind)
    }
    decisions = []
    for same_key in by_key.values():
        heard_of_key = Heard.of(target.name, same_key)
        newest_last = sorted(same_key, key=lambda alert: alert.opened_ms)
        for alert in newest_last:
            is_said = (alert.kind.end_said_by, alert.subject.lot, alert.cleared_ms) in begun
            heard = replace(heard_of_key, is_said_otherwise=is_said)
            decision = decide(alert, target, rules, now_ms, heard)
            if decision.tells and _is_counted(decision):
                heard_of_key = replace(heard_of_key, news_ms=(*heard_of_key.news_ms, now_ms))
            if decision.reason is Reason.FLAPPING:
                heard_of_key = replace(heard_of_key, flapping_ms=now_ms)
            decisions.append((alert, decision))
    return sorted(decisions, key=lambda pair: (pair[0].changed_ms, pair[0].key, pair[0].id))


def _is_counted(decision: Decision) -> bool:
    """Say whether a message counts for flapping: news of its own, not what came in a digest or as a reminder."""
    return decision.reason is not Reason.RELEASED and decision.news not in (
        Reason.REPEAT_DUE,
        Reason.WITHDRAWN,
    )


def _backlog_ripe_ms(old: Sequence[Alert], now_ms: int, rules: TellRules) -> int | None:
    """Return when the backlog counts as read in (now, if it does): nothing old came for a while, or for long enough.

    An instant in the future comes of a clock that was set back; it counts as long past.
    """
    noticed = [alert.noticed_ms for alert in old if alert.noticed_ms <= now_ms]
    if not old:
        return None
    if not noticed:
        return now_ms
    ripe_ms = min(max(noticed) + rules.backlog_gather_ms, min(noticed) + rules.backlog_gather_most_ms)
    return max(ripe_ms, now_ms)


def _remember_wait(alerts: dict[str, Alert], alert: Alert, target: TellTarget, reason: Reason) -> None:
    """Remember why nothing is told now, or that the end was told by the message that this comes and goes."""
    telling = alert.told(target.name)
    is_end_told = telling.is_end_told or reason is Reason.SAID_BY_FLAPPING
    waiting = replace(telling, held=WAITS.get(reason), is_end_told=is_end_told)
    if waiting != telling:
        current = alerts[alert.id]
        alerts[alert.id] = replace(current, tellings={**current.tellings, target.name: waiting})


def _one(
    target: TellTarget,
    alert: Alert,
    decision: Decision,
    alerts: dict[str, Alert],
    now_ms: int,
    rules: TellRules,
) -> Message:
    """Write one alert's own message and remember it."""
    news = decision.news or decision.reason
    times, repeats = alert.told(target.name).times, alert.told(target.name).repeats + 1
    if decision.reason is Reason.FLAPPING:
        kind = MessageKind.FLAPPING
        written = wording.flapping(alert, rules.units, rules.flap_window_ms, now_ms)
    else:
        kind = KIND_OF_NEWS[news]
        written = wording.message(alert, kind, rules.units, now_ms)
    _remember_told(alerts, alert, target, decision, now_ms, rules)
    return Message(
        id=message_id(target.name, kind, [f"{alert.id}#{times}"]),
        target=target.name,
        kind=kind,
        alert_ids=(alert.id,),
        severity=alert.severity,
        title=written.title,
        body=written.body,
        created_ms=now_ms,
        due_ms=now_ms,
        expires_ms=now_ms + _life_ms(kind, alert.severity, rules, repeats),
    )


def _digest(
    target: TellTarget,
    told: Sequence[tuple[Alert, Decision]],
    alerts: dict[str, Alert],
    now_ms: int,
    rules: TellRules,
) -> Message:
    """Write one message of several alerts and remember it in each."""
    parts = [f"{alert.id}#{alert.told(target.name).times}" for alert, _ in told]
    written = wording.digest(
        [(alert, KIND_OF_NEWS[decision.news or decision.reason]) for alert, decision in told],
        rules.units,
        now_ms,
    )
    for alert, decision in told:
        released = replace(decision, reason=Reason.RELEASED)
        _remember_told(alerts, alert, target, released, now_ms, rules)
    return Message(
        id=message_id(target.name, MessageKind.DIGEST, parts),
        target=target.name,
        kind=MessageKind.DIGEST,
        alert_ids=tuple(alert.id for alert, _ in told),
        severity=max((alert.severity for alert, _ in told), key=RANK.__getitem__),
        title=written.title,
        body=written.body,
        created_ms=now_ms,
        due_ms=now_ms,
        expires_ms=now_ms + rules.keep_trying_ms,
    )


def _life_ms(kind: MessageKind, severity: Severity, rules: TellRules, repeats: int) -> int:
    """Return for how long a message is worth delivering: a repeat until the next one would be due."""
    repeat_after_ms = rules.repeats_after_ms(severity, repeats)
    if kind is MessageKind.REPEAT and repeat_after_ms is not None:
        return min(repeat_after_ms, rules.keep_trying_ms)
    return rules.keep_trying_ms


def _remember_told(
    alerts: dict[str, Alert],
    alert: Alert,
    target: TellTarget,
    decision: Decision,
    now_ms: int,
    rules: TellRules,
) -> None:
    telling = alert.told(target.name)
    if decision.reason is Reason.FLAPPING:
        # The news itself waits until this is calm; the message only said that it comes and goes.
        telling = replace(telling, held=Held.FLAPPING, flapping_ms=now_ms)
    else:
        severities = [alert.severity] if telling.severity is None else [alert.severity, telling.severity]
        telling = replace(
            telling,
            severity=max(severities, key=RANK.__getitem__),
            is_end_told=alert.is_over,
            held=None,
        )
    news_ms = telling.news_ms
    if _is_counted(decision):
        recent = [ms for ms in news_ms if now_ms - rules.flap_window_ms < ms <= now_ms]
        news_ms = (*recent[-rules.flap_messages :], now_ms)
    is_repeat = (decision.news or decision.reason) is Reason.REPEAT_DUE
    telling = replace(
        telling,
        told_ms=now_ms,
        times=telling.times + 1,
        repeats=telling.repeats + 1 if is_repeat else 0,
        news_ms=news_ms,
    )
    current = alerts[alert.id]
    alerts[alert.id] = replace(current, tellings={**current.tellings, target.name: telling})


def _done_ms(alert: Alert, now_ms: int, rules: TellRules) -> int | None:
    """Return when an alert that is over no longer counts for flapping (now, if so); None while something waits."""
    done_ms = now_ms
    for target in rules.targets:
        telling = alert.told(target.name)
        if telling.held is not None:
            return None
        if telling.told_ms is not None:
            done_ms = max(done_ms, telling.told_ms + rules.flap_window_ms)
    return done_ms
