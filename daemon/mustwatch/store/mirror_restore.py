"""The way back from the mirror: readings, book, calibrations, places and alerts out of InfluxDB into a store.

Estimates and findings are not fetched: the daemon concludes them anew from the readings and the book, which is what
they were concluded from. Alerts are, so that what was told is known to have been told.
"""

import json
from collections.abc import Iterator
from datetime import datetime
from typing import Any, NamedTuple

from mustwatch.alerting.alert import Alert
from mustwatch.cellar.entry_json import UnreadableEntryError, entry_from_json
from mustwatch.cellar.history import SensorStay
from mustwatch.cellar.instant import DAY_MS, from_ms, to_ms
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.backup import BackupError
from mustwatch.store.book import CalibrationPoints
from mustwatch.store.mirror_lines import tag_as_written
from mustwatch.store.store import Store

WINDOW_MS = 14 * DAY_MS
"""So much is asked for at once: a fortnight of forty sensors by the minute is 800,000 points, streamed."""
BATCH = 2_000
ANSWER_LIMIT_S = 120


class Restored(NamedTuple):
    """How much was fetched that the store did not have."""

    readings: int
    entries: int
    alerts: int


class InfluxRestore:
    """Fetches one cellar from a bucket."""

    def __init__(self, url: str, org: str, bucket: str, token: str, site: str, cellar: str) -> None:
        """Name the bucket, and whose points are wanted; nothing is opened yet."""
        from influxdb_client.client.influxdb_client import InfluxDBClient

        self._client: Any = InfluxDBClient(
            url=url, token=token, org=org, enable_gzip=True, timeout=(10_000, ANSWER_LIMIT_S * 1000)
        )
        self._bucket = bucket
        self._site = site.replace("\\", "⧵")
        self._cellar = cellar.replace("\\", "⧵")
        self._where = f"{site}/{cellar} in bucket {bucket}"
        self._first_ms = 0

    def look(self) -> None:
        """See whether there is anything to restore, before anything is moved aside.

        Raises:
            BackupError: the server cannot be asked, or holds nothing of this cellar.
        """
        firsts = [
            record
            for measurement in ("reading", "entry")
            for record in self._records(measurement, 0, None, '|> first() |> keep(columns: ["_time"])')
        ]
        if not firsts:
            raise BackupError(
                f"InfluxDB holds nothing of {self._where}: check influx.site, influx.bucket and cellar.name"
            )
        self._first_ms = min(_ms(record["_time"]) for record in firsts)

    def into(self, store: Store, until_ms: int) -> Restored:
        """Write everything into a store; what it has already stays as it is. Call ``look`` first.

        Args:
            store: where to.
            until_ms: the present; sensors' readings from the future are fetched for a day beyond.

        Raises:
            BackupError: the server gave up half-way; what came so far is in the store.
        """
        with store.transaction():
            places = self._places(store)
            for calibration in self._calibrations():
                store.book.save_calibration(calibration)
            entries = self._entries(store)
            alerts = [
                Alert.from_json(json.loads(record["body"])) for record in self._records("alert", 0, None)
            ]
            known = {alert.id for alert in store.alerts.recent(-(2**62))}
            fresh = [alert for alert in alerts if alert.id not in known]
            store.alerts.save(fresh)
            for stay in places:
                store.book.configure_place(stay)
        before = store.readings.count()
        from_ms = self._first_ms
        while from_ms < until_ms + DAY_MS:
            self._fetch_readings(store, from_ms, from_ms + WINDOW_MS)
            from_ms += WINDOW_MS
        return Restored(store.readings.count() - before, entries, len(fresh))

    def _fetch_readings(self, store: Store, from_ms: int, until_ms: int) -> None:
        batch: list[Reading] = []
        for record in self._records("reading", from_ms, until_ms):
            if record.get("withdrawn") is True or record.get("received_ms") is None:
                continue
            batch.append(_reading(record))
            if len(batch) >= BATCH:
                store.readings.add(batch)
                batch.clear()
        store.readings.add(batch)

    def _entries(self, store: Store) -> int:
        """Write the entries the store lacks, and take back what was taken back since."""
        found = []
        for record in self._records("entry", 0, None):
            try:
                found.append(entry_from_json(json.loads(record["body"])))
            except (UnreadableEntryError, ValueError) as error:
                raise BackupError(f"an entry of the book in InfluxDB cannot be read: {error}") from None
        known = {entry.id: entry for entry in store.book.entries()}
        fresh = 0
        for entry in sorted(found, key=lambda e: (e.recorded_ms, e.id)):
            if entry.id not in known:
                store.book.append(entry)
                fresh += 1
            elif entry.undone_ms is not None and known[entry.id].undone_ms is None:
                store.book.undo(entry, entry.undone_ms)
        return fresh

    def _calibrations(self) -> Iterator[CalibrationPoints]:
        for record in self._records("calibration", 0, None):
            body = json.loads(record["body"])
            points = tuple((float(p[0]), float(p[1])) for p in body["points"])
            yield CalibrationPoints(tag_as_written(record["sensor"]), int(body["from_ms"]), points)

    def _places(self, store: Store) -> list[SensorStay]:
        known = set(store.book.sensor_stays())
        found = []
        for record in self._records("place", 0, None):
            body = json.loads(record["body"])
            stay = SensorStay(tag_as_written(record["sensor"]), body["vessel"], int(body["from_ms"]))
            if stay not in known:
                found.append(stay)
        return found

    def _records(
        self, measurement: str, from_ms: int, until_ms: int | None, instead: str | None = None
    ) -> Iterator[dict[str, Any]]:
        """Stream a measurement's points of this cellar, the fields of each instant together."""
        stop = "" if until_ms is None else f", stop: {_flux_time(until_ms)}"
        flux = (
            f"from(bucket: {_flux_text(self._bucket)}) |> range(start: {_flux_time(from_ms)}{stop})"
            f" |> filter(fn: (r) => r._measurement == {_flux_text(measurement)}"
            f" and r.site == {_flux_text(self._site)} and r.cellar == {_flux_text(self._cellar)}) "
            + (instead or '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")')
        )
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            for record in self._client.query_api().query_stream(flux):
                yield record.values
        except ApiException as error:
            raise BackupError(
                f"InfluxDB answers {error.status} {error.reason}: check [influx] (url, org, bucket, token)"
            ) from None
        except (HTTPError, OSError) as error:
            raise BackupError(
                f"InfluxDB cannot be reached ({type(error).__name__}): check influx.url"
            ) from None

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()


def _reading(record: dict[str, Any]) -> Reading:
    return Reading(
        tag_as_written(record["sensor"]),
        _ms(record["_time"]),
        int(record["received_ms"]),
        record.get("gravity"),
        record.get("inclination"),
        record.get("celsius"),
        record.get("battery_v"),
        record.get("signal_dbm"),
        Stamp(int(record.get("stamp") or 0)),
    )


def _ms(at: datetime) -> int:
    return to_ms(at)


def _flux_time(at_ms: int) -> str:
    return from_ms(at_ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _flux_text(text: str) -> str:
    """Return a text as Flux writes it. Source: Flux language specification, string literals, from memory."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${").replace("\n", "\\n")
    return f'"{escaped}"'
