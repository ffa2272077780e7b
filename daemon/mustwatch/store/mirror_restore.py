"""The way back from the mirror: readings, book, calibrations, places, alerts and messages out of InfluxDB into a store.

Estimates and findings are not fetched: the daemon concludes them anew from the readings and the book, which is what
they were concluded from. Alerts and messages are, so that what was told is known to have been told, and what still
waited is told.
"""

import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple, TypeVar

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.message import Message
from mustwatch.cellar.entry_json import UnreadableEntryError, entry_from_json
from mustwatch.cellar.history import SensorStay
from mustwatch.cellar.instant import DAY_MS, SECOND_MS, from_ms, to_ms
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.backup import BackupError
from mustwatch.store.book import CalibrationPoints
from mustwatch.store.mirror_audit import retention_said
from mustwatch.store.mirror_influx import Bucket, InfluxServer, Whose
from mustwatch.store.mirror_lines import tag_as_written
from mustwatch.store.mirror_marker import Marker, Standing
from mustwatch.store.mirror_spool import INSTANCE, KINDS
from mustwatch.store.mirror_verdict import ServerError, Verdict
from mustwatch.store.store import Store

WINDOW_MS = 14 * DAY_MS
"""How much is asked for at once: a fortnight of forty sensors by the minute is 800,000 points, streamed."""
BATCH = 2_000
FETCHED = "restore_fetched_ms"
"""Name under which a store that is being restored keeps up to when its readings were fetched."""
NOT_MIRRORED = ("what was quarantined", "which jobs of the day were done", "backups")
"""What is in no mirror, in words."""
T = TypeVar("T")


class Restored(NamedTuple):
    """How much was fetched that the store did not have, and what the server should have had besides."""

    readings: int
    entries: int
    alerts: int
    messages_waiting: int
    missing: tuple[str, ...]


class InfluxRestore:
    """Fetches one cellar from a bucket."""

    def __init__(self, bucket: Bucket, site: str, cellar: str) -> None:
        """Name the bucket, and whose points are wanted; nothing is opened yet."""
        self._server = InfluxServer(bucket)
        self._whose = Whose.of(site, cellar)
        self._where = f"{site}/{cellar} in bucket {bucket.name}"
        self._first_ms = 0
        self._standing = Standing(None, None)

    def look(self) -> None:
        """See whether there is anything to restore, before anything is written.

        Raises:
            BackupError: the server cannot be asked, or holds nothing of this cellar.
        """
        try:
            self._standing = self._server.standing(self._whose)
        except ServerError as error:
            raise self._explained(error) from None
        firsts = [
            record
            for measurement in ("reading", "entry")
            for record in self.records(measurement, then='|> first() |> keep(columns: ["_time"])')
        ]
        if not firsts:
            raise BackupError(
                f"InfluxDB holds nothing of {self._where}: check influx.site, influx.bucket and cellar.name"
            )
        self._first_ms = min(to_ms(record["_time"]) for record in firsts)

    def into(
        self, store: Store, until_ms: int, advance: Callable[[float], None] = lambda _share: None
    ) -> Restored:
        """Write everything into a store; what it has already stays as it is. Call ``look`` first.

        Args:
            store: where to. One in which this was cut short is gone on with.
            until_ms: the present; sensors' readings from the future are fetched for a day beyond.
            advance: told after each fortnight of readings which share of the time is fetched, 0 to 1.

        Raises:
            BackupError: the server gave up half-way; what came so far is in the store.
        """
        before = store.readings.count()
        with store.transaction():
            places = self._places(store)
            for calibration in self._calibrations():
                store.book.save_calibration(calibration)
            entries = self._entries(store)
            alerts = self._alerts(store)
            waiting = self._messages(store)
            for stay in places:
                store.book.configure_place(stay)
            self._adopt(store)
        kinds: dict[str, str] = json.loads(store.watching.kept(KINDS) or "{}")
        from_ms = int(store.watching.kept(FETCHED) or self._first_ms)
        while from_ms < until_ms + DAY_MS:
            self._fetch_readings(store, from_ms, from_ms + WINDOW_MS, kinds)
            from_ms += WINDOW_MS
            advance(min(1.0, (from_ms - self._first_ms) / max(until_ms - self._first_ms, 1)))
            with store.transaction():
                store.watching.keep(KINDS, json.dumps(kinds))
                store.watching.keep(FETCHED, str(from_ms))
        store.watching.forget_kept(FETCHED)
        return Restored(
            store.readings.count() - before, entries, alerts, waiting, tuple(self._missing(store))
        )

    def _adopt(self, store: Store) -> None:
        """Be, for the server, the store that wrote the newest marker: what it counted is what is counted on."""
        markers = (self._standing.markers or {}).values()
        last = max(markers, key=lambda marker: marker.serial, default=None)
        if last is not None and store.watching.kept(INSTANCE) is None:
            store.watching.keep(INSTANCE, last.instance)

    def _fetch_readings(self, store: Store, from_ms: int, until_ms: int, kinds: dict[str, str]) -> None:
        batch: list[Reading] = []
        for record in self.records("reading", from_ms, until_ms):
            if record.get("withdrawn") is True or record.get("received_ms") is None:
                continue
            reading = _reading(record)
            if record.get("kind"):
                kinds.setdefault(reading.sensor, record["kind"])
            batch.append(reading)
            if len(batch) >= BATCH:
                store.readings.add(batch)
                batch.clear()
        store.readings.add(batch)

    def _entries(self, store: Store) -> int:
        """Write the entries the store lacks, and undo what was undone since."""
        found = self._bodies("entry", entry_from_json, lambda entry: entry.id)
        known = {entry.id: entry for entry in store.book.entries()}
        fresh = 0
        for entry in sorted(found.values(), key=lambda e: (e.recorded_ms, e.id)):
            if entry.id not in known:
                store.book.append(entry)
                fresh += 1
            elif entry.undone_ms is not None and known[entry.id].undone_ms is None:
                store.book.undo(entry, entry.undone_ms)
        return fresh

    def _alerts(self, store: Store) -> int:
        """Write the alerts the store lacks or knows an earlier state of."""
        found = self._bodies("alert", Alert.from_json, lambda alert: alert.id)
        known = {alert.id: alert for alert in store.alerts.recent(-(2**62))}
        later = [a for a in found.values() if a.id not in known or _lately(known[a.id]) < _lately(a)]
        store.alerts.save(later)
        return len([alert for alert in later if alert.id not in known])

    def _messages(self, store: Store) -> int:
        """Write the messages the store lacks, and which were told; return how many wait that did not."""

        def read(record: Mapping[str, Any]) -> tuple[Message, int | None, int | None]:
            message = Message.from_json(json.loads(record["body"]))
            return message, int(record["told_ms"]) or None, int(record["expired_ms"]) or None

        found = self._newest("message", read, lambda sent: sent[0].id)
        in_order = sorted(found.values(), key=lambda sent: (sent[0].created_ms, sent[0].order))
        return sum(store.outbox.bring_back(*sent) for sent in in_order)

    def _calibrations(self) -> Iterator[CalibrationPoints]:
        def read(record: Mapping[str, Any]) -> CalibrationPoints:
            body = json.loads(record["body"])
            points = tuple((float(p[0]), float(p[1])) for p in body["points"])
            return CalibrationPoints(tag_as_written(record["sensor"]), int(body["from_ms"]), points)

        yield from self._newest("calibration", read, lambda c: (c.sensor, c.from_ms)).values()

    def _places(self, store: Store) -> list[SensorStay]:
        def read(record: Mapping[str, Any]) -> SensorStay:
            body = json.loads(record["body"])
            return SensorStay(tag_as_written(record["sensor"]), body["vessel"], int(body["from_ms"]))

        known = set(store.book.sensor_stays())
        found = self._newest("place", read, lambda stay: (stay.sensor, stay.from_ms)).values()
        return [stay for stay in found if stay not in known]

    # --- what is missing -----------------------------------------------------------------------------------

    def _missing(self, store: Store) -> Iterator[str]:
        """Name what the markers say was sent, and did not come."""
        for marker in (self._standing.markers or {}).values():
            for name, here, there in _counted(store, marker):
                if here < there:
                    yield f"{there - here} of {there} {name}"

    def retention(self) -> str | None:
        """Return in words what the bucket does not keep, or None if it keeps all."""
        retention_s = self._standing.retention_s
        return f"the bucket {retention_said(retention_s * SECOND_MS)}" if retention_s else None

    def last_sent(self) -> str:
        """Return in words until when all was sent, or why that cannot be said."""
        if self._standing.markers is None:
            return f"whether all came back cannot be said: {self._standing.why}"
        if not self._standing.markers:
            return "whether all came back cannot be said: the server holds no note of how much was sent there"
        last_ms = max(marker.serial for marker in self._standing.markers.values())
        return f"the mirror was last up to date at {from_ms(last_ms):%Y-%m-%d %H:%M} UTC; what came later is not back"

    # --- asking --------------------------------------------------------------------------------------------

    def _bodies(
        self, measurement: str, read: Callable[[dict[str, Any]], T], id_of: Callable[[T], object]
    ) -> dict[object, T]:
        return self._newest(measurement, lambda record: read(json.loads(record["body"])), id_of)

    def _newest(
        self, measurement: str, read: Callable[[Mapping[str, Any]], T], id_of: Callable[[T], object]
    ) -> dict[object, T]:
        """Return the newest of each thing: a point at a former instant, or sent again, is the same thing."""
        found: dict[object, tuple[int, T]] = {}
        for record in self.records(measurement):
            if record.get("withdrawn") is True or record.get("body") is None:
                continue
            try:
                one, sent_ms = read(record), int(record.get("sent") or 0)
            except (UnreadableEntryError, ValueError, KeyError, TypeError) as error:
                raise BackupError(f"a point of {measurement} in InfluxDB cannot be read: {error}") from None
            id_ = id_of(one)
            if id_ not in found or (found[id_][0], _lately(found[id_][1])) <= (sent_ms, _lately(one)):
                found[id_] = sent_ms, one
        return {id_: one for id_, (_, one) in found.items()}

    def records(
        self, measurement: str, from_ms: int = 0, until_ms: int | None = None, then: str | None = None
    ) -> Iterator[dict[str, Any]]:
        """Stream a measurement's points of this cellar.

        Raises:
            BackupError: the server does not do it.
        """
        try:
            if then is None:
                yield from self._server.records(measurement, self._whose, from_ms, until_ms)
            else:
                yield from self._server.records(measurement, self._whose, from_ms, until_ms, then)
        except ServerError as error:
            raise self._explained(error) from None

    def _explained(self, error: ServerError) -> BackupError:
        do = "" if error.verdict is Verdict.PASSING else ": check [influx] (url, org, bucket, token)"
        return BackupError(f"InfluxDB at {self._server.shown} {error}{do}")

    def close(self) -> None:
        """Let go of the connection."""
        self._server.close()


def _counted(store: Store, marker: Marker) -> Iterator[tuple[str, int, int]]:
    counts, database = marker.counts, store.database
    readings = database.query(
        "SELECT count(*) FROM reading WHERE observed_ms>=? AND observed_ms<?",
        (counts.from_ms, counts.until_ms),
    )
    yield "readings", int(readings[0][0]), counts.readings
    for name, table, there in (
        ("entries of the book", "entry", counts.entries),
        ("alerts", "alert", counts.alerts),
        ("calibrations", "calibration", counts.calibrations),
        ("places of sensors", "sensor_stay", counts.places),
    ):
        yield name, int(database.query(f"SELECT count(*) FROM {table}")[0][0]), there  # noqa: S608


def _lately(one: object) -> tuple[int, int]:
    """Return when something last happened to an alert, by the daemon's clock, and how often it was told."""
    if not isinstance(one, Alert):
        return 0, 0
    told = [telling.told_ms or 0 for telling in one.tellings.values()]
    return max(one.noticed_ms, one.told_ms or 0, one.acknowledged_ms or 0, *told), one.times_told


def _reading(record: dict[str, Any]) -> Reading:
    return Reading(
        tag_as_written(record["sensor"]),
        to_ms(record["_time"]),
        int(record["received_ms"]),
        record.get("gravity"),
        record.get("inclination"),
        record.get("celsius"),
        record.get("battery_v"),
        record.get("signal_dbm"),
        Stamp(int(record.get("stamp") or 0)),
    )
