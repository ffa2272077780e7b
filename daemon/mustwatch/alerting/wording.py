"""Messages as a winemaker reads them at six in the morning: what, where and why, what to do, where to take care."""

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from mustwatch.alerting.alert import ABOUT_A_SENSOR, ABOUT_THE_DAEMON, Alert, Key
from mustwatch.alerting.figures import Figures, hours, moment, span
from mustwatch.alerting.message import MessageKind
from mustwatch.alerting.phrases import OF_KIND
from mustwatch.alerting.phrasing import Phrases
from mustwatch.alerting.rules import Units
from mustwatch.watch.finding import FindingKind, Severity

HOUR_MS = 3_600_000


class Written(NamedTuple):
    """A title of one line and a body of a few."""

    title: str
    body: str


def where(alert: Alert) -> str:
    """Return what an alert is about: ``Elder Red in bucket-1``, ``float-3 in bucket-1``, or the daemon's machine."""
    subject = alert.subject
    if alert.kind in ABOUT_A_SENSOR or (subject.lot is None and subject.sensor is not None):
        what = subject.sensor or "a sensor"
    elif subject.lot is not None:
        what = subject.lot
    elif alert.kind in ABOUT_THE_DAEMON:
        return "the cellar's watch"
    else:
        return subject.vessel or "the cellar"
    return what if subject.vessel is None else f"{what} in {subject.vessel}"


def _phrases(alert: Alert, units: Units) -> Phrases:
    return OF_KIND[alert.kind](Figures(alert.evidence, units), alert.severity)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def summary(alert: Alert, units: Units) -> str:
    """Return one plain line for lists: what, where, and the first sentence of why."""
    phrases = _phrases(alert, units)
    if alert.ended_with_lot is not None:
        return f"{_capital(phrases.what)}, until it was {alert.ended_with_lot}: {where(alert)}"
    if alert.is_withdrawn:
        return f"Taken back, {phrases.what}: {where(alert)}"
    why = f". {phrases.why[0]}" if phrases.why else ""
    return f"{_capital(phrases.what)}: {where(alert)}{why}"


def message(alert: Alert, kind: MessageKind, units: Units) -> Written:
    """Return an alert's own message of a kind: first, repeat, over, past or withdrawn."""
    phrases = _phrases(alert, units)
    if kind is MessageKind.WITHDRAWN:
        return _withdrawn(alert, phrases, units)
    if kind in (MessageKind.OVER, MessageKind.PAST):
        return _over(alert, kind, phrases, units)
    lines = [
        " ".join(phrases.why),
        f"{'Still so, since' if kind is MessageKind.REPEAT else 'Since'} {moment(alert.opened_ms, units)}.",
        f"Next: {phrases.next}",
    ]
    if phrases.care:
        lines.append(f"Take care: {phrases.care}")
    if kind is MessageKind.REPEAT:
        lines.append(f"To stop these reminders: mustwatch alerts --ack {alert.id}")
    return Written(f"{_lead(alert, kind, phrases)}: {where(alert)}", _body(alert, lines, units))


def _lead(alert: Alert, kind: MessageKind, phrases: Phrases) -> str:
    """Return the beginning of a title."""
    if kind is MessageKind.REPEAT:
        return f"Reminder, {phrases.what}"
    if kind is MessageKind.WITHDRAWN:
        return f"Taken back, {phrases.what}"
    if kind is MessageKind.OVER:
        return f"Over, {phrases.over}"
    if kind is MessageKind.PAST:
        return f"Came and went, {phrases.what}"
    if alert.severity is Severity.URGENT:
        return f"Urgent, {phrases.what}"
    return _capital(phrases.what)


def _body(alert: Alert, lines: Sequence[str], units: Units) -> str:
    link = [] if units.base_address is None else [f"{units.base_address.rstrip('/')}/alerts#{alert.id}"]
    return "\n".join([*(line for line in lines if line), *link])


def _over(alert: Alert, kind: MessageKind, phrases: Phrases, units: Units) -> Written:
    """Say that it is over; what was finished and is not any more is no good news, and says so."""
    until_ms = alert.cleared_ms if alert.cleared_ms is not None else alert.changed_ms
    now = Figures(alert.cleared_evidence, units)
    state = [
        text
        for text in (
            _stands("Gravity is", now.gravity("gravity")),
            _stands("The must is at", now.celsius("celsius")),
        )
        if text
    ]
    lines = [f"Then: {' '.join(phrases.why)}"] if kind is MessageKind.PAST and phrases.why else []
    lines += [f"Now: {' '.join(state)}"] if state else []
    lines.append(f"It lasted from {span(alert.opened_ms, until_ms, units)}.")
    if alert.kind is FindingKind.FINISHED:
        lines.append("Next: don't bottle. Check with a hydrometer; what is finished does not move.")
        lines.append("Take care: wine that is not finished can burst bottles.")
    else:
        lines.append("Nothing needs doing for this any more.")
    return Written(f"{_lead(alert, kind, phrases)}: {where(alert)}", _body(alert, lines, units))


def _stands(begin: str, figure: str | None) -> str:
    return "" if figure is None else f"{begin} {figure}."


def _withdrawn(alert: Alert, phrases: Phrases, units: Units) -> Written:
    lines = [
        f"On {moment(alert.opened_ms, units)} it was said: {phrases.what}.",
        "Seen with what was recorded since, this was not so.",
        "Next: leave out what that message asked for; done already, look at the lot's page again.",
    ]
    return Written(
        f"{_lead(alert, MessageKind.WITHDRAWN, phrases)}: {where(alert)}", _body(alert, lines, units)
    )


def flapping(alert: Alert, units: Units, window_ms: int) -> Written:
    """Return the message that something comes and goes, and will not be told each time."""
    phrases = _phrases(alert, units)
    calm = hours(window_ms / HOUR_MS)
    lines = [
        " ".join(phrases.why),
        f"It comes and goes. You will hear of it again when nothing has changed for {calm}.",
        f"Next: {phrases.next}",
    ]
    if phrases.care:
        lines.append(f"Take care: {phrases.care}")
    return Written(f"Comes and goes, {phrases.what}: {where(alert)}", _body(alert, lines, units))


def digest(told: Sequence[tuple[Alert, MessageKind]], units: Units) -> Written:
    """Return one message of several alerts: what holds first, then what is over, each with its numbers.

    What came and went several times is one line.
    """
    holds = [(alert, kind) for alert, kind in told if not alert.is_over]
    over = [(alert, kind) for alert, kind in told if alert.is_over]
    sections = []
    if holds:
        sections.append("\n".join(_digest_line(alert, kind, units) for alert, kind in holds))
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
    whats = {_phrases(alert, units).what for alert, _ in holds}
    if len(whats) == 1 and len(holds) > 1 and not over:
        return f"{_capital(whats.pop())} ({len(holds)}): {named}"
    parts = []
    if holds:
        parts.append(f"{len(holds)} {'thing' if len(holds) == 1 else 'things'} to see to")
    if over:
        parts.append(f"{len(over)} past")
    return f"{' and '.join(parts)}: {named}"


def _digest_line(alert: Alert, kind: MessageKind, units: Units) -> str:
    phrases = _phrases(alert, units)
    lines = [
        f"- {_lead(alert, kind, phrases)}: {where(alert)}, since {moment(alert.opened_ms, units)}. "
        f"{' '.join(phrases.why)}".rstrip(),
        f"  Next: {phrases.next}",
    ]
    if phrases.care:
        lines.append(f"  Take care: {phrases.care}")
    return "\n".join(lines)


def _past_line(alerts: Sequence[Alert], kind: MessageKind, units: Units) -> str:
    last = alerts[-1]
    phrases = _phrases(last, units)
    begin_ms = min(alert.opened_ms for alert in alerts)
    end_ms = max(alert.changed_ms for alert in alerts)
    times = "" if len(alerts) == 1 else f" {len(alerts)} times"
    line = f"- {_lead(last, kind, phrases)}: {where(last)},{times} {span(begin_ms, end_ms, units)}."
    if last.kind is FindingKind.FINISHED and kind in (MessageKind.OVER, MessageKind.PAST):
        line += " Don't bottle: check with a hydrometer first."
    return line
