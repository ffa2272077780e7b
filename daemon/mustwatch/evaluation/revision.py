"""A lot evaluated again: from a checkpoint to the present, stretch by stretch.

A stretch is concluded without the store's lock; what was concluded is written in a short transaction, together with how
far that is. What stood there before stands until then. So a season that takes minutes on a Pi holds up nobody, and one
that is broken off goes on where it was. The alerts are settled once, at the end, with everything found on the way.
"""

from mustwatch.cellar.history import BEGINNING_MS, END_MS, LotHistory
from mustwatch.cellar.instant import DAY_MS
from mustwatch.evaluation.placing import Placer
from mustwatch.evaluation.rebuild import Rebuild
from mustwatch.store.revising import Due
from mustwatch.store.store import Store
from mustwatch.store.watching import CHECKPOINT_EVERY_MS, CHECKPOINTS_KEPT_MS, Checkpoint
from mustwatch.watch.finding import Transition
from mustwatch.watch.lot_watch import WatchStep

WEEK_MS = 7 * DAY_MS


class Pass:
    """One way of a lot through its history."""

    def __init__(self, store: Store, rebuild: Rebuild, history: LotHistory, due: Due) -> None:
        """Begin at the newest checkpoint before what is due, or go on where the pass under way was left."""
        self._store = store
        self._rebuild = rebuild
        self._lot = history.lot
        is_new = due.since_ms is None or due.done_ms is None
        at_ms = (due.from_ms or 0) if is_new else due.done_ms
        assert at_ms is not None  # noqa: S101 - of a pass under way it is known
        self.watch, self.read_ms = rebuild.restored(history, at_ms)
        # At the lot's start the beginning itself may have moved: nothing concluded before it stands.
        self.done_ms = BEGINNING_MS if self.read_ms <= history.started_ms else self.read_ms
        self.since_ms = self.done_ms if is_new or due.since_ms is None else min(due.since_ms, self.done_ms)
        self.from_ms = None if is_new else due.from_ms
        self.begins_ms = self.read_ms
        self.newest_ms = store.readings.newest_ms() or self.read_ms
        self._steps: list[WatchStep] = []
        self.last: WatchStep | None = None
        """The newest slot that was closed on the way."""
        self._checkpoints: list[Checkpoint] = []
        self._checkpoint_ms = self._next_checkpoint_ms()
        rebuild.recall_temperatures(history, self.read_ms)

    @property
    def due(self) -> Due:
        """Return what is left, as it is kept."""
        return Due(self._lot, self.from_ms, self.since_ms, self.done_ms)

    @property
    def is_through(self) -> bool:
        """Say whether everything there is has been concluded."""
        return self.read_ms == END_MS

    def note(self, at_ms: int) -> None:
        """Something came at an instant: if it has been passed, there will be another pass from there."""
        if at_ms < self.read_ms:
            self.from_ms = min(at_ms, END_MS if self.from_ms is None else self.from_ms)

    def conclude(self, history: LotHistory) -> None:
        """Conclude one stretch more. Writes nothing."""
        self.newest_ms = self._store.readings.newest_ms() or self.read_ms
        until_ms = self._rebuild.stretch_end(self.read_ms, self.newest_ms)
        for step in self._rebuild.feed(self.watch, history, self.read_ms, until_ms):
            self._steps.append(step)
            self.last = step
            if self.watch.horizon_ms >= self._checkpoint_ms:
                self._checkpoints.append(self._checkpoint())
                self._checkpoint_ms = self._next_checkpoint_ms()
        self.read_ms = until_ms

    def close_slice(self) -> None:
        """Put what is to be written into the form that is written, while nobody waits for the lock."""
        self._checkpoints.append(self._checkpoint())

    def close_until(self, watermark_ms: int) -> None:
        """Close the last slot, if the clock had closed it already."""
        for step in self.watch.advance(watermark_ms):
            self._steps.append(step)
            self.last = step

    def write(self) -> None:
        """Write what was concluded since the last time in place of what stood there, in the caller's transaction."""
        watching, end_ms = self._store.watching, self.watch.horizon_ms
        watching.forget_between(self._lot, self.done_ms, END_MS if self.is_through else end_ms)
        watching.add_estimates(self._lot, [step.estimate for step in self._steps])
        watching.log([transition for step in self._steps for transition in step.transitions])
        for checkpoint in self._checkpoints:
            watching.save_checkpoint(checkpoint)
        self.done_ms = end_ms
        self._steps.clear()
        self._checkpoints.clear()
        self._store.revising.keep(self.due)

    def found(self) -> list[Transition]:
        """Return everything found on the way, in order. Ask after the last ``write``."""
        found = self._store.watching.findings(self._lot, self.since_ms)
        return [t for t in found if t.at_ms > self.since_ms and t.kind.is_decided_by_lot(t.evidence)]

    def leave(self, placer: Placer) -> None:
        """Hand over to readings as they come: what the sensors' temperatures were last."""
        placer.go_on_from(self._rebuild.placer, self._lot)

    def _checkpoint(self) -> Checkpoint:
        return Checkpoint(self._lot, self.watch.horizon_ms, self.watch.snapshot())

    def _next_checkpoint_ms(self) -> int:
        """Return when the next is due: as far apart as they are kept, a week where the present is far."""
        at_ms = self.watch.horizon_ms
        is_old = at_ms < self.newest_ms - CHECKPOINTS_KEPT_MS
        return (at_ms // WEEK_MS + 1) * WEEK_MS if is_old else at_ms + CHECKPOINT_EVERY_MS
