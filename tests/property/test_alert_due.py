"""A daemon that looks only when ``next_due_ms`` says so tells the same as one that looks every minute."""

from datetime import UTC

import hypothesis.strategies as st
from hypothesis import given, settings

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.message import Message
from mustwatch.alerting.rules import QuietHours, TellRules, TellTarget, Units
from mustwatch.alerting.step import step
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.watch.finding import Change, Severity, Subject, Transition, kind_named

BEGIN_MS = 1_788_264_000_000  # 2026-09-01T12:00Z
END_MS = BEGIN_MS + 60 * HOUR_MS
RULES = TellRules(
    targets=(
        TellTarget("phone", quiet_hours=QuietHours.parse("22:00-07:00")),
        TellTarget("mail", frozenset({Severity.WARNING, Severity.URGENT})),
    ),
    units=Units(zone=UTC),
)

Happening = tuple[int, Transition]


@st.composite
def happenings(draw: st.DrawFn) -> list[Happening]:
    """Draw findings that begin and cease within a day and a half, some of them learnt of hours late."""
    made: list[Happening] = []
    for minute in sorted(draw(st.lists(st.integers(0, 36 * 60), min_size=1, max_size=12, unique=True))):
        kind = draw(st.sampled_from([kind_named("too-warm"), kind_named("stuck"), kind_named("rack-due")]))
        change = draw(st.sampled_from(Change))
        severity = draw(st.sampled_from(Severity))
        late_ms = draw(st.sampled_from([0, 0, 8 * HOUR_MS]))
        now_ms = BEGIN_MS + minute * MINUTE_MS
        made.append((now_ms, Transition(kind, change, now_ms - late_ms, severity, Subject("Elder Red"))))
    return made


def run(history: list[Happening], every_minute: bool) -> list[Message]:
    """Return what is sent when the daemon looks every minute, or only when something happens or is due."""
    alerts: dict[str, Alert] = {}
    sent: list[Message] = []
    coming = dict(history)
    due_ms: int | None = None
    looks = 0
    for now_ms in range(BEGIN_MS, END_MS, MINUTE_MS):
        happened = [coming[now_ms]] if now_ms in coming else []
        is_due = due_ms is not None and now_ms >= due_ms
        if not (happened or every_minute or is_due):
            continue
        looks += 1
        live = [alert for alert in alerts.values() if not alert.is_filed]
        result = step(live, happened, now_ms, RULES)
        alerts |= {alert.id: alert for alert in result.changed}
        sent += result.messages
        due_ms = result.next_due_ms
        assert due_ms is None or due_ms > now_ms
    assert every_minute or looks < 200, "it looks when there is something to do, not all the time"
    return sent


@settings(max_examples=25, deadline=None)
@given(history=happenings())
def test_looking_when_it_is_due_is_enough(history: list[Happening]) -> None:
    always, seldom = run(history, every_minute=True), run(history, every_minute=False)

    assert [(m.id, m.created_ms) for m in seldom] == [(m.id, m.created_ms) for m in always]
