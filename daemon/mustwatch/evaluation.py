"""Where readings become conclusions: place, correct, estimate, detect, alert. One evaluation per store.

The daemon, ``replay`` and the recording commands all use this, so that they conclude alike. Everything here
runs inside one store transaction given by the caller; if that fails, throw the evaluation away and make another
from the store: what is in memory may then be ahead of what is on disk.
"""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from heapq import merge
from operator import itemgetter
from typing import Any, NamedTuple

from mustwatch.alerting.step import due, reconcile, step
from mustwatch.alerting.tell import TellRules
from mustwatch.cellar.book import Entry
from mustwatch.cellar.correction import Corrector
from mustwatch.cellar.history import BEGINNING_MS, CellarHistory, LotHistory, Placement
from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor
from mustwatch.cellar.vessel import Vessel
from mustwatch.must.calibration import Calibration, fit
from mustwatch.store.store import Store
from mustwatch.store.watching import CHECKPOINT_EVERY_MS, Checkpoint
from mustwatch.watch.finding import Transition
from mustwatch.watch.lot_watch import LotWatch, SnapshotOutdated, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.sensor_watch import SensorWatch

log = logging.getLogger(__name__)

GRACE_MS = 1 * MINUTE_MS
"""A slot is closed by the clock this long after its end: readings on their way still count for it."""
LATEST_LOOKBACK_MS = 60 * DAY_MS
"""How far back the newest reading of a sensor is looked for when the daemon starts."""
REBUILD_CHUNK_MS = 7 * DAY_MS
"""A rebuild reads this much history at a time, so that a long one does not fill a Pi's memory."""


@dataclass(frozen=True, slots=True)
class CellarPlan:
    """What the configuration says, as the core knows it."""

    sensors: Mapping[str, Sensor]
    vessels: Mapping[str, Vessel]
    profile_for: Callable[[str, LotHistory], Profile]
    rules: TellRules


class Outcome(NamedTuple):
    """What a batch came to: readings written, duplicates dropped, messages put in the outbox."""

    stored: int
    duplicates: int
    messages: int


@dataclass(slots=True)
class _Tally:
    """What a batch changes, collected until it is written."""

    steps: dict[str, list[WatchStep]] = field(default_factory=dict)
    late: dict[str, int] = field(default_factory=dict)
    transitions: list[Transition] = field(default_factory=list)
    messages: int = 0


class Evaluation:
    """The live conclusions about a whole cellar."""

    def __init__(self, store: Store, plan: CellarPlan, now_ms: int) -> None:
        """Take up from what the store holds. Writes nothing yet."""
        self._store = store
        self._plan = plan
        self._history: CellarHistory = store.book.history()
        self._placements: dict[str, Placement] = {}
        self._correctors: dict[str, Corrector] = {}
        self._watches: dict[str, LotWatch] = {}
        self._sensor_watches: dict[str, SensorWatch] = {}
        self._last_ms: dict[str, int] = {}
        self._book_seq = int(store.watching.kept("book_seq") or 0)
        for sensor in plan.sensors.values():
            latest = store.readings.latest(sensor.id, now_ms - LATEST_LOOKBACK_MS)
            if latest is not None:
                self._last_ms[sensor.id] = latest.observed_ms
            self._take_up_sensor(sensor)
        for history in self._history.lots.values():
            if history.bottled_ms is None:
                self._take_up(history)

    # --- what is known -------------------------------------------------------------------------------------

    @property
    def history(self) -> CellarHistory:
        """Return the cellar's history as last read from the book."""
        return self._history

    @property
    def watches(self) -> Mapping[str, LotWatch]:
        """Return the live watch of every lot not yet bottled."""
        return self._watches

    def place(self, sensor: str, at_ms: int) -> Placement:
        """Return where a sensor's statement belongs; answered from memory while the last answer holds."""
        placement = self._placements.get(sensor)
        if placement is None or not placement.from_ms <= at_ms < placement.until_ms:
            placement = self._placements[sensor] = self._history.place(sensor, at_ms)
        return placement

    # --- readings ------------------------------------------------------------------------------------------

    def absorb(self, readings: Iterable[Reading], now_ms: int) -> Outcome:
        """Store new readings and draw their conclusions, in the caller's transaction."""
        tally = _Tally()
        fresh: list[Reading] = []
        unsettled: dict[tuple[str, int], Reading] = {}
        duplicates = 0
        for reading in readings:
            last_ms = self._last_ms.get(reading.sensor)
            if last_ms is not None and reading.observed_ms <= last_ms:
                known = unsettled.get((reading.sensor, reading.observed_ms)) or self._store.readings.get(
                    reading.sensor, reading.observed_ms
                )
                if known is not None and not _adds_to(reading, known):
                    duplicates += 1
                    continue
                if known is not None:
                    self._store.readings.add(fresh)
                    fresh.clear()
                    self._store.readings.complete(reading)
                    self._note_late(reading, tally)
                    continue
            else:
                self._last_ms[reading.sensor] = reading.observed_ms
            fresh.append(reading)
            unsettled[reading.sensor, reading.observed_ms] = reading
            self._observe(reading, tally)
        self._store.readings.add(fresh)
        self._write(tally, now_ms)
        return Outcome(len(unsettled), duplicates, tally.messages)

    def _note_late(self, reading: Reading, tally: _Tally) -> None:
        lot = self.place(reading.sensor, reading.observed_ms).lot
        if lot is not None:
            tally.late[lot] = min(reading.observed_ms, tally.late.get(lot, reading.observed_ms))

    def _observe(self, reading: Reading, tally: _Tally) -> None:
        sensor_watch = self._sensor_watches.get(reading.sensor)
        placement = self.place(reading.sensor, reading.observed_ms)
        if sensor_watch is not None:
            tally.transitions.extend(
                sensor_watch.observe(reading, vessel=placement.vessel, lot=placement.lot)
            )
        vessel, lot = placement.vessel, placement.lot
        if lot is None or vessel is None:
            return
        watch = self._watches.get(lot)
        if watch is None or reading.observed_ms < watch.horizon_ms:
            tally.late[lot] = min(reading.observed_ms, tally.late.get(lot, reading.observed_ms))
            return
        steps = watch.observe(self._observation(reading, vessel))
        if steps:
            tally.steps.setdefault(lot, []).extend(steps)

    def _observation(self, reading: Reading, vessel: str) -> Observation:
        corrector = self._correctors.get(reading.sensor)
        if corrector is None:
            corrector = self._correctors[reading.sensor] = self._corrector(reading.sensor)
        gravity, gravity_sd, temperature_c = corrector.correct(reading)
        return Observation(reading.observed_ms, reading.sensor, vessel, gravity, gravity_sd, temperature_c)

    def _corrector(self, sensor_id: str) -> Corrector:
        sensor = self._plan.sensors.get(sensor_id)
        if sensor is None:  # no longer configured, yet its readings are part of a lot's past
            sensor = Sensor(sensor_id, kind=_GONE_KIND, decoder="")
        calibrations: list[tuple[int, Calibration]] = []
        if sensor.calibration:
            calibrations.append((BEGINNING_MS, fit(sensor.calibration)))
        calibrations += [(c.from_ms, fit(c.points)) for c in self._store.book.calibrations(sensor_id)]
        return Corrector(sensor, calibrations, self._history.offsets.get(sensor_id, ()))

    # --- the clock -----------------------------------------------------------------------------------------

    def tick(self, now_ms: int, sensor_transitions: Sequence[Transition] = ()) -> int:
        """Close slots that the clock has passed, add what the daemon itself found, repeat what is due.

        Returns:
            the number of messages put in the outbox.
        """
        tally = _Tally(transitions=list(sensor_transitions))
        for lot, watch in self._watches.items():
            steps = watch.advance(now_ms - GRACE_MS)
            if steps:
                tally.steps.setdefault(lot, []).extend(steps)
        self._write(tally, now_ms)
        again = due(self._store.alerts.open(), now_ms, self._plan.rules)
        self._store.alerts.apply(again)
        return tally.messages + len(again.messages)

    # --- the book ------------------------------------------------------------------------------------------

    def catch_up_with_book(self, now_ms: int) -> int:
        """Evaluate again every lot the book has changed since last looked at; return messages put out."""
        changes = self._store.book.changes_after(self._book_seq)
        if not changes:
            return 0
        self._history = self._store.book.history()
        self._placements.clear()
        self._correctors.clear()
        since: dict[str, int] = {}
        for change in changes:
            since[change.lot] = min(change.from_ms, since.get(change.lot, change.from_ms))
            self._book_seq = change.seq
        tally = _Tally(late=since)
        self._store.watching.keep("book_seq", str(self._book_seq))
        self._write(tally, now_ms)
        return tally.messages

    # --- writing -------------------------------------------------------------------------------------------

    def _write(self, tally: _Tally, now_ms: int) -> None:
        for lot, steps in tally.steps.items():
            if lot not in tally.late:
                self._save_steps(lot, self._watches[lot], steps)
                for of_step in steps:
                    tally.transitions.extend(of_step.transitions)
        if tally.transitions:
            self._store.watching.log(tally.transitions)
            result = step(self._store.alerts.open(), tally.transitions, now_ms, self._plan.rules)
            self._store.alerts.apply(result)
            tally.messages += len(result.messages)
        for lot, from_ms in tally.late.items():
            tally.messages += self._reconsider(lot, from_ms, now_ms)

    def _save_steps(self, lot: str, watch: LotWatch, steps: Sequence[WatchStep]) -> None:
        self._store.watching.add_estimates(lot, [s.estimate for s in steps if s.estimate.gravity is not None
                                                 or s.estimate.temperature_c is not None])
        self._store.watching.save_checkpoint(Checkpoint(lot, watch.horizon_ms, watch.snapshot()))
        self._store.watching.save_now(lot, now_body(watch))
        for sensor_id, sensor_watch in self._sensor_watches.items():
            if sensor_watch.is_dirty:
                self._store.watching.keep(f"sensor:{sensor_id}", sensor_watch.snapshot())

    # --- taking up and reconsidering -----------------------------------------------------------------------

    def _take_up_sensor(self, sensor: Sensor) -> None:
        snapshot = self._store.watching.kept(f"sensor:{sensor.id}")
        self._sensor_watches[sensor.id] = SensorWatch.restore(snapshot, sensor) if snapshot else SensorWatch(sensor)

    def _take_up(self, history: LotHistory) -> None:
        """Restore a lot's watch and give it what came after its snapshot's horizon."""
        watch, horizon_ms = self._restored(history, 2**62)
        for _ in self._feed(watch, history, horizon_ms):
            pass  # slots closed here were closed and written before, or will be at the next tick
        self._watches[history.lot] = watch

    def _restored(self, history: LotHistory, before_ms: int) -> tuple[LotWatch, int]:
        """Return a lot's watch as of the newest checkpoint at or before an instant, and its horizon."""
        profile = self._plan.profile_for(history.lot, history)
        checkpoint = self._store.watching.checkpoint_before(history.lot, before_ms)
        if checkpoint is not None and checkpoint.horizon_ms > history.started_ms:
            try:
                return LotWatch.restore(checkpoint.snapshot, profile), checkpoint.horizon_ms
            except SnapshotOutdated:
                log.info("snapshot of an older version, evaluating from the start lot=%s", history.lot)
        watch = LotWatch(history.lot, history.start.vessel, profile, history.started_ms)
        return watch, history.started_ms

    def _feed(self, watch: LotWatch, history: LotHistory, from_ms: int) -> Iterable[WatchStep]:
        """Give a watch the lot's entries and readings from an instant on, in time order."""
        entries = [(e.at_ms, 0, e) for e in history.entries if e.at_ms >= from_ms]
        for _, _, what in merge(entries, self._readings_of(history, from_ms), key=itemgetter(0, 1)):
            if isinstance(what, Entry):
                yield from watch.enter(what)
            else:
                reading, vessel = what
                yield from watch.observe(self._observation(reading, vessel))

    def _readings_of(self, history: LotHistory, from_ms: int) -> Iterable[tuple[int, int, tuple[Reading, str]]]:
        sensors = {s for s, stays in self._history.sensor_stays.items() if stays}
        for stay in history.stays:
            begin_ms = max(from_ms, stay.from_ms)
            end_ms = min(stay.until_ms, max(self._last_ms.values(), default=begin_ms) + 1)
            while begin_ms < end_ms:
                until_ms = min(begin_ms + REBUILD_CHUNK_MS, end_ms)
                for reading in self._store.readings.between(begin_ms, until_ms, sensors):
                    if self.place(reading.sensor, reading.observed_ms).lot == history.lot:
                        yield reading.observed_ms, 1, (reading, stay.vessel)
                begin_ms = until_ms

    def _reconsider(self, lot: str, from_ms: int, now_ms: int) -> int:
        """Conclude again about a lot from an instant on, and settle the difference with what was concluded."""
        history = self._history.lots.get(lot)
        former = self._watches.pop(lot, None)
        if history is None:
            self._store.watching.forget(lot)
            result = reconcile(self._store.alerts.of_lot(lot), [], BEGINNING_MS, now_ms, self._plan.rules)
            self._store.alerts.apply(result)
            return len(result.messages)
        watch, horizon_ms = self._restored(history, from_ms)
        self._store.watching.forget_after(lot, horizon_ms)
        if horizon_ms <= history.started_ms:
            self._store.watching.forget(lot)
        transitions: list[Transition] = []
        steps: list[WatchStep] = []
        next_checkpoint_ms = horizon_ms + CHECKPOINT_EVERY_MS
        for of_step in self._feed(watch, history, horizon_ms):
            steps.append(of_step)
            transitions.extend(of_step.transitions)
            if watch.horizon_ms >= next_checkpoint_ms:
                self._save_steps(lot, watch, steps)
                steps.clear()
                next_checkpoint_ms = watch.horizon_ms + CHECKPOINT_EVERY_MS
        if former is not None and history.bottled_ms is None:
            for of_step in watch.advance(former.horizon_ms):
                steps.append(of_step)
                transitions.extend(of_step.transitions)
        self._save_steps(lot, watch, steps)
        if history.bottled_ms is None:
            self._watches[lot] = watch
        self._store.watching.log(transitions)
        result = reconcile(self._store.alerts.of_lot(lot), transitions, horizon_ms, now_ms, self._plan.rules)
        self._store.alerts.apply(result)
        return len(result.messages)


def _adds_to(reading: Reading, known: Reading) -> bool:
    """Say whether a reading states a quantity that the stored one of the same instant lacks."""
    return any(new is not None and old is None for new, old in zip(reading[3:8], known[3:8], strict=True))


def now_body(watch: LotWatch) -> dict[str, Any]:
    """Return a lot's present estimate and forecast as the JSON object kept for commands and pages."""
    estimate, forecast = watch.estimate(), watch.forecast()
    return {
        **estimate._asdict(),
        "rack": list(forecast.rack) if forecast.rack else None,
        "finish": list(forecast.finish) if forecast.finish else None,
    }
