"""From what the watch concludes to the messages that go out, scene by scene."""

from datetime import UTC

from mustwatch.alerting import lifecycle
from mustwatch.alerting.alert import Alert, State
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerting.rules import QuietHours, TellRules, TellTarget, Units
from mustwatch.alerting.step import due, step
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.watch.finding import Change, FindingKind, Severity, Subject, Transition, kind_named

NOON_MS = 1_788_264_000_000  # 2026-09-01T12:00Z
EVENING_MS = NOON_MS + 11 * HOUR_MS  # 23:00
MORNING_MS = NOON_MS + 19 * HOUR_MS  # 07:00

PHONE = TellTarget("phone", quiet_hours=QuietHours.parse("22:00-07:00"))
MAIL = TellTarget("mail", severities=frozenset({Severity.WARNING, Severity.URGENT}))
N, W, U = Severity.NOTICE, Severity.WARNING, Severity.URGENT


class Scene:
    """Alerts and messages as the store would keep them."""

    def __init__(self, *targets: TellTarget) -> None:
        self.rules = TellRules(targets=targets or (PHONE,), units=Units(zone=UTC))
        self.alerts: dict[str, Alert] = {}
        self.sent: list[Message] = []
        self.next_due_ms: int | None = None

    def at(self, now_ms: int, *transitions: Transition) -> list[Message]:
        """Take transitions at an instant of the daemon's clock and return what is sent."""
        live = [alert for alert in self.alerts.values() if not alert.is_filed]
        result = step(live, transitions, now_ms, self.rules)
        self.alerts.update({alert.id: alert for alert in result.changed})
        self.sent += result.messages
        self.next_due_ms = result.next_due_ms
        return list(result.messages)

    def pass_until(self, begin_ms: int, end_ms: int, every_ms: int = 10 * MINUTE_MS) -> list[Message]:
        """Let the clock run and return what is sent."""
        sent = []
        for now_ms in range(begin_ms, end_ms + 1, every_ms):
            sent += self.at(now_ms)
        return sent

    def one(self) -> Alert:
        """Return the only alert there is."""
        (alert,) = self.alerts.values()
        return alert


def raised(
    kind: FindingKind,
    at_ms: int,
    severity: Severity = W,
    lot: str | None = "Elder Red",
    vessel: str | None = "bucket-1",
    sensor: str | None = None,
    **evidence: float,
) -> Transition:
    return Transition(kind, Change.RAISED, at_ms, severity, Subject(lot, vessel, sensor), evidence)


def cleared(
    kind: FindingKind,
    at_ms: int,
    lot: str | None = "Elder Red",
    vessel: str | None = "bucket-1",
    sensor: str | None = None,
    **evidence: float,
) -> Transition:
    return Transition(kind, Change.CLEARED, at_ms, W, Subject(lot, vessel, sensor), evidence)


WARM, COLD, RACK = kind_named("too-warm"), kind_named("too-cold"), kind_named("rack-due")


def test_one_alert_is_told_and_told_to_be_over() -> None:
    scene = Scene()

    (first,) = scene.at(NOON_MS, raised(WARM, NOON_MS, celsius=27.4, limit_celsius=26.0))
    (over,) = scene.at(NOON_MS + HOUR_MS, cleared(WARM, NOON_MS + HOUR_MS, celsius=25.2))

    assert (first.kind, first.title) == (MessageKind.FIRST, "Too warm: Elder Red in bucket-1")
    assert (over.kind, over.title) == (MessageKind.OVER, "Over, no longer too warm: Elder Red in bucket-1")
    assert first.alert_ids == over.alert_ids == (scene.one().id,)
    assert scene.one().state is State.CLEARED


def test_a_finding_that_is_evaluated_again_and_again_is_one_alert_told_once() -> None:
    scene = Scene()
    for n in range(50):
        scene.at(NOON_MS + n * MINUTE_MS, raised(WARM, NOON_MS + n * MINUTE_MS, celsius=27.0 + n / 100))

    assert len(scene.alerts) == len(scene.sent) == 1


def test_the_same_transitions_twice_change_and_tell_nothing_more() -> None:
    scene = Scene()
    history = (
        raised(WARM, NOON_MS),
        raised(WARM, NOON_MS + 5, U),
        cleared(WARM, NOON_MS + 9),
        raised(RACK, NOON_MS),
    )
    scene.at(NOON_MS + 10, *history)
    before = dict(scene.alerts)

    assert scene.at(NOON_MS + 11, *history) == []
    assert scene.alerts == before


def test_an_old_clearing_that_comes_again_does_not_end_what_began_since() -> None:
    scene = Scene()
    scene.at(NOON_MS, raised(WARM, NOON_MS), cleared(WARM, NOON_MS + 20), raised(WARM, NOON_MS + 30))

    scene.at(NOON_MS + 40, cleared(WARM, NOON_MS + 20))

    assert [alert.state for alert in scene.alerts.values()] == [State.CLEARED, State.OPEN]


def test_findings_about_a_sensor_follow_the_sensor_from_lot_to_lot() -> None:
    scene = Scene()
    silent = kind_named("sensor-silent")
    scene.at(NOON_MS, raised(silent, NOON_MS, sensor="float-3"))
    scene.at(NOON_MS + 1, raised(silent, NOON_MS + 1, lot="Plain White", vessel="carboy-2", sensor="float-3"))

    assert len(scene.alerts) == 1

    scene.at(NOON_MS + 2, cleared(silent, NOON_MS + 2, lot=None, vessel=None, sensor="float-3"))
    assert scene.one().is_over


def test_two_lots_have_an_alert_each() -> None:
    scene = Scene()
    scene.at(NOON_MS, raised(WARM, NOON_MS), raised(WARM, NOON_MS, lot="Plain White", vessel="carboy-2"))

    assert len(scene.alerts) == len(scene.sent) == 2


def test_an_open_alert_is_repeated_until_somebody_acknowledges_it() -> None:
    scene = Scene(TellTarget("phone"))
    scene.at(NOON_MS, raised(WARM, NOON_MS))

    repeats = scene.pass_until(NOON_MS, NOON_MS + 73 * HOUR_MS)
    assert [(m.kind, m.created_ms - NOON_MS) for m in repeats] == [
        (MessageKind.REPEAT, DAY_MS),
        (MessageKind.REPEAT, 3 * DAY_MS),
    ]
    assert repeats[0].title == "Reminder, too warm: Elder Red in bucket-1"
    assert f"--ack {scene.one().id}" in repeats[0].body
    assert repeats[0].expires_ms - repeats[0].created_ms == 2 * DAY_MS

    scene.alerts[scene.one().id] = lifecycle.acknowledge(scene.one(), NOON_MS + 74 * HOUR_MS)
    assert scene.pass_until(NOON_MS + 74 * HOUR_MS, NOON_MS + 400 * HOUR_MS, HOUR_MS) == []


def test_what_gets_urgent_after_an_acknowledgement_is_told() -> None:
    scene = Scene()
    scene.at(NOON_MS, raised(WARM, NOON_MS))
    scene.alerts[scene.one().id] = lifecycle.acknowledge(scene.one(), NOON_MS + 1)

    (risen,) = scene.at(NOON_MS + HOUR_MS, raised(WARM, NOON_MS + HOUR_MS, U))

    assert risen.title == "Urgent, much too warm: Elder Red in bucket-1"
    assert scene.one().state is State.OPEN


def test_quiet_hours_let_urgent_through_and_release_the_rest_in_one_digest_in_the_morning() -> None:
    scene = Scene()
    at = EVENING_MS
    assert scene.at(at, raised(RACK, at, N)) == []
    assert scene.next_due_ms == MORNING_MS
    (urgent,) = scene.at(at + HOUR_MS, raised(WARM, at + HOUR_MS, U))
    assert scene.at(at + 2 * HOUR_MS, cleared(WARM, at + 2 * HOUR_MS)) == []
    assert scene.at(at + 3 * HOUR_MS, raised(COLD, at + 3 * HOUR_MS, W)) == []
    assert scene.at(at + 4 * HOUR_MS, cleared(COLD, at + 4 * HOUR_MS)) == []

    sent = scene.pass_until(at + 4 * HOUR_MS, MORNING_MS + HOUR_MS)

    assert urgent.severity is U
    (digest,) = sent
    assert digest.kind is MessageKind.DIGEST
    assert digest.created_ms == MORNING_MS
    assert digest.title == "1 thing to see to and 2 past: Elder Red in bucket-1"
    assert "- Ready to rack: Elder Red in bucket-1" in digest.body
    assert "- Over, no longer too warm: Elder Red in bucket-1" in digest.body
    assert "- Came and went, too cold: Elder Red in bucket-1" in digest.body
    assert len(digest.alert_ids) == 3


def test_one_thing_held_overnight_comes_as_a_message_of_its_own() -> None:
    scene = Scene()
    scene.at(EVENING_MS, raised(RACK, EVENING_MS, N))

    (morning,) = scene.pass_until(EVENING_MS, MORNING_MS + HOUR_MS)

    assert (morning.kind, morning.title) == (MessageKind.FIRST, "Ready to rack: Elder Red in bucket-1")


def test_what_is_acknowledged_before_morning_is_not_told_any_more() -> None:
    scene = Scene()
    scene.at(EVENING_MS, raised(COLD, EVENING_MS))
    scene.alerts[scene.one().id] = lifecycle.acknowledge(scene.one(), EVENING_MS + 1)

    assert scene.pass_until(EVENING_MS, MORNING_MS + HOUR_MS) == []


def test_a_backlog_of_twelve_hours_in_many_batches_is_one_digest() -> None:
    scene = Scene(TellTarget("phone"))
    now_ms = NOON_MS + 12 * HOUR_MS
    sent = []
    for n, kind in enumerate([WARM, COLD, RACK, kind_named("fast-change"), kind_named("stuck")]):
        at_ms = NOON_MS + n * HOUR_MS
        sent += scene.at(now_ms + n * 1000, raised(kind, at_ms), cleared(kind, at_ms + MINUTE_MS))
        sent += scene.at(now_ms + n * 1000 + 500, raised(kind, at_ms + 2 * MINUTE_MS))
    assert sent == []

    (digest,) = scene.pass_until(now_ms + 5000, now_ms + HOUR_MS, MINUTE_MS)

    assert digest.kind is MessageKind.DIGEST
    assert len(digest.alert_ids) == 10
    assert digest.created_ms - now_ms <= 4 * MINUTE_MS


def test_a_backlog_that_never_ends_is_not_waited_for_for_ever() -> None:
    scene = Scene(TellTarget("phone"))
    for now_ms in range(NOON_MS, NOON_MS + 11 * MINUTE_MS, 30_000):
        at_ms = now_ms - 8 * HOUR_MS
        scene.at(now_ms, raised(WARM, at_ms), cleared(WARM, at_ms + 1000))

    assert [m.kind for m in scene.sent] == [MessageKind.DIGEST]


def test_twenty_sensors_falling_silent_at_once_are_one_message() -> None:
    scene = Scene()
    silent = [raised(kind_named("sensor-silent"), NOON_MS, sensor=f"float-{n}") for n in range(20)]

    (digest,) = scene.at(NOON_MS, *silent)

    assert digest.kind is MessageKind.DIGEST
    assert len(digest.alert_ids) == 20
    places = "float-0 in bucket-1, float-1 in bucket-1, float-10 in bucket-1 and others"
    assert digest.title == f"Nothing heard from (20): {places}"


def test_urgent_ones_come_first_and_by_themselves() -> None:
    scene = Scene()
    many = [raised(kind_named("sensor-silent"), NOON_MS, sensor=f"float-{n}") for n in range(5)]

    urgent, digest = scene.at(NOON_MS, *many, raised(WARM, NOON_MS, U))

    assert urgent.severity is U
    assert digest.kind is MessageKind.DIGEST
    assert (urgent.order, digest.order) == (0, 1)


def test_what_comes_and_goes_is_said_to_do_so_and_told_once_it_is_calm() -> None:
    scene = Scene(TellTarget("phone"))
    for n in range(0, 40, 4):
        scene.at(NOON_MS + n * MINUTE_MS, raised(WARM, NOON_MS + n * MINUTE_MS))
        scene.at(NOON_MS + (n + 2) * MINUTE_MS, cleared(WARM, NOON_MS + (n + 2) * MINUTE_MS))
    scene.at(NOON_MS + 40 * MINUTE_MS, raised(WARM, NOON_MS + 40 * MINUTE_MS))

    later = scene.pass_until(NOON_MS + 41 * MINUTE_MS, NOON_MS + 5 * HOUR_MS, MINUTE_MS)

    kinds = [m.kind for m in scene.sent]
    first, over = MessageKind.FIRST, MessageKind.OVER
    assert kinds == [first, over, first, over, MessageKind.FLAPPING, first]
    assert [m.created_ms for m in later] == [NOON_MS + 100 * MINUTE_MS]
    assert scene.sent[4].title == "Comes and goes, too warm: Elder Red in bucket-1"
    assert "nothing has changed for 60 minutes" in scene.sent[4].body


def test_each_target_hears_what_it_wants_when_it_wants() -> None:
    scene = Scene(PHONE, MAIL)

    to_mail = scene.at(EVENING_MS, raised(RACK, EVENING_MS, N), raised(COLD, EVENING_MS, W))
    to_phone = scene.pass_until(EVENING_MS, MORNING_MS)

    assert [(m.target, m.title) for m in to_mail] == [("mail", "Too cold: Elder Red in bucket-1")]
    assert [(m.target, m.kind) for m in to_phone] == [("phone", MessageKind.DIGEST)]


def test_a_target_that_is_new_hears_of_what_holds_and_not_of_what_is_over() -> None:
    scene = Scene(MAIL)
    scene.at(NOON_MS, raised(WARM, NOON_MS), raised(COLD, NOON_MS))
    scene.at(NOON_MS + 1, cleared(COLD, NOON_MS + 1))
    scene.pass_until(NOON_MS, NOON_MS + 2 * HOUR_MS)
    scene.rules = TellRules(targets=(MAIL, TellTarget("friend")), units=Units(zone=UTC))

    (new,) = scene.at(NOON_MS + 3 * HOUR_MS)

    assert (new.target, new.title) == ("friend", "Too warm: Elder Red in bucket-1")


def test_with_nobody_to_tell_alerts_live_all_the_same() -> None:
    scene = Scene()
    scene.rules = TellRules()

    assert scene.at(NOON_MS, raised(WARM, NOON_MS)) == []
    scene.at(NOON_MS + 1, cleared(WARM, NOON_MS + 1))

    assert scene.one().state is State.CLEARED
    assert scene.one().is_filed


def test_that_it_ferments_again_is_one_message_and_not_two() -> None:
    scene = Scene()
    finished, again = kind_named("finished"), kind_named("refermenting")
    scene.at(NOON_MS, raised(finished, NOON_MS, N))

    (sent,) = scene.at(NOON_MS + 1000, cleared(finished, NOON_MS + 1000), raised(again, NOON_MS + 1000, W))

    assert sent.title == "Fermenting again: Elder Red in bucket-1"
    assert "Don't bottle" in sent.body


def test_finished_that_ceases_by_itself_is_taken_back() -> None:
    scene = Scene()
    scene.at(NOON_MS, raised(kind_named("finished"), NOON_MS, N))

    (sent,) = scene.at(NOON_MS + 1000, cleared(kind_named("finished"), NOON_MS + 1000))

    assert sent.title == "Over, no longer looks finished: Elder Red in bucket-1"
    assert "don't bottle" in sent.body


def test_an_alert_that_is_over_is_filed_when_nothing_of_it_remains_to_be_told() -> None:
    scene = Scene()
    scene.at(NOON_MS, raised(WARM, NOON_MS))
    scene.at(NOON_MS + HOUR_MS, cleared(WARM, NOON_MS + HOUR_MS))

    assert not scene.one().is_filed
    scene.pass_until(NOON_MS + HOUR_MS, NOON_MS + 3 * HOUR_MS)
    assert scene.one().is_filed


def test_a_message_is_the_same_message_if_the_same_step_is_taken_again() -> None:
    one, other = Scene(), Scene()

    first = one.at(NOON_MS, raised(WARM, NOON_MS))
    again = other.at(NOON_MS + HOUR_MS, raised(WARM, NOON_MS))

    assert [m.id for m in first] == [m.id for m in again]


def test_due_is_a_step_without_news() -> None:
    scene = Scene()
    scene.at(NOON_MS, raised(WARM, NOON_MS))
    live = list(scene.alerts.values())

    assert due(live, NOON_MS + DAY_MS, scene.rules) == step(live, (), NOON_MS + DAY_MS, scene.rules)


def test_the_clock_going_back_an_hour_or_fifty_years_tells_nothing_again() -> None:
    scene = Scene(TellTarget("phone"))
    scene.at(NOON_MS, raised(WARM, NOON_MS))
    for back_ms in (HOUR_MS, DAY_MS, 50 * 365 * DAY_MS):
        assert scene.pass_until(NOON_MS - back_ms, NOON_MS - back_ms + HOUR_MS) == []

    assert scene.pass_until(NOON_MS, NOON_MS + 2 * HOUR_MS) == []


def test_a_message_from_before_is_read_back_as_it_was_written() -> None:
    scene = Scene()
    (sent,) = scene.at(NOON_MS, raised(WARM, NOON_MS))

    assert Message.from_json(sent.to_json()) == sent
