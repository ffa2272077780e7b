"""The points of what the spool holds: looked up as it is now, and made into lines."""

import json
import logging
from collections.abc import Callable

from mustwatch.cellar.reading import Reading
from mustwatch.store.mirror_lines import Lines, Sent, alert_tags, finding_tags
from mustwatch.store.mirror_spool import Item, Portion, Spool
from mustwatch.store.rollup import thinned_until_ms
from mustwatch.store.store import Store
from mustwatch.watch.finding import Change, Severity, Subject, Transition, kind_named

log = logging.getLogger(__name__)


class Points:
    """Makes lines of what is in a store."""

    def __init__(self, store: Store, spool: Spool, lines: Lines, clock_ms: Callable[[], int]) -> None:
        """Use a store."""
        self._store = store
        self._spool = spool
        self._lines = lines
        self._clock_ms = clock_ms
        self.retention_ms: int | None = None
        """After how long the bucket drops points, as far as is known; None: never."""

    def of_portion(self, portion: Portion) -> list[tuple[Item, str]]:
        """Return a portion's lines, each with the item it is of."""
        found = [(item, text) for item in portion.items for text in self.of_item(item) if text]
        for reading in portion.readings:
            key = self._store.readings.key_of(reading.sensor)
            found.append((Item("reading", reading.observed_ms, str(key)), self._reading(reading)))
        return found

    def _reading(self, reading: Reading, *, is_rewritten: bool = False) -> str:
        vessel, lot = self._spool.where(reading.sensor, reading.observed_ms)
        fields = {"withdrawn": False} if is_rewritten else None
        return self._lines.reading(reading, self._spool.kind(reading.sensor), vessel, lot, fields)

    def of_item(self, item: Item) -> list[str]:
        """Return what a noted item is now: its line, or the line that withdraws it."""
        what, at_ms, key = item
        if what == "reading":
            return self._noted_reading(at_ms, int(key))
        if what == "ghost":
            sensor, vessel, lot = json.loads(key)
            return [self._withdrawn_reading(sensor, vessel, lot, at_ms)]
        if what == "estimate":
            found = self._store.watching.estimates(key, at_ms, at_ms + 1)
            if not found:
                return [self._lines.withdrawn("estimate", {"lot": key}, at_ms)]
            return [self._lines.estimate(key, found[0], {"withdrawn": False})]
        if what == "finding":
            return [self._noted_finding(at_ms, *json.loads(key))]
        return self._noted_of_the_book(what, at_ms, key)

    def _noted_reading(self, at_ms: int, key: int) -> list[str]:
        sensor = self._store.readings.sensor_of(key)
        reading = self._store.readings.get(sensor, at_ms)
        if reading is not None:
            return [self._reading(reading, is_rewritten=True)]
        if at_ms < thinned_until_ms(self._store.database):
            return []  # it was thinned here, and stands there
        return [self._withdrawn_reading(sensor, *self._spool.where(sensor, at_ms), at_ms)]

    def _withdrawn_reading(self, sensor: str, vessel: str | None, lot: str | None, at_ms: int) -> str:
        tags = {"sensor": sensor, "kind": self._spool.kind(sensor), "vessel": vessel, "lot": lot}
        return self._lines.withdrawn("reading", tags, at_ms)

    def _noted_finding(
        self, at_ms: int, kind: str, change: str, lot: str | None, vessel: str | None, sensor: str | None
    ) -> str:
        subject = Subject(lot, vessel, sensor)
        for found in self._store.watching.findings(lot, at_ms, at_ms + 1):
            if (found.kind, found.change, found.subject) == (kind, change, subject):
                return self._lines.finding(found, {"withdrawn": False})
        gone = Transition(kind_named(kind), Change(change), at_ms, Severity.NOTICE, subject)
        return self._lines.withdrawn("finding", finding_tags(gone), at_ms)

    def _noted_of_the_book(self, what: str, at_ms: int, key: str) -> list[str]:
        if what == "alert_moved":
            return self._moved_alert(at_ms, *json.loads(key))
        now_ms = self._clock_ms()
        found = self._of_the_book(what, at_ms, key, Sent(now_ms))
        if self.retention_ms is None:
            return found
        # There it would be dropped: it is sent again at the present, and again before that is dropped.
        again = self._of_the_book(what, at_ms, key, Sent(now_ms, is_again=True))
        return again if at_ms <= now_ms - self.retention_ms else found + again

    def _moved_alert(self, at_ms: int, kind: str, lot: str | None, sensor: str | None, id_: str) -> list[str]:
        alert = self._store.alerts.get(id_)
        if alert is not None and (at_ms, lot, sensor) == (
            alert.opened_ms,
            alert.subject.lot,
            alert.subject.sensor,
        ):
            return []  # it has moved back: another item says how it stands
        return [self._lines.withdrawn("alert", alert_tags(kind, lot, sensor, id_), at_ms)]

    def _of_the_book(self, what: str, at_ms: int, key: str, sent: Sent) -> list[str]:
        book = self._store.book
        if what == "entry":
            return [self._lines.entry(entry, sent) for entry in (book.entry(key),) if entry is not None]
        if what == "alert":
            alert = self._store.alerts.get(key)
            return [] if alert is None else [self._lines.alert(alert, sent)]
        if what == "calibration":
            return [self._lines.calibration(c, sent) for c in book.calibrations(key) if c.from_ms == at_ms]
        if what == "sensor_stay":
            stays = [s for s in book.sensor_stays() if s.sensor == key and s.from_ms == at_ms]
            return [self._lines.place(stay, sent) for stay in stays]
        if what == "message":
            found = self._store.outbox.sent(key)
            return [] if found is None else [self._lines.message(*found, sent)]
        log.error("the spool holds an unknown item what=%s", what)
        return []
