"""An excursion that comes back with the days is one finding, one alert and two messages; made-up musts at 24 °C."""

from collections.abc import Callable, Iterator
from math import cos, pi

from mustwatch.alerting.alert import Alert, State, key_of
from mustwatch.alerting.lifecycle import acknowledge
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerting.newest import Newest
from mustwatch.alerting.rules import TellRules, TellTarget
from mustwatch.alerting.step import step
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.profile import Profile
from mustwatch.watch.finding import Change, FindingKind, Severity, Subject, Transition, kind_named
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS

BEGIN_MS = 1_790_000_000_000 // DAY_MS * DAY_MS
TOO_WARM, NIGHT_SWING = kind_named("too-warm"), kind_named("night-swing")
N, W, U = Severity.NOTICE, Severity.WARNING, Severity.URGENT
Warmth = Callable[[float], float]


def afternoons(day: float) -> float:
    """Return 24 °C; on five afternoons in a row, from the second day on, up to 28 °C."""
    peak = max(0.0, cos(2.0 * pi * (day - 0.6))) if 1.0 <= day < 6.0 else 0.0
    return 24.0 + 4.0 * peak


def steps_of(celsius: Warmth, days: float, silent: tuple[float, float] = (0.0, 0.0)) -> Iterator[WatchStep]:
    """Yield what the watch concludes of a probe that speaks every quarter of an hour."""
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    for i in range(int(days * 96)):
        day = i / 96
        if not silent[0] <= day < silent[1]:
            at_ms = BEGIN_MS + i * SLOT_MS + 7
            said_c = celsius(day) + 0.01 * (i % 3)  # one value for ever would be a dead probe
            yield from watch.observe(Observation(at_ms, "probe", "bucket", None, None, said_c))


def found(steps: Iterator[WatchStep], kind: FindingKind) -> list[Transition]:
    """Return the transitions of a kind."""
    return [t for s in steps for t in s.transitions if t.kind is kind]


def day_of(transition: Transition) -> float:
    """Return the day of a transition."""
    return (transition.at_ms - BEGIN_MS) / DAY_MS


class Phone:
    """A phone that is told of a lot as the days go by; ``acks_on``: the day on which its owner acknowledges."""

    def __init__(
        self,
        steps: Iterator[WatchStep],
        kind: FindingKind = TOO_WARM,
        acks_on: float | None = None,
    ) -> None:
        self.alerts: dict[str, Alert] = {}
        self.heard: list[tuple[float, Message]] = []
        rules = TellRules(targets=(TellTarget("phone"),))
        for s in steps:
            now_ms = s.estimate.at_ms
            day = (now_ms - BEGIN_MS) / DAY_MS
            newest = {
                key_of(k, Subject("lot", None, of)): Newest(now_ms, e) for k, of, e in s.figures if k is kind
            }
            live = [a for a in self.alerts.values() if not a.is_filed]
            told = [t for t in s.transitions if t.kind is kind]
            result = step(live, told, now_ms, rules, newest)
            self.alerts.update({a.id: a for a in result.changed})
            self.heard += [(day, message) for message in result.messages]
            if acks_on is not None and day >= acks_on:
                acks_on = None
                self.alerts = {id_: acknowledge(a, now_ms) for id_, a in self.alerts.items()}


def test_five_warm_afternoons_are_one_finding_that_ends_two_days_after_the_last() -> None:
    told = found(steps_of(afternoons, 10.0), TOO_WARM)

    assert [t.severity for t in told if t.change is Change.RAISED] == [W, N] * 5
    (over,) = (t for t in told if t.change is Change.CLEARED)
    assert told[-1] is over
    assert 7.7 < day_of(over) < 8.2
    assert over.evidence["worst_celsius"] == 28.01
    assert over.evidence["days_beyond"] == 5
    assert 47 * 60 < float(over.evidence["minutes_inside"] or 0) < 50 * 60


def test_days_without_a_word_end_nothing() -> None:
    told = found(steps_of(afternoons, 9.0, silent=(6.0, 8.9)), TOO_WARM)

    assert [t for t in told if t.change is Change.CLEARED] == []


def test_the_phone_hears_of_them_when_they_begin_and_when_they_are_over() -> None:
    phone = Phone(steps_of(afternoons, 10.0))

    assert [message.kind for _, message in phone.heard] == [MessageKind.FIRST, MessageKind.OVER]
    over = phone.heard[-1][1]
    assert "no longer too warm" in over.title
    assert "At worst it was at 28.0 °C, and outside on 5" in over.body
    (alert,) = phone.alerts.values()
    assert alert.cleared_ms is not None
    assert "It lasted from" in over.body


def test_in_between_the_alert_says_on_how_many_of_the_days() -> None:
    (alert,) = Phone(steps_of(afternoons, 4.9)).alerts.values()

    assert alert.severity is N
    assert alert.figures()["days_beyond"] == 4
    assert alert.figures()["of_days"] == 4
    assert alert.summary.startswith("Was too warm: lot")


def test_a_must_that_stays_too_warm_is_still_reminded_of() -> None:
    phone = Phone(steps_of(lambda day: 28.0 if day > 1.0 else 24.0, 4.5))

    # After a day, and after two more: each reminder comes after twice as long.
    assert [m.kind for _, m in phone.heard] == [MessageKind.FIRST, MessageKind.REPEAT, MessageKind.REPEAT]


def test_an_afternoon_beyond_the_urgent_limit_is_told_once_more_and_what_is_acknowledged_stays_so() -> None:
    def hotter(day: float) -> float:
        return afternoons(day) + (7.0 if 3.5 < day < 3.62 or 4.5 < day < 4.62 else 0.0)

    phone = Phone(steps_of(hotter, 4.6), acks_on=1.8)
    kinds = [m.kind for _, m in phone.heard]

    assert kinds.count(MessageKind.FIRST) == 2
    assert 3.5 < phone.heard[1][0] < 3.7
    assert "Urgent, much too warm" in phone.heard[1][1].title
    acked = Phone(steps_of(afternoons, 5.5), acks_on=1.8)
    assert [a.state for a in acked.alerts.values()] == [State.ACKNOWLEDGED]
    assert len(acked.heard) == 1


def test_whoever_was_asleep_is_told_in_the_morning_of_what_has_eased_since() -> None:
    """A target that wants no notices hears of a warning that has eased to one before anything was told."""
    at_ms = BEGIN_MS
    rules = TellRules(targets=(TellTarget("mail", severities=frozenset({W, U})),))
    subject = Subject("lot", "bucket")
    raised = Transition(TOO_WARM, Change.RAISED, at_ms, W, subject, {"celsius": 28.0})
    eased = Transition(TOO_WARM, Change.RAISED, at_ms + HOUR_MS, N, subject, {"celsius": 24.0})

    result = step((), (raised, eased), at_ms + HOUR_MS, rules)

    assert [m.kind for m in result.messages] == [MessageKind.FIRST]


def test_swinging_nights_of_one_week_are_one_finding_with_a_count() -> None:
    def nights(day: float) -> float:
        return 18.0 + (5.0 * cos(2.0 * pi * (day - 0.75)) if day < 4.0 else 0.0)

    told = found(steps_of(nights, 8.0), NIGHT_SWING)
    phone = Phone(steps_of(nights, 3.6), NIGHT_SWING)

    assert [t.change for t in told] == [Change.RAISED, Change.CLEARED]
    assert 5.3 < day_of(told[1]) < 6.5
    (swing,) = phone.alerts.values()
    assert (swing.figures()["nights_swung"], swing.figures()["of_nights"]) == (3, 3)
