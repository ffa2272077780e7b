"""What was typed late, or came in late, is put right: quietly where it changes nothing, and told where it does."""

from datetime import UTC

import pytest

from mustwatch.alerting import lifecycle
from mustwatch.alerting.alert import Alert, State
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerting.reconcile import LotEnd, reconcile
from mustwatch.alerting.rules import TellRules, TellTarget, Units
from mustwatch.alerting.step import step
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.watch.finding import (
    About,
    Change,
    FindingKind,
    Severity,
    Subject,
    Transition,
    kind_named,
    kinds,
)

NOON_MS = 1_788_264_000_000  # 2026-09-01T12:00Z
LATER_MS = NOON_MS + 6 * HOUR_MS
RULES = TellRules(targets=(TellTarget("phone"),), units=Units(zone=UTC))
STUCK, WARM = kind_named("stuck"), kind_named("too-warm")
W, U = Severity.WARNING, Severity.URGENT


def said(
    change: Change,
    at_h: float,
    kind: FindingKind = STUCK,
    severity: Severity = W,
    lot: str = "Elder Red",
    sensor: str | None = None,
    **evidence: float,
) -> Transition:
    at_ms = NOON_MS + round(at_h * HOUR_MS)
    return Transition(kind, change, at_ms, severity, Subject(lot, "bucket-1", sensor), evidence)


RAISED, CLEARED = Change.RAISED, Change.CLEARED


class Cellar:
    """Alerts and messages as the store would keep them."""

    def __init__(self, *history: Transition) -> None:
        self.alerts: dict[str, Alert] = {}
        self.sent: list[Message] = []
        for transition in history:
            live = [alert for alert in self.alerts.values() if not alert.is_filed]
            self._keep(step(live, [transition], transition.at_ms, RULES))

    def _keep(self, result: object) -> list[Message]:
        self.alerts.update({alert.id: alert for alert in result.changed})  # type: ignore[attr-defined]
        self.sent += result.messages  # type: ignore[attr-defined]
        return list(result.messages)  # type: ignore[attr-defined]

    def learn(
        self,
        *recomputed: Transition,
        since_h: float = 0.0,
        lot: str = "Elder Red",
        end: LotEnd | None = None,
    ) -> list[Message]:
        since_ms = NOON_MS + round(since_h * HOUR_MS) - 1
        return self._keep(
            reconcile(lot, self.alerts.values(), recomputed, since_ms, LATER_MS, RULES, end=end)
        )

    def one(self) -> Alert:
        (alert,) = self.alerts.values()
        return alert


def test_what_never_held_is_withdrawn_and_taken_back_once() -> None:
    cellar = Cellar(said(RAISED, 1))

    (taken_back,) = cellar.learn()

    assert cellar.one().state is State.WITHDRAWN
    assert taken_back.kind is MessageKind.WITHDRAWN
    assert taken_back.title == "False alarm, fermentation has stopped early: Elder Red in bucket-1"
    assert cellar.learn() == []


def test_what_held_at_another_time_is_the_same_alert_and_not_told_again() -> None:
    cellar = Cellar(said(RAISED, 5))
    alert_id = cellar.one().id

    assert cellar.learn(said(RAISED, 2)) == []

    assert cellar.one().id == alert_id
    assert cellar.one().opened_ms == NOON_MS + 2 * HOUR_MS


def test_an_acknowledgement_survives_unless_it_was_worse_than_known() -> None:
    cellar = Cellar(said(RAISED, 5))
    cellar.alerts[cellar.one().id] = lifecycle.acknowledge(cellar.one(), LATER_MS - 5)

    cellar.learn(said(RAISED, 2))
    assert cellar.one().state is State.ACKNOWLEDGED

    (risen,) = cellar.learn(said(RAISED, 2), said(RAISED, 3, severity=U))
    assert cellar.one().state is State.OPEN
    assert risen.severity is U


def test_what_was_over_and_holds_after_all_is_told_again() -> None:
    cellar = Cellar(said(RAISED, 1), said(CLEARED, 2))
    assert [m.kind for m in cellar.sent] == [MessageKind.FIRST, MessageKind.OVER]

    (again,) = cellar.learn(said(RAISED, 1))

    assert again.kind is MessageKind.FIRST
    assert cellar.one().state is State.OPEN


def test_what_holds_was_over_long_ago_and_is_told_to_be() -> None:
    cellar = Cellar(said(RAISED, 1))

    (over,) = cellar.learn(said(RAISED, 1), said(CLEARED, 3, gravity=1.0189))

    assert over.kind is MessageKind.OVER
    assert "from Tue 1 Sep, 13:00 to 15:00" in over.body


BOTTLED = LotEnd(NOON_MS + 4 * HOUR_MS, "bottled")


@pytest.mark.parametrize("kind", [kind for kind in kinds() if kind.is_of_lot])
def test_a_lot_that_is_bottled_takes_its_alerts_with_it_and_nobody_is_told(kind: FindingKind) -> None:
    sensor = "float-3" if kind.about is About.GEAR else None
    cellar = Cellar(said(RAISED, 1, kind, sensor=sensor))

    assert cellar.learn(since_h=4, end=BOTTLED) == []

    alert = cellar.one()
    assert (alert.cleared_ms, alert.ended_with_lot, alert.state) == (BOTTLED.at_ms, "bottled", State.CLEARED)
    assert "until it was bottled" in alert.summary
    assert not alert.is_filed or alert.told("phone").times == 1


def test_what_opened_after_a_bottling_that_was_written_down_late_goes_quietly() -> None:
    cellar = Cellar(said(RAISED, 5))

    assert cellar.learn(since_h=4, end=BOTTLED) == []

    assert (cellar.one().state, cellar.one().ended_with_lot) == (State.WITHDRAWN, "bottled")


def test_a_bottling_that_is_undone_brings_its_alerts_back_without_a_word() -> None:
    cellar = Cellar(said(RAISED, 1))
    cellar.learn(since_h=4, end=BOTTLED)

    assert cellar.learn(said(RAISED, 1)) == []

    assert (cellar.one().state, cellar.one().ended_with_lot) == (State.OPEN, None)


def test_what_nobody_knew_opens_and_is_told() -> None:
    cellar = Cellar()

    (first,) = cellar.learn(said(RAISED, 6))

    assert first.kind is MessageKind.FIRST
    assert cellar.one().opened_ms == NOON_MS + 6 * HOUR_MS


def test_an_entry_taken_back_reinstates_the_alert_it_had_withdrawn() -> None:
    cellar = Cellar(said(RAISED, 1))
    cellar.learn()
    alert_id = cellar.one().id

    cellar.learn(said(RAISED, 1))

    assert cellar.one().id == alert_id
    assert cellar.one().state is State.OPEN


def test_two_alerts_that_were_one_become_one_without_a_word_about_the_other() -> None:
    cellar = Cellar(said(RAISED, 1), said(CLEARED, 2), said(RAISED, 3))
    told_before = len(cellar.sent)

    cellar.learn(said(RAISED, 1))

    assert sorted(a.state for a in cellar.alerts.values()) == [State.OPEN, State.WITHDRAWN]
    assert len(cellar.sent) == told_before


def test_what_was_concluded_up_to_the_instant_stands() -> None:
    cellar = Cellar(said(RAISED, 1), said(RAISED, 2, severity=U), said(CLEARED, 6))

    cellar.learn(said(CLEARED, 4), since_h=3)

    assert cellar.one().severity is U
    assert cellar.one().opened_ms == NOON_MS + HOUR_MS
    assert cellar.one().cleared_ms == NOON_MS + 4 * HOUR_MS


def test_an_alert_that_ended_before_the_instant_is_left_alone() -> None:
    cellar = Cellar(said(RAISED, 1), said(CLEARED, 2))
    before = cellar.one()

    cellar.learn(since_h=3)

    assert (cellar.one().state, cellar.one().raises) == (before.state, before.raises)


def test_other_lots_and_what_the_lot_does_not_decide_are_left_alone() -> None:
    silent = said(RAISED, 1, kind_named("sensor-silent"), sensor="float-3")
    probe = said(RAISED, 1, kind_named("float-frozen"), sensor="probe-1", celsius=19.0)
    other = said(RAISED, 1, lot="Plain White")
    cellar = Cellar(silent, probe, other)
    before = dict(cellar.alerts)

    assert cellar.learn() == []
    assert cellar.alerts == before


def test_a_float_that_froze_is_decided_by_its_lot() -> None:
    cellar = Cellar(said(RAISED, 1, kind_named("float-frozen"), sensor="float-3", gravity=1.03))

    cellar.learn()

    assert cellar.one().state is State.WITHDRAWN


@pytest.mark.parametrize("kind", kinds())
def test_every_kind_is_either_decided_by_a_lot_or_known_not_to_be(kind: FindingKind) -> None:
    not_of_a_lot = {
        "lot-missing",
        "sensor-silent",
        "battery-low",
        "clock-wrong",
        "storage-trouble",
        "delivery-trouble",
        "broker-trouble",
        "unwatched",
    }

    assert kind.is_of_lot is (kind.name not in not_of_a_lot)
