"""The pipeline thread: arrivals in, one transaction per batch, and only then the acknowledgements out.

    decode, place, correct, estimate, detect, alert, COMMIT, acknowledge

Nothing is acknowledged that is not on disk. A batch is closed after a time or a count, or at once when something
began or ceased to hold, so that nobody waits for a commit to be called. If a transaction fails (a full card), what
is in memory is thrown away, the batch's arrivals are kept and taken again later; the broker keeps what comes
meanwhile.
"""

import logging
import sqlite3
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.reading import Reading
from mustwatch.evaluation import Evaluation, Outcome
from mustwatch.ingest.anchor_json import anchor_to_json
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.clock import ClockCheck, ClockState, ClockWatch
from mustwatch.ingest.intake import Decoded, Intake, Quarantined
from mustwatch.ingest.redelivery import LedgerRow, RedeliveryLedger
from mustwatch.plan import CellarPlan
from mustwatch.replay import unreadable_of
from mustwatch.self_watch import SelfWatch
from mustwatch.store.readings import Unreadable
from mustwatch.store.store import Store

log = logging.getLogger(__name__)

TICK_S = 1.0
"""How long the pipeline waits for an arrival before it looks at the clock and the book."""
BACKLOG_CALM_S = 5.0
"""After this long without an arrival (and since connecting) no backlog is coming in, and slots may be closed by
the clock."""
RETRY_FIRST_S, RETRY_MOST_S = 1.0, 60.0
"""Back-off after a failed transaction."""
LOG_EVERY_S = 30.0
"""A trouble that lasts is logged this often."""


class Source(Protocol):
    """Where arrivals come from, and where their acknowledgements go."""

    def take(self, most: int, timeout_s: float) -> list[Arrival]:
        """Return the next arrivals, at most so many; none if none came in time."""
        ...

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Release the broker's copies."""
        ...


@dataclass(slots=True)
class Counters:
    """What went through since the start; read by ``/metrics``."""

    arrivals: int = 0
    stored: int = 0
    duplicates: int = 0
    quarantined: int = 0
    ignored: int = 0
    commits: int = 0
    failed_commits: int = 0
    messages: int = 0
    lag_ms: int = 0


@dataclass(slots=True)
class _Batch:
    arrivals: list[Arrival] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)
    ignored: int = 0
    begun_mono_s: float = 0.0


class Pipeline:
    """Takes arrivals from a source into a store."""

    def __init__(
        self,
        store: Store,
        plan: CellarPlan,
        source: Source,
        clock: ClockWatch,
        self_watch: SelfWatch,
        *,
        mono_s: Callable[[], float],
        commit_s: float,
        commit_readings: int,
        told: Callable[[], None] = lambda: None,
        stored: Callable[[Sequence[Reading]], None] = lambda _: None,
        clock_jumped: Callable[[], None] = lambda: None,
    ) -> None:
        """Wire it up; ``run`` does the work.

        Args:
            store, plan, source, clock, self_watch: its parts.
            mono_s: the monotonic clock, seconds.
            commit_s, commit_readings: bounds of a batch.
            told: called when messages were put in the outbox.
            stored: called with the readings a commit wrote (for live pages).
            clock_jumped: called when the wall clock was set.
        """
        self._store = store
        self._plan = plan
        self._source = source
        self._clock = clock
        self._self_watch = self_watch
        self._mono_s = mono_s
        self._commit_s = commit_s
        self._commit_readings = commit_readings
        self._on_told = told
        self._on_stored = stored
        self._on_clock_jumped = clock_jumped
        self.counters = Counters()
        ledger = RedeliveryLedger(LedgerRow(*row) for row in store.redelivery.rows())
        self._intake = Intake(plan.sensors.values(), ledger)
        self._evaluation = self._fresh_evaluation()
        self._batch = _Batch()
        self._readings: list[Reading] = []
        self._last_arrival_mono_s = mono_s()
        self._retry_s = 0.0
        self._retry_at_mono_s = 0.0
        self._logged_mono_s = -LOG_EVERY_S
        self._data_version = -1
        self.advanced_mono_s = mono_s()
        """When the pipeline last went round; the watchdog is fed on it."""

    def _fresh_evaluation(self) -> Evaluation:
        evaluation = Evaluation(self._store, self._plan, self._clock.now_ms())
        evaluation.read_book()
        return evaluation

    def run(self, stop: threading.Event) -> None:
        """Go round until told to stop; then write what is pending."""
        while not stop.is_set():
            self.turn()
        if self._batch.arrivals:
            self._commit()

    def turn(self) -> None:
        """Go round once: take what has come, look at the clock and the book, commit if it is time."""
        self.advanced_mono_s = self._mono_s()
        room = self._commit_readings - len(self._batch.arrivals)
        arrivals = self._source.take(room, self._wait_s()) if room > 0 else []
        for arrival in arrivals:
            self._take(arrival)
        if not arrivals:
            self._look_around()
        if self._is_time() or (not arrivals and not self._retry_s and self._is_due()):
            self._commit()

    def _is_due(self) -> bool:
        return self._evaluation.is_due(self._clock.now_ms()) and not self._batch.arrivals

    def _wait_s(self) -> float:
        if self._retry_s:
            return min(TICK_S, max(0.01, self._retry_at_mono_s - self._mono_s()))
        if not self._batch.arrivals:
            return TICK_S
        return min(TICK_S, max(0.0, self._batch.begun_mono_s + self._commit_s - self._mono_s()))

    def _take(self, arrival: Arrival) -> None:
        arrival = self._clock.settled(arrival)
        self.counters.arrivals += 1
        self._last_arrival_mono_s = self._mono_s()
        if not self._batch.arrivals:
            self._batch.begun_mono_s = self._last_arrival_mono_s
        self._batch.arrivals.append(arrival)
        self._evaluate(arrival)

    def _evaluate(self, arrival: Arrival) -> None:
        taken = self._intake.take(arrival, self._clock.state)
        if isinstance(taken, Decoded):
            for reading in taken.readings:
                self._evaluation.take(reading)
                self._self_watch.heard(reading.sensor, arrival.received_mono_s)
            self._readings.extend(taken.readings)
            quarantined = taken.quarantined
        else:
            quarantined = taken if isinstance(taken, Quarantined) else None
            self._batch.ignored += quarantined is None
        if quarantined is not None:
            self._batch.unreadable.append(unreadable_of(quarantined))

    def _is_time(self) -> bool:
        batch = self._batch
        if self._retry_s:
            return self._mono_s() >= self._retry_at_mono_s
        if not batch.arrivals:
            return False
        return (
            len(batch.arrivals) >= self._commit_readings
            or self._mono_s() - batch.begun_mono_s >= self._commit_s
            or self._evaluation.wants_commit
        )

    # --- between arrivals ----------------------------------------------------------------------------------

    def _look_around(self) -> None:
        if self._retry_s:
            return
        checked = self._clock.check()
        if checked.step_ms or checked.corrections:
            self._put_right(checked)
        now_ms = self._clock.now_ms()
        version = self._store.database.data_version()
        if version != self._data_version:
            self._data_version = version
            self._evaluation.read_book()
        if (
            self._mono_s() - self._last_arrival_mono_s >= BACKLOG_CALM_S
            and self._clock.state is not ClockState.BEHIND
        ):
            self._evaluation.advance(now_ms)
        found = self._self_watch.look(now_ms, self._mono_s(), self._clock.state, self._evaluation.place)
        self._evaluation.find(found)

    def _put_right(self, checked: ClockCheck) -> None:
        """Move readings that were stamped by a wrong clock to their place, and evaluate them there."""
        if self._batch.arrivals:
            self._commit()
        shifted = 0
        with self._store.transaction():
            for correction in checked.corrections:
                shifted += self._store.readings.correct_stamps(*correction)
            self._store.watching.keep("clock", anchor_to_json(self._clock.anchor()))
        if shifted:
            log.info("readings stamped by a wrong clock were put right readings=%d", shifted)
            since_ms = min(c.from_ms + min(0, c.shift_ms) for c in checked.corrections) - DAY_MS
            self._evaluation = self._fresh_evaluation()
            self._evaluation.reconsider_since(since_ms)
        if checked.step_ms:
            log.warning("the clock was set by_seconds=%.1f", checked.step_ms / 1000)
            self._on_clock_jumped()

    # --- writing -------------------------------------------------------------------------------------------

    def _commit(self) -> None:
        """Write the batch; on failure keep it and try again after a while."""
        batch = self._batch
        try:
            if self._retry_s:  # the evaluation was thrown away: conclude again from what is on disk
                self._evaluation = self._fresh_evaluation()
                batch.unreadable.clear()
                batch.ignored = 0
                self._readings.clear()
                for arrival in batch.arrivals:
                    self._evaluate(arrival)
            outcome = self._write(batch)
        except sqlite3.Error as error:
            self._failed(error)
            return
        self._recovered()
        self._intake.ledger.committed()
        self._source.acknowledge(batch.arrivals)
        self._count(batch, outcome)
        self._batch = _Batch()
        readings, self._readings = self._readings, []
        if readings:
            self._on_stored(readings)
        if outcome.messages:
            self._on_told()

    def _write(self, batch: _Batch) -> Outcome:
        with self._store.transaction():
            self._store.readings.quarantine(batch.unreadable)
            change = self._intake.ledger.change()
            self._store.redelivery.apply(emptied=change.emptied, rows=change.rows)
            outcome = self._evaluation.commit(self._clock.now_ms())
            anchor = anchor_to_json(self._clock.anchor())
            if anchor != self._store.watching.kept("clock"):
                self._store.watching.keep("clock", anchor)
        return outcome

    def _failed(self, error: sqlite3.Error) -> None:
        self._intake.ledger.rolled_back()
        self.counters.failed_commits += 1
        self._retry_s = min(RETRY_MOST_S, max(RETRY_FIRST_S, self._retry_s * 2))
        self._retry_at_mono_s = self._mono_s() + self._retry_s
        self._self_watch.storage_failed(str(error), self._clock.now_ms(), self._mono_s())
        if self._mono_s() - self._logged_mono_s >= LOG_EVERY_S:
            self._logged_mono_s = self._mono_s()
            log.error("cannot write, keeping what arrives waiting=%d: %s", len(self._batch.arrivals), error)

    def _recovered(self) -> None:
        if self._retry_s:
            log.info("writing again, nothing was lost readings=%d", len(self._readings))
            self._retry_s = 0.0
        self._self_watch.storage_well(self._clock.now_ms())

    def _count(self, batch: _Batch, outcome: Outcome) -> None:
        counters = self.counters
        counters.commits += 1
        counters.stored += outcome.stored
        counters.duplicates += outcome.duplicates
        counters.quarantined += len(batch.unreadable)
        counters.ignored += batch.ignored
        counters.messages += outcome.messages
        if batch.arrivals:
            counters.lag_ms = round((self._mono_s() - batch.begun_mono_s) * 1000)
