"""Where readings become conclusions: place, correct, estimate, detect, alert. One evaluation per store.

The daemon, ``replay`` and the recording commands all use this, so that they conclude alike. Readings are taken in
memory; ``commit`` writes them, the watch's state, alerts, outbox and which lots are to be evaluated again, all in one
transaction given by the caller; ``revise`` does that, a slice at a time, while the lots' watches go on as they were. If
either fails, throw the evaluation away and make another from the store: what is in memory is then ahead of the disk.
"""

import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any, NamedTuple

from mustwatch.alerting.alert import LOT_ENDED, Alert, Key, key_of
from mustwatch.alerting.newest import Newest
from mustwatch.alerting.reconcile import LotEnd, reconcile
from mustwatch.alerting.step import Step, step
from mustwatch.cellar.history import BEGINNING_MS, END_MS, CellarHistory, LotHistory, Placement
from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import CellarPlan
from mustwatch.evaluation.placing import Placer, observed
from mustwatch.evaluation.rebuild import Rebuild
from mustwatch.evaluation.revision import Pass
from mustwatch.evaluation.revisions import Behind, Revisions
from mustwatch.evaluation.ways import Ways
from mustwatch.store.store import Store
from mustwatch.store.watching import Checkpoint
from mustwatch.watch.curve import Forecast
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Change, Severity, Subject, Transition
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.sensor_watch import SensorWatch
from mustwatch.watch.slots import SLOT_MS

GRACE_MS = 1 * MINUTE_MS
"""A slot is closed by the clock this long after its end: readings on their way still count for it."""
SLICE_S = 0.1
"""How long one lot is evaluated again before anything else comes in between."""
LATEST_LOOKBACK_MS = 60 * DAY_MS
"""How far back the newest reading of a sensor is looked for when the daemon starts."""


class Outcome(NamedTuple):
    """What a commit came to: readings written, duplicates dropped, messages put in the outbox."""

    stored: int
    duplicates: int
    messages: int


@dataclass(slots=True)
class _Pending:
    """What has been taken and not yet written."""

    fresh: list[Reading] = field(default_factory=list)
    completing: list[Reading] = field(default_factory=list)
    duplicates: int = 0
    steps: dict[str, list[WatchStep]] = field(default_factory=dict)
    late: dict[str, int] = field(default_factory=dict)
    is_of_book: bool = False
    transitions: list[Transition] = field(default_factory=list)
    _known: dict[tuple[str, int], Reading] = field(default_factory=dict)

    def fresh_at(self, sensor: str, observed_ms: int) -> Reading | None:
        """Return what a sensor said at an instant, if that is not yet written. Asked of late readings alone."""
        for reading in self.fresh[len(self._known) :]:
            self._known[reading[0], reading[1]] = reading
        return self._known.get((sensor, observed_ms))

    def note_late(self, lot: str, at_ms: int) -> None:
        """Remember that a lot is to be evaluated again from an instant."""
        self.late[lot] = min(at_ms, self.late.get(lot, at_ms))


class Evaluation:
    """The live conclusions about a whole cellar."""

    def __init__(self, store: Store, plan: CellarPlan, now_ms: int) -> None:
        """Take up from what the store holds. Writes nothing."""
        self._store = store
        self._plan = plan
        self._pending = _Pending()
        self._placer = Placer(store, plan)
        self._rebuild = Rebuild(store, plan, self._placer)
        self._watches: dict[str, LotWatch] = {}
        self._revisions = Revisions(store)
        self._standing_in: set[str] = set()
        self._ways = Ways(self._placer, self._watches)
        self._book_seq = min(store.watching.kept_number("book_seq") or 0, store.book.newest_change())
        self._alerts_due_ms: int | None = now_ms
        self._unsaved: set[str] = set()
        self._foretold: set[str] = set()
        """Lots of which it was told what an entry ends before its slot had closed; judged anew once it has."""
        self._is_state_due = False
        self._heard: set[str] = set()
        held: dict[str | None, list[Alert]] = {}
        for alert in store.alerts.open():
            held.setdefault(alert.subject.sensor, []).append(alert)
        for sensor in plan.sensors.values():
            latest = store.readings.latest(sensor.id, now_ms - LATEST_LOOKBACK_MS)
            snapshot = store.watching.kept(f"sensor:{sensor.id}")
            sensor_watch = SensorWatch.restore(snapshot, sensor) if snapshot else SensorWatch(sensor)
            for alert in held.get(sensor.id, ()):
                sensor_watch.hold(alert.kind, alert.severity, alert.opened_ms, alert.subject.vessel)
            # One that was set aside may be said again: what is not newer than it is looked up.
            last_ms = max(
                BEGINNING_MS if latest is None else latest.observed_ms,
                *(aside.reading.observed_ms for aside in store.readings.aside(sensor.id)),
                BEGINNING_MS,
            )
            self._ways.add(sensor.id, sensor_watch, last_ms)
        for history in self.history.lots.values():
            if history.ended_ms is None:
                self._take_up(history)

    @property
    def history(self) -> CellarHistory:
        """Return the cellar's history as last read from the book."""
        return self._placer.history

    @property
    def watches(self) -> Mapping[str, LotWatch]:
        """Return the live watch of every lot not yet bottled."""
        return self._watches

    def place(self, sensor: str, at_ms: int) -> Placement:
        """Return where a sensor's statement of an instant belongs."""
        return self._placer.place(sensor, at_ms)

    @property
    def wants_commit(self) -> bool:
        """Say whether what is pending should be written now: something began or ceased to hold, or was written."""
        return bool(self._pending.transitions) or self._pending.is_of_book

    def _take_up(self, history: LotHistory) -> None:
        """Restore a lot's watch and give it what came after its horizon.

        That closes no slot, since a slot's closing is written with the reading that closed it. If it does (a
        newer version began anew, the store was thinned, a replay was broken off), the lot is evaluated again as of
        a late reading; until that is done, a watch stands in that has heard the last day alone, and of that only what
        it says of the temperature is told.
        """
        lot = history.lot
        watch, horizon_ms = self._rebuild.restored(history, END_MS)
        self._rebuild.recall_temperatures(history, horizon_ms)
        if any(True for _ in self._rebuild.feed(watch, history, horizon_ms)):
            if lot not in self._revisions:
                self._pending.note_late(lot, horizon_ms)
            watch, found = self._rebuild.stand_in(history)
            latest = {t.kind: t for t in found if t.kind.is_early}
            self._pending.transitions += [t for t in latest.values() if t.change is Change.RAISED]
            self._standing_in.add(lot)
        elif watch.has_entries:
            self._foretold.add(lot)
        self._watches[lot] = watch

    # --- readings ------------------------------------------------------------------------------------------

    def take(self, reading: Reading) -> None:
        """Take one reading into memory and draw its conclusions; a duplicate is counted and dropped."""
        pending = self._pending
        sensor, observed_ms = reading[0], reading[1]
        way = self._ways.of(sensor)
        if observed_ms > way.last_ms:
            way.last_ms = observed_ms
        else:
            known = pending.fresh_at(sensor, observed_ms) or self._store.readings.get(sensor, observed_ms)
            if known is not None:
                self._take_again(reading, known)
                return
        pending.fresh.append(reading)
        if not way.from_ms <= observed_ms < way.until_ms:
            self._ways.lead(way, sensor, observed_ms)
        vessel, lot, watch, corrector = way.vessel, way.lot, way.watch, way.corrector
        if way.sensor_watch is not None:
            told = way.heard(way.sensor_watch, reading)
            if told:
                pending.transitions.extend(told)
        if lot is None or vessel is None:
            return
        if watch is None or corrector is None or observed_ms < watch.horizon_ms:
            pending.note_late(lot, observed_ms)
            return
        steps = watch.observe(observed(reading, vessel, corrector))
        if steps:
            self._stepped(lot, steps)

    def _take_again(self, reading: Reading, known: Reading) -> None:
        """Drop a duplicate; keep of it what the stored reading of that instant lacks."""
        if all(new is None or old is not None for new, old in zip(reading[3:8], known[3:8], strict=True)):
            self._pending.duplicates += 1
            return
        self._pending.completing.append(reading)
        lot = self._placer.place(reading.sensor, reading.observed_ms).lot
        if lot is not None:
            self._pending.note_late(lot, reading.observed_ms)

    @property
    def ways(self) -> Ways:
        """Return where each sensor's readings go."""
        return self._ways

    @property
    def is_late(self) -> bool:
        """Say whether a reading taken and not yet written came late for its lot."""
        return bool(self._pending.late)

    def note_fresh(self, readings: Iterable[Reading]) -> None:
        """Keep readings that are concluded elsewhere to be written with the next commit."""
        self._pending.fresh.extend(readings)

    def note_told(self, lot: str, transitions: Iterable[Transition], steps: Sequence[WatchStep]) -> None:
        """Take what such a reading told of its sensor, and the slots of its lot that it closed."""
        self._pending.transitions.extend(transitions)
        if steps:
            self._stepped(lot, steps)

    def _stepped(self, lot: str, steps: Sequence[WatchStep]) -> None:
        pending = self._pending
        if lot in self._standing_in:
            pending.transitions += [t for s in steps for t in s.transitions if t.kind.is_early]
            return
        if lot in self._foretold:
            self._foretold.discard(lot)
            pending.note_late(lot, steps[0].estimate.at_ms - SLOT_MS)
        pending.steps.setdefault(lot, []).extend(steps)
        for of_step in steps:
            if of_step.transitions:
                pending.transitions.extend(of_step.transitions)

    # --- the clock and the book ----------------------------------------------------------------------------

    def advance(self, now_ms: int) -> None:
        """Close the slots that the clock has passed. Call only when no backlog is waiting to be taken."""
        for lot, watch in self._watches.items():
            steps = watch.advance(now_ms - GRACE_MS)
            if steps:
                self._stepped(lot, steps)

    def find(self, transitions: Iterable[Transition]) -> None:
        """Take findings that were made elsewhere: silence, storage, delivery, clock."""
        self._pending.transitions.extend(transitions)

    def is_due(self, now_ms: int) -> bool:
        """Say whether something waits to be written or told: call ``commit`` then."""
        pending = self._pending
        return bool(
            pending.fresh or pending.completing or pending.steps or pending.late or pending.transitions
        ) or (self._alerts_due_ms is not None and now_ms >= self._alerts_due_ms)

    def read_book(self) -> None:
        """Note every lot that the book has changed since last looked at, to be evaluated again."""
        changes = self._store.book.changes_after(self._book_seq)
        if not changes:
            return
        former, self._placer = self._placer, Placer(self._store, self._plan)
        self._placer.go_on_from(former)
        self._rebuild = Rebuild(self._store, self._plan, self._placer)
        self._revisions.begin_anew()
        self._ways.forget(self._placer)
        self._pending.is_of_book = True
        self._pending.transitions.extend(self._ways.booked())
        for change in changes:
            self._pending.note_late(change.lot, change.from_ms)
            self._book_seq = change.seq

    def reconsider_since(self, at_ms: int) -> None:
        """Note every lot to be evaluated again from an instant: its readings have been moved in time."""
        for lot, history in self.history.lots.items():
            if history.ended_ms is None or history.ended_ms >= at_ms:
                self._pending.note_late(lot, max(at_ms, history.started_ms))

    # --- writing -------------------------------------------------------------------------------------------

    def commit(self, now_ms: int, *, with_states: bool = True) -> Outcome:
        """Write everything pending, in the caller's transaction, and return what it came to.

        Without ``with_states`` all but what the watches remember is written: that is left to a later commit. Should
        there be none, the lots are evaluated again from what was written last.
        """
        pending, self._pending = self._pending, _Pending()
        store = self._store
        store.readings.add(pending.fresh)
        for reading in pending.completing:
            store.readings.complete(reading)
        self._heard.update({reading[0] for reading in pending.fresh})
        stepped = pending.steps.keys()
        store.watching.add_estimates_of(
            [(lot, s.estimate) for lot in sorted(stepped) for s in pending.steps[lot]]
        )
        self._unsaved |= stepped
        messages = 0
        is_due = self._alerts_due_ms is not None and now_ms >= self._alerts_due_ms
        lots = self.history.lots
        newest = dict(
            chain.from_iterable(_figures_of(lots.get(lot), lot, pending.steps[lot][-1]) for lot in stepped)
        )
        newest.update(self._ways.figures(self._heard))
        if pending.transitions or is_due or newest:
            store.watching.log(pending.transitions)
            self._save_sensors({t.subject.sensor for t in pending.transitions if t.subject.sensor})
            live, rules = store.alerts.live(), self._plan.rules
            messages += self._settle(step(live, pending.transitions, now_ms, rules, newest))
        for lot, from_ms in pending.late.items():
            self._revisions.note(lot, from_ms)
        if pending.late:
            store.watching.keep("book_seq", str(self._book_seq))
        self._is_state_due |= bool(stepped or pending.late)
        if with_states and self._is_state_due:
            self._save_states()
            self._is_state_due = False
        return Outcome(len(pending.fresh), pending.duplicates, messages)

    def _settle(self, result: Step) -> int:
        """Write what the alerts came to; return how many messages were put in the outbox."""
        self._store.alerts.save(result.changed)
        self._store.outbox.put(result.messages)
        self._alerts_due_ms = result.next_due_ms
        return len(result.messages)

    def _save_states(self) -> None:
        """Write what the watches remember of lots whose slots closed, and of sensors that were heard."""
        for lot in sorted(self._unsaved):
            watch = self._watches.get(lot)
            if watch is not None:
                self._save_state(lot, watch)
        self._unsaved.clear()
        self._save_sensors(self._heard)
        self._heard.clear()

    def _save_sensors(self, sensors: set[str]) -> None:
        for sensor_id, snapshot in self._ways.snapshots(sensors):
            self._store.watching.keep(f"sensor:{sensor_id}", snapshot)

    def _save_state(self, lot: str, watch: LotWatch) -> None:
        watching = self._store.watching
        watching.save_checkpoint(Checkpoint(lot, watch.horizon_ms, watch.snapshot()))
        watching.save_now(lot, now_body(watch.estimate(), watch.forecast()))

    # --- evaluating again ----------------------------------------------------------------------------------

    @property
    def is_behind(self) -> bool:
        """Say whether lots are to be evaluated again: call ``revise`` until none is."""
        return bool(len(self._revisions))

    def behind(self) -> tuple[Behind, ...]:
        """Return which lots are to be evaluated again, and how much of that is done."""
        return self._revisions.behind()

    def settle(self, now_ms: int, *, with_states: bool = True) -> Outcome:
        """Write everything pending and evaluate again all there is, however long it takes."""
        with self._store.transaction():
            outcome = self.commit(now_ms, with_states=with_states)
        messages = outcome.messages
        while self.is_behind:
            messages += self.revise(now_ms)
        return outcome._replace(messages=messages)

    def revise(self, now_ms: int, budget_s: float = SLICE_S) -> int:
        """Evaluate one lot again for ``budget_s``, and write that; return how many messages were put in the outbox.

        Nothing may be pending. The store's lock is held for the writing alone.
        """
        lot = self._revisions.next()
        history = self.history.lots.get(lot)
        if history is None:
            return self._forget(lot, now_ms)
        underway = self._revisions.underway(history, Rebuild(self._store, self._plan, self._placer.apart()))
        ends_s = time.monotonic() + budget_s
        underway.conclude(history)
        while not underway.is_through and time.monotonic() < ends_s:
            underway.conclude(history)
        if underway.is_through:
            return self._replace(underway, history, now_ms)
        underway.close_slice()
        with self._store.transaction():
            underway.write()
        self._revisions.written(underway)
        return 0

    def _replace(self, underway: Pass, history: LotHistory, now_ms: int) -> int:
        """Put a watch that has heard everything in the place of the one before, and settle what differs."""
        lot = history.lot
        former = self._watches.pop(lot, None)
        end = _end_of(history)
        if end is None:
            if former is not None:
                underway.close_until(former.horizon_ms)
            self._watches[lot] = underway.watch
        underway.close_slice()
        with self._store.transaction():
            underway.write()
            transitions = underway.found()
            self._store.watching.save_now(lot, now_body(underway.watch.estimate(), underway.watch.forecast()))
            if end is None:
                transitions += self._foretell(lot, underway.watch, now_ms)
            else:
                ended = _ended(history, end, underway.watch)
                self._store.watching.log(ended)
                transitions += ended
            self._revisions.done(lot)
            newest = {} if underway.last is None else dict(_figures_of(history, lot, underway.last))
            messages = self._reconcile(lot, transitions, underway.since_ms, now_ms, end, newest)
        self._standing_in.discard(lot)
        self._unsaved.discard(lot)
        underway.leave(self._placer)
        self._ways.forget()
        return messages

    def _forget(self, lot: str, now_ms: int) -> int:
        """Drop what was concluded of a lot that the book does not know any more."""
        self._watches.pop(lot, None)
        with self._store.transaction():
            self._store.watching.forget(lot)
            self._revisions.done(lot)
            messages = self._reconcile(lot, [], BEGINNING_MS, now_ms, None, {})
        self._ways.forget()
        return messages

    def _foretell(self, lot: str, watch: LotWatch, now_ms: int) -> list[Transition]:
        """Show what an entry does although its slot is open: the present estimate, and what ceases to hold by it.

        What begins to hold by it waits until the slot has closed, and then all of the slot is judged anew.
        """
        ahead = watch.so_far() if watch.has_entries else None
        if ahead is None:
            return []
        self._foretold.add(lot)
        at_ms = min(ahead.estimate.at_ms, now_ms)
        present = now_body(ahead.estimate._replace(at_ms=at_ms), ahead.forecast)
        self._store.watching.save_now(lot, present)
        return [replace(t, at_ms=at_ms) for t in ahead.transitions if t.change is Change.CLEARED]

    def _reconcile(
        self,
        lot: str,
        transitions: Sequence[Transition],
        since_ms: int,
        now_ms: int,
        end: LotEnd | None,
        newest: Mapping[Key, Newest],
    ) -> int:
        alerts = self._store.alerts
        stored = {a.id: a for a in (*alerts.of_lot(lot), *alerts.live())}
        rules = self._plan.rules
        return self._settle(
            reconcile(lot, stored.values(), transitions, since_ms, now_ms, rules, end=end, newest=newest)
        )


def _figures_of(history: LotHistory | None, lot: str, last: WatchStep) -> Iterator[tuple[Key, Newest]]:
    """Yield what a lot's newest slot says of each finding that holds, and where the lot stands then."""
    at_ms = last.estimate.at_ms
    vessels = () if history is None else history.vessels_at(at_ms)
    for kind, sensor, evidence in last.figures:
        yield key_of(kind, Subject(lot, None, sensor)), Newest(at_ms, evidence, vessels)


def _end_of(history: LotHistory) -> LotEnd | None:
    """Return when and how a lot ended, or None while it stands in a vessel."""
    if history.ended_ms is None or history.ended_as is None:
        return None
    return LotEnd(history.ended_ms, history.ended_as)


def _ended(history: LotHistory, end: LotEnd, watch: LotWatch) -> list[Transition]:
    """Return that what a lot's watch still holds ended with the lot: the wine is in bottles, or gone."""
    vessel = history.stays[-1].vessel if history.stays else None
    return [
        Transition(
            kind,
            Change.CLEARED,
            end.at_ms,
            Severity.NOTICE,
            Subject(history.lot, vessel, sensor),
            {LOT_ENDED: end.how},
        )
        for kind, sensor, _ in watch.open_findings()
    ]


def now_body(estimate: Estimate, forecast: Forecast) -> dict[str, Any]:
    """Return a lot's present estimate and forecast as the JSON object kept for commands and pages."""
    return {
        **estimate._asdict(),
        "rack": list(forecast.rack) if forecast.rack else None,
        "finish": list(forecast.finish) if forecast.finish else None,
    }
