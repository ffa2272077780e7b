"""A recorded history through the same pipeline: JSON lines as ``mosquitto_sub -F %j`` prints them.

The clock of a replay is the record's: what is concluded, and when it would have been told, is as it was live.
"""

import gc
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain

from mustwatch.alerting.alert import Alert
from mustwatch.config.plan import CellarPlan, note_places
from mustwatch.evaluation.live import GRACE_MS, Evaluation
from mustwatch.evaluation.unreadable import unreadable_of
from mustwatch.replay.by_lot import take_all
from mustwatch.replay.record import Misread, Pile, piles_of
from mustwatch.store.readings import Unreadable
from mustwatch.store.store import Store

BATCH, BATCH_PER_SENSOR, LARGEST_BATCH = 5_000, 200, 50_000
"""Messages between commits: a crash costs replaying these again, which changes nothing. A large cellar has larger
batches, as far as memory allows."""
PILE, PILE_PER_SENSOR, LARGEST_PILE = 500, 20, 10_000
"""Messages read at a time: what was just read is still in the processor's cache when it is evaluated, and every lot
is given some of its own at once."""
STATE_PER_SENSOR = 1_000
"""What the watches remember is written after this many messages of each sensor: writing it costs as much as some ten
readings. A replay that is broken off is concluded again from there."""


@dataclass(slots=True)
class Replayed:
    """What a replay came to."""

    messages: int = 0
    readings: int = 0
    duplicates: int = 0
    quarantined: int = 0
    bad_lines: int = 0
    first_bad_line: str | None = None


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """Keep Python's collector of cycles from looking through a growing store of readings again and again.

    A reading makes no cycles; what else makes some is collected afterwards.
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


class Replay:
    """Replays into a store."""

    def __init__(self, store: Store, plan: CellarPlan) -> None:
        """Set up; the sensors' places of the configuration hold from the beginning."""
        self._store = store
        self._plan = plan
        self.result = Replayed()

    def run(self, lines: Iterable[str | bytes], now_ms: int) -> Replayed:
        """Take every line, and close what the record's clock has passed.

        Conclusions are drawn and told at the instants they would have been; the card is written once a batch.
        """
        sensors = self._plan.sensors.values()
        misread = Misread()
        return self.run_piles(piles_of(lines, sensors, pile_size(len(sensors)), misread), misread, now_ms)

    def run_piles(self, piles: Iterator[Pile], misread: Misread, now_ms: int) -> Replayed:
        """Do the same with what is read elsewhere; ``misread`` counts there."""
        note_places(self._store, self._plan, now_ms)
        evaluation = Evaluation(self._store, self._plan, now_ms)
        first = next(piles, None)
        with self._store.database.hurried(), _collector_at_rest():
            # What the book says by now is taken up before the first reading, and need not be by the next `run`.
            evaluation.read_book()
            begins_ms = first.clocks_ms[0] if first is not None and first.clocks_ms else now_ms
            self._commit(evaluation, [], begins_ms)
            clock_ms = self._replay(piles if first is None else chain((first,), piles), evaluation)
            evaluation.advance(clock_ms + GRACE_MS)
            self._commit(evaluation, [], clock_ms, with_states=True)
        self.result.bad_lines, self.result.first_bad_line = misread.lines, misread.first
        return self.result

    def _replay(self, piles: Iterable[Pile], evaluation: Evaluation) -> int:
        """Take everything, and return the record's clock after it."""
        most = min(LARGEST_BATCH, max(BATCH, BATCH_PER_SENSOR * len(self._plan.sensors)))
        clock_ms = unwritten = unsaved = 0
        unreadable: list[Unreadable] = []
        for messages, packs, clocks_ms, quarantined, clock_ms in piles:
            self.result.messages += messages
            unwritten += messages
            unsaved += messages
            unreadable += map(unreadable_of, quarantined)
            with self._store.transaction():
                for place in take_all(evaluation, packs):
                    self._commit(evaluation, unreadable, clocks_ms[place])
                if unwritten >= most:
                    with_states = unsaved >= STATE_PER_SENSOR * len(self._plan.sensors)
                    self._commit(evaluation, unreadable, clock_ms, with_states=with_states)
                    unwritten = 0
                    unsaved = 0 if with_states else unsaved
        self._commit(evaluation, unreadable, clock_ms)
        return clock_ms

    def _commit(
        self,
        evaluation: Evaluation,
        unreadable: list[Unreadable],
        now_ms: int,
        *,
        with_states: bool = False,
    ) -> None:
        with self._store.transaction():
            self._store.readings.quarantine(unreadable)
            outcome = evaluation.settle(now_ms, with_states=with_states)
        self.result.quarantined += len(unreadable)
        unreadable.clear()
        self.result.readings += outcome.stored
        self.result.duplicates += outcome.duplicates

    def alerts(self) -> list[Alert]:
        """Return every alert the store holds, oldest first."""
        return self._store.alerts.recent(-(2**62))


def pile_size(sensors: int) -> int:
    """Return how many messages to read at a time."""
    return min(LARGEST_PILE, max(PILE, PILE_PER_SENSOR * sensors))
