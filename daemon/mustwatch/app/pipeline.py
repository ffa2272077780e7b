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
import time
from collections.abc import Callable, Sequence

from mustwatch.app.batch import Backoff, Batch, Counters, Source
from mustwatch.app.self_watch import SelfWatch
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import CellarPlan
from mustwatch.config.unwatched import unwatched_lots
from mustwatch.evaluation.live import GRACE_MS, Evaluation, Outcome
from mustwatch.evaluation.revisions import Behind
from mustwatch.evaluation.unreadable import unreadable_of
from mustwatch.ingest.anchor_json import anchor_to_json
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.clock import ClockState, ClockWatch, Correction
from mustwatch.ingest.intake import Decoded, Intake, Quarantined
from mustwatch.ingest.redelivery import LedgerRow, RedeliveryLedger
from mustwatch.store.soundness import StoreDamagedError, is_damage
from mustwatch.store.store import Store
from mustwatch.watch.finding import Transition

log = logging.getLogger(__name__)

TICK_S = 1.0
"""How long the pipeline waits for an arrival before it looks at the clock and the book."""
BACKLOG_CALM_S = 5.0
"""After this long without a reading from the past, and since the broker took us, no backlog is coming in, and slots
may be closed by the clock."""
BACKLOG_AWAITED_S = 1800.0
"""While the broker is away it may hold a backlog, and a slot closed without it may conclude what must be withdrawn.
After this long it is closed all the same: a lot by hand needs no broker."""
SMALLEST_WINDOW = 20
LULL_S = 0.2
"""Under MQTT 3.1.1 common brokers have at most 20 messages under way, and wait: with that many in a batch and nothing
following for a fifth of a second, the batch is closed, or a backlog would crawl at 20 messages a commit."""
REST_S = 0.02
"""How long arrivals are waited for between two slices of evaluating again: others want the processor."""
PROGRESS_EVERY_S = 30.0
"""How often it is logged how far that is."""


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
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        """Wire it up; ``run`` does the work.

        Args:
            store, plan, source, clock, self_watch: its parts.
            mono_s: the monotonic clock, seconds.
            commit_s, commit_readings: bounds of a batch.
            told: called when messages were put in the outbox.
            stored: called with the readings a commit wrote (for live pages).
            clock_jumped: called when the wall clock was set.
            pause: waits for seconds, when there is no room for arrivals that could be waited for.
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
        self._pause = pause
        self.counters = Counters()
        self._stop = threading.Event()
        self.behind: tuple[Behind, ...] = ()
        """Which lots are being evaluated again, and how much of that is done: for whoever asks how the daemon is."""
        self._progress_said_mono_s: float | None = None
        ledger = RedeliveryLedger(LedgerRow(*row) for row in store.redelivery.rows())
        self._intake = Intake(plan.sensors.values(), ledger)
        self._evaluation = self._fresh_evaluation()
        self._batch = Batch()
        self._readings: list[Reading] = []
        self._found: list[Transition] = []
        self._corrections: list[Correction] = []
        self._last_backlog_mono_s = mono_s()
        self._was_connected = False
        self._looked_mono_s = mono_s()
        self._backoff = Backoff()
        self._is_woken = False
        self.advanced_mono_s = mono_s()
        """When the pipeline last went round; the watchdog is fed on it."""

    @property
    def is_failing(self) -> bool:
        """Say whether the store could not be written when it was last tried."""
        return self._backoff.is_on

    def _fresh_evaluation(self) -> Evaluation:
        evaluation = Evaluation(self._store, self._plan, self._clock.now_ms())
        evaluation.read_book()
        return evaluation

    def wake(self) -> None:
        """Have the book looked at now: somebody wrote in it. Safe from any thread."""
        self._is_woken = True
        self._source.wake()

    def run(self, stop: threading.Event) -> None:
        """Go round until told to stop; then write what is pending. What is still to be evaluated again is on disk."""
        self._stop = stop
        while not stop.is_set():
            self.turn()
        if self._batch.arrivals:
            self._commit()

    def turn(self) -> None:
        """Go round once: take what has come, look at the clock and the book, commit if it is time.

        Raises:
            StoreDamagedError: the store's file is damaged; it must be opened anew.
        """
        self.advanced_mono_s = self._mono_s()
        try:
            self._go_round()
        except sqlite3.Error as error:
            self._failed(error)

    def _go_round(self) -> None:
        room = self._commit_readings - len(self._batch.arrivals)
        if room > 0:
            arrivals = self._source.receive(room, self._wait_s())
            self._take(arrivals)
        else:
            arrivals = []
            self._pause(self._wait_s())
        if not arrivals or self._is_woken or self._mono_s() - self._looked_mono_s >= TICK_S:
            self._is_woken = False
            self._looked_mono_s = self._mono_s()
            self._look_around()
        is_lull = not arrivals and not self._backoff.is_on
        if self._is_time() or (is_lull and (self._is_due() or self._is_window_full())):
            self._commit()
        if self._evaluation.is_behind and not self._backoff.is_on:
            self._catch_up()

    def _is_window_full(self) -> bool:
        """Say whether the broker may be waiting for acknowledgements before it sends on."""
        return len(self._batch.arrivals) >= SMALLEST_WINDOW

    def _is_due(self) -> bool:
        return self._evaluation.is_due(self._clock.now_ms()) and not self._batch.arrivals

    def _wait_s(self) -> float:
        if self._backoff.is_on:
            return min(TICK_S, max(0.01, self._backoff.left_s(self._mono_s())))
        if self._evaluation.is_behind:
            return REST_S
        if not self._batch.arrivals:
            return TICK_S
        most_s = LULL_S if self._is_window_full() else TICK_S
        return min(most_s, max(0.0, self._batch.begun_mono_s + self._commit_s - self._mono_s()))

    def _take(self, arrivals: Sequence[Arrival]) -> None:
        """Put arrivals into the batch, all of them before anything can fail, and evaluate them."""
        if not arrivals:
            return
        if not self._batch.arrivals:
            self._batch.begun_mono_s = self._mono_s()
        settled = [self._clock.settled(arrival) for arrival in arrivals]
        self.counters.arrivals += len(settled)
        self._batch.arrivals.extend(settled)
        if not self._backoff.is_on:  # else the whole batch is evaluated when it can be written
            now_ms = self._clock.now_ms()
            for arrival in settled:
                self._evaluate(arrival, now_ms)

    def _evaluate(self, arrival: Arrival, now_ms: int) -> None:
        taken = self._intake.take(arrival, self._clock.state)
        if isinstance(taken, Decoded):
            for reading in taken.readings:
                self._evaluation.take(reading)
                self._self_watch.heard(reading.sensor, arrival.received_mono_s)
                if now_ms - reading.observed_ms > GRACE_MS:
                    self._last_backlog_mono_s = self._mono_s()
            self._readings.extend(taken.readings)
            quarantined = taken.quarantined
        else:
            quarantined = taken if isinstance(taken, Quarantined) else None
            self._batch.ignored += quarantined is None
        if quarantined is not None:
            self._batch.unreadable.append(unreadable_of(quarantined))

    def _is_time(self) -> bool:
        batch = self._batch
        if self._backoff.is_on:
            return self._backoff.left_s(self._mono_s()) <= 0.0
        if not batch.arrivals:
            return False
        return (
            len(batch.arrivals) >= self._commit_readings
            or self._mono_s() - batch.begun_mono_s >= self._commit_s
            or self._evaluation.wants_commit
        )

    # --- between arrivals ----------------------------------------------------------------------------------

    def _look_around(self) -> None:
        checked = self._clock.check()
        self._corrections.extend(checked.corrections)
        if checked.step_ms:
            log.warning("the clock was set by_seconds=%.1f", checked.step_ms / 1000)
            self._on_clock_jumped()
        if self._backoff.is_on:
            self._self_watch.storage_still_failing(self._mono_s())
            return
        now_ms = self._clock.now_ms()
        # Before anything is written at a clock that was just set: else what is over by that would be told as lasting.
        found = self._self_watch.look(now_ms, self._mono_s(), self._clock.state, self._evaluation.place)
        history = self._evaluation.history
        found += self._self_watch.lots(unwatched_lots(history, self._plan), history, now_ms)
        self._found.extend(found)
        self._evaluation.find(found)
        if self._corrections or checked.step_ms:
            self._put_right()
        self._evaluation.read_book()
        if self._is_calm() and self._clock.state is not ClockState.BEHIND:
            self._evaluation.advance(now_ms)

    def _is_calm(self) -> bool:
        """Say whether no backlog is coming in."""
        now_mono_s, was_connected = self._mono_s(), self._was_connected
        self._was_connected = self._source.is_connected
        if self._was_connected and not was_connected:
            self._last_backlog_mono_s = now_mono_s
        enough_s = BACKLOG_CALM_S if self._was_connected else BACKLOG_AWAITED_S
        return now_mono_s - self._last_backlog_mono_s >= enough_s

    def _put_right(self) -> None:
        """Move readings that were stamped by a wrong clock to their place, and evaluate them there."""
        if self._batch.arrivals:
            self._commit()
            if self._backoff.is_on:
                return
        shifted = 0
        with self._store.transaction():
            for correction in self._corrections:
                shifted += self._store.readings.correct_stamps(*correction)
            self._store.watching.keep("clock", anchor_to_json(self._clock.anchor()))
        corrections, self._corrections = self._corrections, []
        if shifted:
            log.info("readings stamped by a wrong clock were put right readings=%d", shifted)
            since_ms = min(c.from_ms + min(0, c.shift_ms) for c in corrections) - DAY_MS
            self._evaluation = self._fresh_evaluation()
            self._evaluation.find(self._found)
            self._evaluation.reconsider_since(since_ms)

    # --- writing -------------------------------------------------------------------------------------------

    def _commit(self) -> None:
        """Write the batch; on failure keep it and try again after a while."""
        batch = self._batch
        try:
            if self._backoff.is_on:
                self._begin_again(batch)
            outcome = self._write(batch)
        except sqlite3.Error as error:
            self._failed(error)
            return
        self._recovered()
        self._intake.ledger.committed()
        self._source.acknowledge(batch.arrivals)
        self._count(batch, outcome)
        self._batch = Batch()
        self._found.clear()
        readings, self._readings = self._readings, []
        if readings:
            self._on_stored(readings)
        if outcome.messages:
            self._on_told()

    def _catch_up(self) -> None:
        """Evaluate a lot again for a moment; what has arrived meanwhile is written first, and told."""
        if self._batch.arrivals or self._evaluation.is_due(self._clock.now_ms()):
            self._commit()
            if self._backoff.is_on:
                return
        messages = self._evaluation.revise(self._clock.now_ms())
        self.counters.messages += messages
        if messages:
            self._on_told()
        self._note_progress()

    def _note_progress(self) -> None:
        """Say how far it is with what takes long: a slice or two is not worth a word."""
        self.behind, now_mono_s = self._evaluation.behind(), self._mono_s()
        if not self.behind:
            if self._progress_said_mono_s is not None:
                log.info("evaluated again, up to the present")
            self._progress_said_mono_s = None
        elif (
            self._progress_said_mono_s is None or now_mono_s - self._progress_said_mono_s >= PROGRESS_EVERY_S
        ):
            self._progress_said_mono_s = now_mono_s
            log.info(
                "evaluating again lots=%d furthest=%s",
                len(self.behind),
                max(self.behind, key=lambda b: b.percent),
            )

    def _begin_again(self, batch: Batch) -> None:
        """Throw away what was concluded and could not be written, and conclude again from what is on disk."""
        self._evaluation = self._fresh_evaluation()
        self._intake = Intake(self._plan.sensors.values(), self._intake.ledger)
        batch.unreadable.clear()
        batch.ignored = 0
        self._readings.clear()
        # The clock may have been set meanwhile: what was stamped by the old one is stamped again.
        batch.arrivals[:] = [self._clock.settled(arrival) for arrival in batch.arrivals]
        now_ms = self._clock.now_ms()
        for arrival in batch.arrivals:
            self._evaluate(arrival, now_ms)
        self._evaluation.find(self._found)

    def _write(self, batch: Batch) -> Outcome:
        with self._store.transaction():
            self._store.readings.quarantine(batch.unreadable)
            change = self._intake.ledger.change()
            self._store.redelivery.apply(emptied=change.emptied, rows=change.rows)
            outcome = self._evaluation.commit(self._clock.now_ms())
            anchor = anchor_to_json(self._clock.anchor())
            # While corrections wait, the anchor on disk must still hold the stretches they came from.
            if not self._corrections and anchor != self._store.watching.kept("clock"):
                self._store.watching.keep("clock", anchor)
        return outcome

    def _failed(self, error: sqlite3.Error) -> None:
        if is_damage(error):
            raise StoreDamagedError(str(error)) from error
        self._intake.ledger.rolled_back()
        self.counters.failed_commits += 1
        self._self_watch.storage_failed(str(error), self._clock.now_ms(), self._mono_s())
        if self._backoff.failed(self._mono_s()):
            log.error("cannot write, keeping what arrives waiting=%d: %s", len(self._batch.arrivals), error)

    def _recovered(self) -> None:
        if self._backoff.is_on:
            log.info("writing again, nothing was lost readings=%d", len(self._readings))
            self._backoff.well()
            self._self_watch.was_deaf(self._mono_s())
        self._self_watch.storage_well(self._clock.now_ms())

    def _count(self, batch: Batch, outcome: Outcome) -> None:
        counters = self.counters
        counters.commits += 1
        counters.stored += outcome.stored
        counters.duplicates += outcome.duplicates
        counters.quarantined += len(batch.unreadable)
        counters.ignored += batch.ignored
        counters.messages += outcome.messages
        if batch.arrivals:
            counters.lag_ms = round((self._mono_s() - batch.begun_mono_s) * 1000)
