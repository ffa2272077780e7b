"""Whatever the order in which things were typed and readings came in, the conclusion is that of the true order."""

from collections import defaultdict
from datetime import UTC

import hypothesis.strategies as st
from hypothesis import given, settings

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerting.reconcile import reconcile
from mustwatch.alerting.rules import QuietHours, TellRules, TellTarget, Units
from mustwatch.alerting.step import Step, due, step
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.watch.finding import Change, FindingKind, Severity, Subject, Transition, kind_named

BEGIN_MS = 1_788_300_000_000
SLOT_MS = 10 * MINUTE_MS
LOT = "Elder Red"
KINDS = (kind_named("stuck"), kind_named("too-warm"), kind_named("float-frozen"))
RULES = TellRules(
    targets=(TellTarget("awake"), TellTarget("sleeper", quiet_hours=QuietHours.parse("22:00-07:00"))),
    units=Units(zone=UTC),
)

History = list[Transition]
"""What a watch concludes of a lot from one version of the truth, in order."""

KNOWN = tuple[FindingKind, int, int | None, tuple[tuple[int, Severity], ...]]


def transition(kind: FindingKind, slot: int, severity: Severity | None) -> Transition:
    """Return a raise at a severity, or with None a clearing, at the end of a slot."""
    sensor = "float-3" if kind is kind_named("float-frozen") else None
    change = Change.CLEARED if severity is None else Change.RAISED
    subject = Subject(LOT, "bucket-1", sensor)
    return Transition(
        kind, change, BEGIN_MS + slot * SLOT_MS, severity or Severity.NOTICE, subject, {"gravity": 1.02}
    )


@st.composite
def histories(draw: st.DrawFn, slots: int = 40) -> History:
    """Draw a history as a watch makes it: each finding raised, risen or eased, and cleared in turn."""
    made: History = []
    for kind in KINDS:
        holds: Severity | None = None
        instants = draw(st.lists(st.integers(1, slots), unique=True, max_size=6))
        for slot in sorted(instants):
            others = [s for s in (*Severity, None) if s is not holds]
            holds = draw(st.sampled_from(others))
            made.append(transition(kind, slot, holds))
    return sorted(made, key=lambda t: t.at_ms)


class Store:
    """The alerts and messages as they stand on disk."""

    def __init__(self) -> None:
        self.alerts: dict[str, Alert] = {}
        self.messages: dict[str, Message] = {}

    def commit(self, result: Step) -> None:
        """Write a step's result; a message that is there already would be told twice."""
        for alert in result.changed:
            self.alerts[alert.id] = alert
        for message in result.messages:
            assert message.id not in self.messages
            self.messages[message.id] = message

    def live(self) -> list[Alert]:
        """What a step is handed."""
        return [alert for alert in self.alerts.values() if not alert.is_filed]

    def play(self, history: History) -> None:
        """Take a history live: each transition in a batch of its own, at its time."""
        for concluded in history:
            self.commit(step(self.live(), [concluded], concluded.at_ms, RULES))

    def replace_since(self, history: History, since_ms: int, now_ms: int) -> None:
        """Learn at an instant that from ``since_ms`` on it was really like this."""
        since = [t for t in history if t.at_ms > since_ms]
        self.commit(reconcile(LOT, self.alerts.values(), since, since_ms, now_ms, RULES))

    def known(self) -> set[KNOWN]:
        """What is concluded: every stretch over which something held, with its severities."""
        return {
            (a.kind, a.opened_ms, a.cleared_ms, tuple((r.at_ms, r.severity) for r in a.raises))
            for a in self.alerts.values()
            if not a.is_withdrawn
        }


def in_order(history: History) -> set[KNOWN]:
    """Return what is concluded when everything comes in its order."""
    store = Store()
    store.play(history)
    return store.known()


def spliced(old: History, new: History, since_ms: int) -> History:
    """Return the history that is the old one up to an instant, and from then on what the new one makes of it.

    A watch that starts again from a snapshot says nothing that already holds, and clears nothing that does not.
    """
    kept = [t for t in old if t.at_ms <= since_ms]
    holds: defaultdict[FindingKind, Severity | None] = defaultdict(lambda: None)
    for t in kept:
        holds[t.kind] = t.severity if t.change is Change.RAISED else None
    for t in new:
        severity = t.severity if t.change is Change.RAISED else None
        if t.at_ms > since_ms and holds[t.kind] is not severity:
            holds[t.kind] = severity
            kept.append(t)
    return kept


END_MS = BEGIN_MS + 41 * SLOT_MS


@settings(max_examples=200, deadline=None)
@given(
    first=histories(),
    corrections=st.lists(st.tuples(histories(), st.integers(0, 40)), min_size=1, max_size=3),
)
def test_the_conclusion_is_that_of_the_true_order(
    first: History, corrections: list[tuple[History, int]]
) -> None:
    store = Store()
    store.play(first)
    truth = first
    now_ms = END_MS
    for other, slot in corrections:
        since_ms = BEGIN_MS + slot * SLOT_MS
        truth = spliced(truth, other, since_ms)
        store.replace_since(truth, since_ms, now_ms)

        assert store.known() == in_order(truth)
        now_ms += 17 * MINUTE_MS


@settings(max_examples=100, deadline=None)
@given(first=histories(), other=histories(), slot=st.integers(0, 40))
def test_reconciling_twice_changes_and_tells_nothing_more(first: History, other: History, slot: int) -> None:
    store = Store()
    store.play(first)
    since_ms = BEGIN_MS + slot * SLOT_MS
    truth = spliced(first, other, since_ms)
    store.replace_since(truth, since_ms, END_MS)

    again = reconcile(
        LOT, store.alerts.values(), [t for t in truth if t.at_ms > since_ms], since_ms, END_MS, RULES
    )

    assert again.changed == ()
    assert again.messages == ()


@settings(max_examples=100, deadline=None)
@given(first=histories(), slot=st.integers(0, 40))
def test_learning_what_was_known_tells_nothing_new(first: History, slot: int) -> None:
    store = Store()
    store.play(first)
    before = store.known()
    store.commit(due(store.live(), END_MS, RULES))
    told = dict(store.messages)

    store.replace_since(first, BEGIN_MS + slot * SLOT_MS, END_MS)

    assert store.known() == before
    assert store.messages == told


@settings(max_examples=200, deadline=None)
@given(first=histories(), other=histories(), slot=st.integers(0, 40))
def test_whoever_was_told_what_never_held_is_told_so_exactly_once(
    first: History, other: History, slot: int
) -> None:
    store = Store()
    store.play(first)
    since_ms = BEGIN_MS + slot * SLOT_MS
    truth = spliced(first, other, since_ms)
    stretches = in_order(truth)
    store.replace_since(truth, since_ms, END_MS)
    now_ms = END_MS
    for _ in range(48):
        now_ms += HOUR_MS
        store.commit(due(store.live(), now_ms, RULES))

    ways = (MessageKind.WITHDRAWN, MessageKind.DIGEST)
    later = [m for m in store.messages.values() if m.kind in ways and m.created_ms >= END_MS]
    told_of = [(m.target, id_) for m in later for id_ in m.alert_ids if store.alerts[id_].is_withdrawn]
    assert len(told_of) == len(set(told_of))
    flapped = {
        (m.target, store.alerts[m.alert_ids[0]].key)
        for m in store.messages.values()
        if m.kind is MessageKind.FLAPPING
    }
    for alert in store.alerts.values():
        if not alert.is_withdrawn:
            continue
        assert alert.is_filed
        covered = any(
            kind is alert.kind
            and opened <= (alert.cleared_ms or END_MS)
            and alert.opened_ms <= (END_MS if cleared is None else cleared)
            for kind, opened, cleared, _ in stretches
        )
        for target in RULES.targets:
            was_told = alert.told(target.name).severity is not None
            if was_told and not covered and (target.name, alert.key) not in flapped:
                assert (target.name, alert.id) in told_of
