"""After a late entry or reading: make the alerts what they would be had everything come in order.

The watch recomputes a lot from an instant on and hands over its transitions since then. Each stretch over which
a finding held is matched to the stored alert that overlaps it, which keeps its id, its acknowledgement and what
was told of it; a stretch nobody knew opens an alert; an alert that matches no stretch never held: it is
withdrawn, and whoever was told of it is told that, once.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from mustwatch.alerting import lifecycle, wording
from mustwatch.alerting.alert import (
    LOT_ENDED,
    MAX_RAISES,
    Alert,
    Key,
    Raise,
    alert_id,
    key_of,
)
from mustwatch.alerting.newest import Newest
from mustwatch.alerting.rules import TellRules
from mustwatch.alerting.step import NOTHING_NEW, Step, finish
from mustwatch.watch.finding import RANK, Change, Figures, Subject, Transition, kind_named

FOREVER_MS = 2**62


class LotEnd(NamedTuple):
    """When a lot ended, and how in a word (``bottled``)."""

    at_ms: int
    how: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """A finding held from its first raise until it was cleared, or holds still; as recomputed."""

    subject: Subject
    raises: tuple[Raise, ...]
    cleared_ms: int | None = None
    cleared_evidence: Figures | None = None

    @property
    def until_ms(self) -> int:
        """Return its end, far away if it holds still."""
        return FOREVER_MS if self.cleared_ms is None else self.cleared_ms


def reconcile(
    lot: str,
    stored: Iterable[Alert],
    recomputed: Sequence[Transition],
    since_ms: int,
    now_ms: int,
    rules: TellRules,
    end: LotEnd | None = None,
    newest: Mapping[Key, Newest] = NOTHING_NEW,
) -> Step:
    """Replace what was concluded of a lot since an instant by what was recomputed, and tell the difference.

    Args:
        lot: the lot.
        stored: the lot's alerts that were open at ``since_ms`` or opened later, withdrawn and filed ones
            included (more do no harm: earlier ones and those of other lots are left alone), and all alerts
            that are not filed, as ``step`` wants them.
        recomputed: all transitions of the lot after ``since_ms``, oldest first.
        since_ms: where recomputation began, event time; what was concluded up to and at that instant stands.
            To let nothing stand (the lot's beginning moved, or it is gone), an instant before everything.
        now_ms: the daemon's clock.
        rules: whom to tell, and how.
        end: when and how the lot ended: what held then ends with it, and nobody is told of that; None while it lasts.
        newest: what is known now of findings that hold.
    """
    before = {alert.id: alert for alert in stored}
    now = dict(before)
    concerned: defaultdict[Key, list[Alert]] = defaultdict(list)
    for alert in before.values():
        is_decided = alert.kind.is_decided_by_lot(alert.evidence)
        if alert.subject.lot == lot and is_decided and _is_since(alert, since_ms):
            concerned[alert.key].append(alert)
    transitions: defaultdict[Key, list[Transition]] = defaultdict(list)
    for transition in recomputed:
        if transition.kind.is_of_lot and transition.at_ms > since_ms:
            transitions[key_of(transition.kind, transition.subject)].append(transition)
    for key in {**concerned, **transitions}:
        for alert in _reconcile_key(key, concerned[key], transitions[key], since_ms, now_ms, set(now), end):
            now[alert.id] = replace(alert, summary=wording.summary(alert, rules.units))
    return finish(before, now, now_ms, rules, newest)


def _is_since(alert: Alert, since_ms: int) -> bool:
    return alert.cleared_ms is None or alert.cleared_ms > since_ms or alert.opened_ms > since_ms


def _reconcile_key(
    key: Key,
    stored: Sequence[Alert],
    transitions: Sequence[Transition],
    since_ms: int,
    now_ms: int,
    taken: set[str],
    end: LotEnd | None,
) -> list[Alert]:
    """Return the alerts of one key that are new or changed."""
    stretches = _stretches(_open_before(stored, since_ms), transitions)
    if end is not None:
        stretches = [_ended(stretch, end) for stretch in stretches]
    unmatched = sorted(stored, key=lambda alert: (alert.opened_ms, alert.id))
    result: list[Alert] = []
    for stretch in stretches:
        match = _best_match(stretch, unmatched)
        if match is None:
            made = _made(key, stretch, now_ms, taken)
            taken.add(made.id)
            result.append(made)
        else:
            unmatched.remove(match)
            result.append(_become(match, stretch, now_ms))
    held = [(stretch.raises[0].at_ms, stretch.until_ms) for stretch in stretches]
    for alert in unmatched:
        if not alert.is_withdrawn:
            result.append(_take_back(alert, held, now_ms, end))
    return [alert for alert in result if alert not in stored]


def _open_before(stored: Sequence[Alert], since_ms: int) -> Stretch | None:
    """Return the stretch that held when recomputation began, as it was known then."""
    for alert in stored:
        if alert.opened_ms <= since_ms and not alert.is_withdrawn:
            raises = tuple(was for was in alert.raises if was.at_ms <= since_ms)
            return Stretch(alert.subject, raises)
    return None


def _stretches(open_before: Stretch | None, transitions: Sequence[Transition]) -> list[Stretch]:
    """Fold transitions of one key into stretches, by the same rules as ``step`` does."""
    done: list[Stretch] = []
    current = open_before
    for transition in transitions:
        evidence = dict(transition.evidence)
        raised = Raise(transition.at_ms, transition.severity, evidence)
        if transition.change is Change.CLEARED:
            if current is not None:
                cleared_ms = max(transition.at_ms, current.raises[-1].at_ms)
                done.append(replace(current, cleared_ms=cleared_ms, cleared_evidence=evidence))
            current = None
        elif current is None:
            current = Stretch(transition.subject, (raised,))
        elif current.raises[-1].severity is not transition.severity:
            raises = (*current.raises, raised)
            if len(raises) > MAX_RAISES:
                raises = (raises[0], *raises[-(MAX_RAISES - 1) :])
            current = replace(current, subject=transition.subject, raises=raises)
    return done if current is None else [*done, current]


def _best_match(stretch: Stretch, unmatched: Sequence[Alert]) -> Alert | None:
    """Return the stored alert that a stretch is the truth of: the one it overlaps, open and told ones first."""
    overlapping = [
        alert
        for alert in unmatched
        if alert.opened_ms <= stretch.until_ms and stretch.raises[0].at_ms <= _end_ms(alert)
    ]

    def preference(alert: Alert) -> tuple[bool, bool, int, int]:
        same_end = alert.is_over == (stretch.cleared_ms is not None)
        return (not alert.is_withdrawn, same_end, alert.times_told, -alert.opened_ms)

    return max(overlapping, key=preference, default=None)


def _end_ms(alert: Alert) -> int:
    return FOREVER_MS if alert.cleared_ms is None else alert.cleared_ms


def _made(key: Key, stretch: Stretch, now_ms: int, taken: set[str]) -> Alert:
    return Alert(
        id=alert_id(key, stretch.raises[0].at_ms, taken),
        kind=kind_named(key[0]),
        subject=stretch.subject,
        raises=stretch.raises,
        noticed_ms=now_ms,
        cleared_ms=stretch.cleared_ms,
        cleared_evidence=stretch.cleared_evidence or {},
    )


def _become(alert: Alert, stretch: Stretch, now_ms: int) -> Alert:
    """Return a stored alert as the stretch says it was, keeping what people were told and what they said."""
    is_same = (
        not alert.is_withdrawn
        and alert.raises == stretch.raises
        and alert.cleared_ms == stretch.cleared_ms
        and alert.subject == stretch.subject
        and dict(alert.cleared_evidence) == dict(stretch.cleared_evidence or {})
    )
    if is_same:
        return alert
    was_open = not alert.is_over
    if alert.is_withdrawn or (alert.is_over and stretch.cleared_ms is None):
        alert = lifecycle.reinstate(alert, now_ms)
    is_worse = RANK[stretch.raises[-1].severity] > RANK[alert.severity]
    is_news = is_worse or was_open != (stretch.cleared_ms is None)
    return replace(
        alert,
        subject=stretch.subject,
        raises=stretch.raises,
        cleared_ms=stretch.cleared_ms,
        cleared_evidence=stretch.cleared_evidence or {},
        acknowledged_ms=None if is_worse and stretch.cleared_ms is None else alert.acknowledged_ms,
        put_off_ms=None if is_worse and stretch.cleared_ms is None else alert.put_off_ms,
        noticed_ms=now_ms if is_news else alert.noticed_ms,
    )


def _ended(stretch: Stretch, end: LotEnd) -> Stretch:
    """Return a stretch that held when the lot ended as over with it."""
    if stretch.cleared_ms is not None:
        return stretch
    cleared_ms = max(end.at_ms, stretch.raises[-1].at_ms)
    return replace(stretch, cleared_ms=cleared_ms, cleared_evidence={LOT_ENDED: end.how})


def _take_back(
    alert: Alert, held: Sequence[tuple[int, int]], now_ms: int, end: LotEnd | None = None
) -> Alert:
    """Return a stored alert withdrawn: silently where another alert now covers its time, for then it did hold, and
    where the lot had ended before, as was written down later.
    """
    withdrawn = lifecycle.withdraw(alert, now_ms)
    if end is not None and alert.opened_ms >= end.at_ms:
        return replace(withdrawn, cleared_evidence={LOT_ENDED: end.how})
    if any(begin <= _end_ms(alert) and alert.opened_ms <= end for begin, end in held):
        tellings = {name: replace(t, is_end_told=True, held=None) for name, t in withdrawn.tellings.items()}
        return replace(withdrawn, tellings=tellings)
    return withdrawn
