"""Messages as a winemaker reads them at six in the morning: what, where and why, what to do, where to take care."""

from collections import defaultdict
from collections.abc import Sequence
from typing import Any, NamedTuple

from mustwatch.alerting.alert import Alert, Key
from mustwatch.alerting.message import MessageKind
from mustwatch.alerting.phrasing import Numbers, Phrases, capital, phrases_of
from mustwatch.alerting.rules import Units
from mustwatch.watch.finding import About, Severity
from mustwatch.watch.standing import Left

MINUTE_MS = 60_000


class Written(NamedTuple):
    """A title of one line and a body of a few."""

    title: str
    body: str


def where(alert: Alert) -> str:
    """Return what an alert is about: ``Elder Red in bucket-1``, ``float-3 in bucket-1``, or the daemon's machine."""
    subject = alert.subject
    if alert.kind.about is About.GEAR or (subject.lot is None and subject.sensor is not None):
        what = subject.sensor or "a sensor"
    elif subject.lot is not None:
        what = subject.lot
    elif alert.kind.about is About.DAEMON:
        return "the cellar's watch"
    else:
        return subject.vessel or "the cellar"
    return what if subject.vessel is None else f"{what} in {subject.vessel}"


def phrases(alert: Alert, units: Units, now_ms: int | None = None) -> Phrases:
    """Return what there is to say of an alert by the figures known now, or known last while it held.

    Durations that run by the wall clock run until ``now_ms`` where that is given.
    """
    return phrases_of(alert.kind, alert.figures(now_ms), units, alert.severity)


def summary(alert: Alert, units: Units, now_ms: int | None = None) -> str:
    """Return one plain line for lists: what, where, and the first sentence of why; the worst of it once it is over."""
    said = phrases(alert, units, now_ms)
    if alert.ended_with_lot is not None:
        return f"{capital(said.what)}, until it was {alert.ended_with_lot}: {where(alert)}"
    if alert.is_withdrawn:
        return f"False alarm, {said.what}: {where(alert)}"
    why = said.worst if alert.is_over else "".join(said.why[:1])
    return f"{capital(said.what)}: {where(alert)}{'. ' if why else ''}{why}"


def public(alert: Alert, units: Units, now_ms: int) -> dict[str, Any]:
    """Return an alert as ``mustwatch alerts --json`` and ``cellar --json`` show it, by the figures of now."""
    return alert.public(now_ms) | {"summary": summary(alert, units, now_ms)}


def numbers(alert: Alert, units: Units, now_ms: int) -> dict[str, str]:
    """Return its figures of now as people read them, by their names in words."""
    return Numbers(alert.kind.evidence, alert.figures(now_ms), units).table()


def because(alert: Alert, units: Units, now_ms: int | None = None) -> tuple[str, ...]:
    """Return the sentences with the numbers: how it is now, or from when to when it was so, and the worst of it."""
    said = phrases(alert, units, now_ms)
    if not alert.is_over or alert.cleared_ms is None:
        return said.why
    lasted = f"It lasted from {units.measures.stretch(alert.opened_ms, _ended_ms(alert))}."
    return tuple(s for s in (lasted, said.worst) if s)


def _ended_ms(alert: Alert) -> int:
    """Return when it had ended, though it took longer to be sure that it does not come back."""
    until_ms = alert.cleared_ms if alert.cleared_ms is not None else alert.changed_ms
    sure_min = alert.cleared_evidence.get("minutes_inside")
    before_ms = round(sure_min * MINUTE_MS) if isinstance(sure_min, int | float) else 0
    return max(alert.opened_ms, until_ms - before_ms)


def as_it_opened(alert: Alert, units: Units) -> str:
    """Return one plain line of what was told when it opened, with the figures of then: for a record of the past."""
    said = _opening(alert, units)
    return f"{capital(said.what)}: {where(alert)}{'. ' if said.why else ''}{''.join(said.why[:1])}"


def _opening(alert: Alert, units: Units) -> Phrases:
    first = alert.raises[0]
    return phrases_of(alert.kind, first.evidence, units, first.severity)


def message(alert: Alert, kind: MessageKind, units: Units, now_ms: int | None = None) -> Written:
    """Return an alert's own message of a kind: first, repeat, over, past or withdrawn."""
    said = phrases(alert, units, now_ms)
    if kind is MessageKind.WITHDRAWN:
        return _withdrawn(alert, said, units)
    if kind in (MessageKind.OVER, MessageKind.PAST):
        return _over(alert, kind, said, units)
    lines = [
        " ".join(said.why),
        f"{'Still so, since' if kind is MessageKind.REPEAT else 'Since'} {units.measures.moment(alert.opened_ms)}.",
        f"Next: {said.next}",
    ]
    if said.care:
        lines.append(f"Take care: {said.care}")
    if kind is MessageKind.REPEAT:
        lines.append(f"To stop these reminders: mustwatch alerts --ack {alert.id}")
    return Written(f"{_lead(alert, kind, said)}: {where(alert)}", _body(alert, lines, units))


def _lead(alert: Alert, kind: MessageKind, said: Phrases) -> str:
    """Return the beginning of a title."""
    if kind is MessageKind.REPEAT:
        return f"Reminder, {said.what}"
    if kind is MessageKind.WITHDRAWN:
        return f"False alarm, {said.what}"
    if kind is MessageKind.OVER:
        return f"Over, {said.over}"
    if kind is MessageKind.PAST:
        return f"Came and went, {said.what}"
    if alert.severity is Severity.URGENT:
        return f"Urgent, {said.what}"
    return capital(said.what)


def _body(alert: Alert, lines: Sequence[str], units: Units) -> str:
    link = [] if units.base_address is None else [f"{units.base_address.rstrip('/')}/alerts#{alert.id}"]
    return "\n".join([*(line for line in lines if line), *link])


def _over(alert: Alert, kind: MessageKind, said: Phrases, units: Units) -> Written:
    """Say that it is over; what was finished and is not any more is no good news, and says so."""
    end = Numbers(Left, alert.cleared_evidence, units)
    state = [text for text in (end.say("gravity {gravity}"), end.say("{celsius}")) if text]
    lines = [said.worst] if said.worst else []
    if kind is MessageKind.PAST and not said.worst:
        lines += [f"When it began: {' '.join(_opening(alert, units).why)}"] if said.why else []
    lines += [f"When it ended: {', '.join(state)}."] if state else []
    lines.append(f"It lasted from {units.measures.stretch(alert.opened_ms, _ended_ms(alert))}.")
    lines += said.then
    return Written(f"{_lead(alert, kind, said)}: {where(alert)}", _body(alert, lines, units))


def _withdrawn(alert: Alert, said: Phrases, units: Units) -> Written:
    lines = [
        f"On {units.measures.moment(alert.opened_ms)} it was said: {said.what}.",
        "Seen with what was recorded since, this was not so.",
        "Next: leave out what that message asked for; done already, look at the lot's page again.",
    ]
    return Written(f"{_lead(alert, MessageKind.WITHDRAWN, said)}: {where(alert)}", _body(alert, lines, units))


def flapping(alert: Alert, units: Units, window_ms: int, now_ms: int | None = None) -> Written:
    """Return the message that something comes and goes, and will not be told each time."""
    said = phrases(alert, units, now_ms)
    calm = units.measures.span(window_ms)
    lines = [
        " ".join(because(alert, units, now_ms)),
        f"It comes and goes. You will hear of it again when nothing has changed for {calm}.",
        f"Next: {said.next}",
    ]
    if said.care:
        lines.append(f"Take care: {said.care}")
    return Written(f"Comes and goes, {said.what}: {where(alert)}", _body(alert, lines, units))


def digest(told: Sequence[tuple[Alert, MessageKind]], units: Units, now_ms: int | None = None) -> Written:
    """Return one message of several alerts: what holds first, then what is over, each with its numbers.

    What came and went several times is one line.
    """
    holds = [(alert, kind) for alert, kind in told if not alert.is_over]
    over = [(alert, kind) for alert, kind in told if alert.is_over]
    sections = []
    if holds:
        sections.append("\n".join(_digest_line(alert, kind, units, now_ms) for alert, kind in holds))
    if over:
        by_key: defaultdict[tuple[Key, MessageKind], list[Alert]] = defaultdict(list)
        for alert, kind in over:
            by_key[alert.key, kind].append(alert)
        lines = [_past_line(alerts, kind, units) for (_, kind), alerts in by_key.items()]
        sections.append("Past:\n" + "\n".join(lines))
    if units.base_address is not None:
        sections.append(f"{units.base_address.rstrip('/')}/alerts")
    return Written(_digest_title(holds, over, units), "\n\n".join(sections))


def _digest_title(
    holds: Sequence[tuple[Alert, MessageKind]], over: Sequence[tuple[Alert, MessageKind]], units: Units
) -> str:
    """Return how much there is and where; what it is, if it is the same everywhere."""
    places = list(dict.fromkeys(where(alert) for alert, _ in [*holds, *over]))
    named = ", ".join(places[:3]) + (" and others" if len(places) > 3 else "")
    whats = {phrases(alert, units).what for alert, _ in holds}
    if len(whats) == 1 and len(holds) > 1 and not over:
        return f"{capital(whats.pop())} ({len(holds)}): {named}"
    parts = []
    if holds:
        parts.append(f"{len(holds)} {'thing' if len(holds) == 1 else 'things'} to see to")
    if over:
        parts.append(f"{len(over)} past")
    return f"{' and '.join(parts)}: {named}"


def _digest_line(alert: Alert, kind: MessageKind, units: Units, now_ms: int | None) -> str:
    said = phrases(alert, units, now_ms)
    lines = [
        f"- {_lead(alert, kind, said)}: {where(alert)}, since {units.measures.moment(alert.opened_ms)}. "
        f"{' '.join(said.why)}".rstrip(),
        f"  Next: {said.next}",
    ]
    if said.care:
        lines.append(f"  Take care: {said.care}")
    return "\n".join(lines)


def _past_line(alerts: Sequence[Alert], kind: MessageKind, units: Units) -> str:
    last = alerts[-1]
    said = phrases(last, units)
    begin_ms = min(alert.opened_ms for alert in alerts)
    end_ms = max(alert.changed_ms for alert in alerts)
    times = "" if len(alerts) == 1 else f" {len(alerts)} times"
    line = f"- {_lead(last, kind, said)}: {where(last)},{times} {units.measures.stretch(begin_ms, end_ms)}."
    return line + said.then_in_short if kind in (MessageKind.OVER, MessageKind.PAST) else line
