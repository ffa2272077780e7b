"""A lot's watch from the store: restored from a checkpoint and given what came after it, in time order.

The order in which things arrived or were typed plays no part here, which is why what is concluded after a late
reading or entry is what would have been concluded had it come in time.
"""

import logging
from collections.abc import Iterator
from functools import lru_cache
from heapq import merge
from operator import itemgetter
from typing import Any

from mustwatch.cellar.book import Entry
from mustwatch.cellar.correction import TEMPERATURE_HOLDS_MS
from mustwatch.cellar.history import END_MS, LotHistory, Stay
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import CellarPlan
from mustwatch.evaluation.placing import Placer
from mustwatch.store.retention import thinned_readings
from mustwatch.store.rollup import thinned_until_ms
from mustwatch.store.store import Store
from mustwatch.watch.finding import Transition
from mustwatch.watch.lot_watch import LotWatch, SnapshotOutdatedError, WatchStep

log = logging.getLogger(__name__)

STRETCH_MS = DAY_MS
"""This much history is read at a time: a few thousand readings at most, so that a long rebuild neither fills a Pi's
memory nor keeps anybody waiting."""

STAND_IN_MS = DAY_MS
"""What a watch has heard that stands in for one still to be evaluated: more than any temperature is judged over."""

NIGHTS_REMEMBERED = 64
"""Instants of which it is remembered whether they lie in the night: the slots of all lots end at the same ones."""


class Rebuild:
    """Makes lots' watches from a store."""

    def __init__(self, store: Store, plan: CellarPlan, placer: Placer) -> None:
        """Use a store, and a placer made from its present book."""
        self._store = store
        self._plan = plan
        self._is_night = lru_cache(maxsize=NIGHTS_REMEMBERED)(plan.is_night)
        self.placer = placer

    def restored(self, history: LotHistory, before_ms: int) -> tuple[LotWatch, int]:
        """Return a lot's watch as of its newest checkpoint at or before an instant, and that horizon.

        Without a usable checkpoint it is a new watch, and the horizon is the lot's start.
        """
        profile = self._plan.profile_for(history)
        checkpoint = self._store.watching.checkpoint_before(history.lot, before_ms)
        if checkpoint is not None and checkpoint.horizon_ms > history.started_ms:
            try:
                watch = LotWatch.restore(checkpoint.snapshot, profile, self._is_night, history.entries)
                return watch, checkpoint.horizon_ms
            except SnapshotOutdatedError:
                log.info("snapshot of another version, evaluating from the start lot=%s", history.lot)
        watch = LotWatch(history.lot, history.start.vessel, profile, history.started_ms, self._is_night)
        return watch, history.started_ms

    def stretch_end(self, from_ms: int, newest_ms: int) -> int:
        """Return up to when to go on from an instant: a stretch that has something in it, the last one for ever."""
        if from_ms >= thinned_until_ms(self._store.database):
            from_ms = max(from_ms, self._store.readings.first_ms(from_ms) or END_MS)
        return END_MS if from_ms + STRETCH_MS > newest_ms else from_ms + STRETCH_MS

    def feed(
        self, watch: LotWatch, history: LotHistory, from_ms: int, until_ms: int = END_MS
    ) -> Iterator[WatchStep]:
        """Give a watch the lot's entries and stored readings of [from, until), and yield its steps."""
        entries: list[tuple[int, int, Any]] = [
            (e.at_ms, 0, e) for e in history.entries if from_ms <= e.at_ms < until_ms
        ]
        readings = self._readings(history, from_ms, until_ms)
        for _, _, what in merge(entries, readings, key=itemgetter(0, 1)):
            if isinstance(what, Entry):
                steps = watch.enter(what)
            else:
                reading, vessel = what
                steps = watch.observe(self.placer.observation(reading, vessel))
            for step in steps:
                # What its parent went through before the lot was parted from it was told of the parent.
                is_its_own = step.estimate.at_ms > history.born_ms
                yield step if is_its_own else step._replace(transitions=(), figures=())

    def stand_in(self, history: LotHistory) -> tuple[LotWatch, list[Transition]]:
        """Return a watch that has heard the lot's last day alone, and what it found."""
        watch = LotWatch(
            history.lot,
            history.start.vessel,
            self._plan.profile_for(history),
            history.started_ms,
            self._is_night,
        )
        newest_ms = self._store.readings.newest_ms() or history.started_ms
        from_ms = max(history.started_ms, newest_ms - STAND_IN_MS)
        for entry in history.entries:
            if entry.at_ms < from_ms:
                watch.enter(entry)
        self.recall_temperatures(history, from_ms)
        steps = list(self.feed(watch, history, from_ms))
        return watch, [transition for step in steps for transition in step.transitions]

    def recall_temperatures(self, history: LotHistory, at_ms: int) -> None:
        """Have the correctors hold what temperatures were said just before an instant, on topics of their own."""
        for vessel in history.vessels_at(at_ms - 1):
            sensors = self.placer.history.sensors_in(vessel)
            for reading in self._stored(at_ms - TEMPERATURE_HOLDS_MS, at_ms, sensors):
                if self.placer.place(reading.sensor, reading.observed_ms).lot == history.lot:
                    self.placer.corrector(reading.sensor).correct(reading)

    def _readings(
        self, history: LotHistory, from_ms: int, until_ms: int
    ) -> Iterator[tuple[int, int, tuple[Reading, str]]]:
        newest_ms = self._store.readings.newest_ms()
        if newest_ms is None:
            return
        until_ms = min(until_ms, newest_ms + 1)
        yield from merge(
            *(self._of_stay(stay, from_ms, until_ms) for stay in history.stays), key=itemgetter(0)
        )

    def _of_stay(
        self, stay: Stay, from_ms: int, until_ms: int
    ) -> Iterator[tuple[int, int, tuple[Reading, str]]]:
        sensors = self.placer.history.sensors_in(stay.vessel)
        begin_ms, end_ms = max(from_ms, stay.from_ms), min(stay.until_ms, until_ms)
        while begin_ms < end_ms:
            stretch_ms = min(begin_ms + STRETCH_MS, end_ms)
            for reading in self._stored(begin_ms, stretch_ms, sensors):
                place = self.placer.place(reading.sensor, reading.observed_ms)
                if (place.lot, place.vessel) == (stay.lot, stay.vessel):
                    yield reading.observed_ms, 1, (reading, stay.vessel)
            begin_ms = stretch_ms

    def _stored(self, from_ms: int, until_ms: int, sensors: list[str]) -> list[Reading]:
        """Return the readings of [from, until); where they were thinned, the quarters of an hour that are left."""
        thinned = thinned_readings(self._store.database, from_ms, until_ms, sensors)
        readings = self._store.readings.between(from_ms, until_ms, sensors)
        return sorted([*thinned, *readings], key=lambda r: r.observed_ms) if thinned else readings
