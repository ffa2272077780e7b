"""The life of alerts under every order of events, ticks, acknowledgements, repeats of the same news and restarts."""

import json
from collections import Counter, defaultdict
from datetime import UTC

import hypothesis.strategies as st
from hypothesis import settings
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from mustwatch.alerting import lifecycle
from mustwatch.alerting.alert import Alert, Key, State
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerting.rules import QuietHours, TellRules, TellTarget, Units
from mustwatch.alerting.step import Step, due, step
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.watch.finding import RANK, Change, FindingKind, Severity, Subject, Transition, kind_named

BEGIN_MS = 1_788_300_000_000  # 2026-09-01T21:20Z
QUIET = QuietHours.parse("22:00-07:00")
SLEEPER = TellTarget("sleeper", quiet_hours=QUIET)
PICKY = TellTarget("picky", severities=frozenset({Severity.WARNING, Severity.URGENT}))
RULES = TellRules(targets=(SLEEPER, PICKY), units=Units(zone=UTC))

KINDS = st.sampled_from([kind_named("too-warm"), kind_named("rack-due"), kind_named("finished")])
LOTS = st.sampled_from(["Elder Red", "Plain White"])
NEWS_KINDS = {MessageKind.FIRST, MessageKind.OVER, MessageKind.PAST, MessageKind.WITHDRAWN}


class AlertLife(RuleBasedStateMachine):
    """A store of alerts and an outbox, driven by the watch, the clock, people and power cuts."""

    def __init__(self) -> None:
        super().__init__()
        self.now_ms = BEGIN_MS
        self.event_ms = BEGIN_MS
        self.alerts: dict[str, Alert] = {}
        self.outbox: dict[str, Message] = {}
        self.taken: list[Transition] = []
        self.worst: dict[str, Severity] = {}

    # --- the store -----------------------------------------------------------------------------------------

    def live(self) -> list[Alert]:
        """What the store hands to the next step."""
        return [alert for alert in self.alerts.values() if not alert.is_filed]

    def commit(self, result: Step) -> None:
        """Write a step's result, as one transaction would; an id that is in the outbox would be told twice."""
        for alert in result.changed:
            self.alerts[alert.id] = alert
            known = self.worst.get(alert.id, alert.severity)
            self.worst[alert.id] = max(known, alert.severity, key=RANK.__getitem__)
        for message in result.messages:
            assert message.id not in self.outbox
            assert all(id_ in self.alerts for id_ in message.alert_ids)
            self.outbox[message.id] = message

    # --- what happens --------------------------------------------------------------------------------------

    @rule(
        kind=KINDS,
        lot=LOTS,
        change=st.sampled_from(Change),
        severity=st.sampled_from(Severity),
        later_ms=st.integers(1, 40 * MINUTE_MS),
        lag_ms=st.sampled_from([0, 0, 0, 5 * MINUTE_MS, 8 * HOUR_MS]),
    )
    def the_watch_concludes(
        self, kind: FindingKind, lot: str, change: Change, severity: Severity, later_ms: int, lag_ms: int
    ) -> None:
        """Something begins, changes severity or ceases; now and then the news is hours old."""
        self.event_ms += later_ms
        self.now_ms = max(self.now_ms, self.event_ms + lag_ms)
        transition = Transition(
            kind, change, self.event_ms, severity, Subject(lot, "bucket-1"), {"celsius": 20.0}
        )
        self.taken.append(transition)
        self.commit(step(self.live(), [transition], self.now_ms, RULES))

    @rule(
        lot=LOTS,
        severity=st.sampled_from(Severity),
        times=st.integers(2, 8),
        gap_ms=st.integers(1, 9 * MINUTE_MS),
    )
    def something_flutters(self, lot: str, severity: Severity, times: int, gap_ms: int) -> None:
        """A value at the edge comes and goes in quick succession."""
        for _ in range(times):
            for change in Change:
                self.the_watch_concludes(kind_named("too-warm"), lot, change, severity, gap_ms, 0)

    @precondition(lambda self: self.taken)
    @rule(data=st.data())
    def the_same_news_comes_again_at_once(self, data: st.DataObject) -> None:
        """A transition that was the last one of its key is handed in again: nothing changes."""
        last = self.taken[-1]
        before = dict(self.alerts)
        result = step(self.live(), [last], self.now_ms, RULES)
        assert [a for a in result.changed if a != before.get(a.id) and a.raises != before[a.id].raises] == []
        self.commit(result)

    @rule(minutes=st.integers(1, 20))
    def a_little_time_passes(self, minutes: int) -> None:
        """The clock ticks."""
        self.now_ms += minutes * MINUTE_MS
        self.event_ms = max(self.event_ms, self.now_ms - 9 * HOUR_MS)
        self.commit(due(self.live(), self.now_ms, RULES))

    @rule(hours=st.integers(1, 30))
    def much_time_passes(self, hours: int) -> None:
        """The clock ticks on for hours, as it would: minute by minute is what the daemon does, but coarser."""
        for _ in range(hours):
            self.now_ms += HOUR_MS
            self.commit(due(self.live(), self.now_ms, RULES))
        self.event_ms = max(self.event_ms, self.now_ms - 9 * HOUR_MS)

    @precondition(lambda self: any(not a.is_over for a in self.alerts.values()))
    @rule(data=st.data())
    def somebody_acknowledges(self, data: st.DataObject) -> None:
        """An open alert is acknowledged."""
        open_ = sorted(alert.id for alert in self.alerts.values() if not alert.is_over)
        chosen = data.draw(st.sampled_from(open_))
        self.alerts[chosen] = lifecycle.acknowledge(self.alerts[chosen], self.now_ms)

    @precondition(lambda self: any(not a.is_over for a in self.alerts.values()))
    @rule(data=st.data(), hours=st.integers(1, 30))
    def somebody_puts_it_off(self, data: st.DataObject, hours: int) -> None:
        """An open alert is put off until later."""
        chosen = data.draw(st.sampled_from(sorted(a.id for a in self.alerts.values() if not a.is_over)))
        until_ms = self.now_ms + hours * HOUR_MS
        self.alerts[chosen] = lifecycle.acknowledge(self.alerts[chosen], self.now_ms, until_ms)

    @precondition(lambda self: any(a.state is State.ACKNOWLEDGED for a in self.alerts.values()))
    @rule(data=st.data())
    def somebody_undoes_it(self, data: st.DataObject) -> None:
        """An acknowledging, or a putting off, is undone."""
        known = sorted(a.id for a in self.alerts.values() if a.state is State.ACKNOWLEDGED)
        chosen = data.draw(st.sampled_from(known))
        self.alerts[chosen] = lifecycle.recall(self.alerts[chosen], self.now_ms)

    @rule()
    def the_power_fails_and_comes_back(self) -> None:
        """Everything is what the disk says: a restart by itself tells nothing that was told."""
        text = json.dumps([alert.to_json() for alert in self.alerts.values()])
        kept = {alert.id: alert for alert in (Alert.from_json(value) for value in json.loads(text))}
        assert kept == self.alerts
        self.alerts = kept
        settled = due(self.live(), self.now_ms, RULES)
        self.commit(settled)
        again = due(self.live(), self.now_ms, RULES)
        assert again.changed == ()
        assert again.messages == ()

    # --- what must hold ------------------------------------------------------------------------------------

    @invariant()
    def at_most_one_alert_of_a_key_is_open(self) -> None:
        """One alert per finding and lot, however often it is evaluated."""
        open_: Counter[Key] = Counter(alert.key for alert in self.alerts.values() if not alert.is_over)
        assert max(open_.values(), default=0) <= 1

    @invariant()
    def nothing_is_told_twice(self) -> None:
        """To one target, one alert begins once per severity at most, and ends once at most."""
        begins: Counter[tuple[str, str]] = Counter()
        ends: Counter[tuple[str, str]] = Counter()
        for message in self.outbox.values():
            for id_ in message.alert_ids:
                begins[message.target, id_] += message.kind is MessageKind.FIRST
                ends[message.target, id_] += message.kind in (MessageKind.OVER, MessageKind.PAST)
        assert max(begins.values(), default=0) <= len(Severity)
        assert max(ends.values(), default=0) <= 1

    @invariant()
    def quiet_hours_let_only_urgent_through(self) -> None:
        """What the sleeper gets between ten and seven is urgent and holds."""
        for message in self.outbox.values():
            if message.target == "sleeper" and QUIET.covers(message.created_ms, UTC):
                assert message.severity is Severity.URGENT
                assert message.kind in (
                    MessageKind.FIRST,
                    MessageKind.REPEAT,
                    MessageKind.FLAPPING,
                    MessageKind.DIGEST,
                )

    @invariant()
    def nobody_hears_of_a_severity_not_wanted(self) -> None:
        """The picky one never hears of a notice that was nothing worse."""
        for message in self.outbox.values():
            if message.target == "picky":
                assert any(self.worst[id_] is not Severity.NOTICE for id_ in message.alert_ids)

    @invariant()
    def nothing_chatters(self) -> None:
        """Within an hour one key gives a target the cap's messages, one that says it flaps, and a rise to urgent."""
        news: defaultdict[tuple[str, Key], list[int]] = defaultdict(list)
        for message in self.outbox.values():
            if message.kind in NEWS_KINDS | {MessageKind.FLAPPING}:
                news[message.target, self.alerts[message.alert_ids[0]].key].append(message.created_ms)
        for instants in news.values():
            for begin in instants:
                within = sum(begin <= ms < begin + RULES.flap_window_ms for ms in instants)
                assert within <= RULES.flap_messages + 2

    def teardown(self) -> None:
        """In the end, when all is calm, nothing was forgotten and everything that is over is filed."""
        for _ in range(4 * 24):
            self.now_ms += 30 * MINUTE_MS
            self.commit(due(self.live(), self.now_ms, RULES))
        told: defaultdict[str, set[str]] = defaultdict(set)
        flapped: set[tuple[str, Key]] = set()
        for message in self.outbox.values():
            told[message.target].update(message.alert_ids)
            if message.kind is MessageKind.FLAPPING:
                flapped.add((message.target, self.alerts[message.alert_ids[0]].key))
        for alert in self.alerts.values():
            assert alert.is_filed == alert.is_over
            for target in RULES.targets:
                is_known = alert.acknowledged_ms is not None or (target.name, alert.key) in flapped
                if target.wants(alert.severity, alert.kind) and not is_known:
                    assert alert.id in told[target.name]


AlertLifeTest = AlertLife.TestCase
AlertLifeTest.settings = settings(max_examples=50, stateful_step_count=25, deadline=None)
