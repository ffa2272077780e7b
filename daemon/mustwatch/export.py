"""Export: what the store holds as CSV, line protocol or Parquet, streamed in constant memory."""

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import IO, Any

from mustwatch.cellar.history import BEGINNING_MS, END_MS, CellarHistory, Placement
from mustwatch.cellar.instant import iso
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import CellarPlan
from mustwatch.store.mirror_lines import Lines
from mustwatch.store.store import Store

COLUMNS = (
    "sensor",
    "observed_at",
    "received_at",
    "gravity",
    "inclination",
    "celsius",
    "battery_v",
    "signal_dbm",
    "stamp",
    "vessel",
    "lot",
)
"""The CSV's header. Gravity as the sensor said it, inclination in degrees, times in ISO 8601 with offset; ``stamp``
says where ``observed_at`` came from: 0 the sensor, 1 the daemon on arrival, 2 the same with an unsure clock, 3 the
same, since corrected."""
DATABASE_SPAN_MS = 2**62


class NoParquetError(Exception):
    """The library for Parquet is not installed; the text says how to install it."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be exported: of a lot or of all, observed in [since, until)."""

    lot: str | None = None
    since_ms: int = -DATABASE_SPAN_MS
    until_ms: int = DATABASE_SPAN_MS


class Export:
    """Exports from a store."""

    def __init__(
        self,
        store: Store,
        plan: CellarPlan,
        wanted: Wanted,
        advance: Callable[[int], None] = lambda _reached_ms: None,
    ) -> None:
        """Read the book; nothing else is read before it is asked for. ``advance`` is told up to when all is written."""
        self._advance = advance
        self._store = store
        self._plan = plan
        self._wanted = wanted
        self._history: CellarHistory = store.book.history()

    def rows(self) -> Iterator[tuple[Reading, str | None, str | None]]:
        """Yield the readings in time order, each with the vessel and the lot it belongs to."""
        wanted, history = self._wanted, self._history
        since_ms, until_ms = wanted.since_ms, wanted.until_ms
        if wanted.lot is not None:
            stays = history.lots[wanted.lot].stays if wanted.lot in history.lots else ()
            since_ms = max(since_ms, min((s.from_ms for s in stays), default=END_MS))
            until_ms = min(until_ms, max((s.until_ms for s in stays), default=BEGINNING_MS))
        places: dict[str, Placement] = {}
        for page in self._store.readings.pages(since_ms, until_ms):
            self._advance(page[-1].observed_ms)
            for reading in page:
                place = places.get(reading.sensor)
                if place is None or not place.from_ms <= reading.observed_ms < place.until_ms:
                    place = places[reading.sensor] = history.place(reading.sensor, reading.observed_ms)
                if wanted.lot is None or place.lot == wanted.lot:
                    yield reading, place.vessel, place.lot

    def csv(self, out: IO[str]) -> int:
        """Write readings as CSV (RFC 4180, header first, lines ended by LF); return how many.

        A name that a spreadsheet would work out (``=1+1``) has an apostrophe before it, which makes it text there.
        """
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(COLUMNS)
        count = 0
        for reading, vessel, lot in self.rows():
            sensor, *cells = _cells(reading)
            writer.writerow((shown_as_text(sensor), *cells, shown_as_text(vessel), shown_as_text(lot)))
            count += 1
        return count

    def lines(self, out: IO[str], lines: Lines) -> int:
        """Write readings, estimates, findings, entries, alerts and calibrations as line protocol; return how many."""
        count = 0
        for text in self._lines(lines):
            if text:
                out.write(text + "\n")
                count += 1
        return count

    def _lines(self, lines: Lines) -> Iterator[str]:
        wanted, store = self._wanted, self._store
        for reading, vessel, lot in self.rows():
            sensor = self._plan.sensors.get(reading.sensor)
            yield lines.reading(reading, sensor.kind.value if sensor else None, vessel, lot)
        since_ms, until_ms = wanted.since_ms, wanted.until_ms
        for name in self._history.lots if wanted.lot is None else (wanted.lot,):
            for estimate in store.watching.each_estimate(name, since_ms, until_ms):
                yield lines.estimate(name, estimate)
        for finding in store.watching.findings(wanted.lot, since_ms, until_ms):
            yield lines.finding(finding)
        for entry in store.book.entries(wanted.lot):
            if since_ms <= entry.at_ms < until_ms:
                yield lines.entry(entry)
        for alert in store.alerts.recent(-DATABASE_SPAN_MS):
            if since_ms <= alert.opened_ms < until_ms and wanted.lot in (None, alert.subject.lot):
                yield lines.alert(alert)
        if wanted.lot is None:
            for sensor_id in self._plan.sensors:
                for calibration in store.book.calibrations(sensor_id):
                    yield lines.calibration(calibration)

    def parquet(self, out: IO[bytes]) -> int:
        """Write readings as Parquet, the CSV's columns with their types; return how many.

        Raises:
            NoParquetError: the library is not installed.
        """
        try:
            import pyarrow as pa
            import pyarrow.parquet as pq
        except ImportError:
            raise NoParquetError(
                "Parquet needs pyarrow, which is not installed: pip install 'mustwatch[parquet]', or where install.sh "
                "was used: sudo /opt/mustwatch/deploy/install.sh install --parquet"
            ) from None
        schema = _parquet_schema(pa)
        count = 0
        with pq.ParquetWriter(out, schema, compression="zstd") as writer:
            batch: list[tuple[Any, ...]] = []
            for reading, vessel, lot in self.rows():
                batch.append((*reading[:8], int(reading.stamp), vessel, lot))
                count += 1
                if len(batch) == PARQUET_ROWS:
                    writer.write_table(_table(pa, schema, batch))
                    batch.clear()
            if batch:
                writer.write_table(_table(pa, schema, batch))
        return count


PARQUET_ROWS = 50_000
"""Rows of one row group: what is held in memory at once, about 10 MB."""


def shown_as_text(name: str | None) -> str | None:
    """Return a name as a spreadsheet shows it and never works it out."""
    return f"'{name}" if name and name.startswith(("=", "+", "-", "@", "\t", "\r")) else name


def _cells(reading: Reading) -> tuple[Any, ...]:
    return (
        reading.sensor,
        iso(reading.observed_ms),
        iso(reading.received_ms),
        *reading[3:8],
        int(reading.stamp),
    )


def _parquet_schema(pa: Any) -> Any:
    instant, number, text = pa.timestamp("ms", tz="UTC"), pa.float64(), pa.string()
    types = (text, instant, instant, number, number, number, number, number, pa.int8(), text, text)
    return pa.schema(list(zip(COLUMNS, types, strict=True)))


def _table(pa: Any, schema: Any, rows: list[tuple[Any, ...]]) -> Any:
    return pa.table(
        [pa.array(column, type=of.type) for column, of in zip(zip(*rows, strict=True), schema, strict=True)],
        schema=schema,
    )


def text_stream(out: IO[bytes]) -> io.TextIOWrapper:
    """Return a text stream on a binary one, in UTF-8 with line ends as written."""
    return io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=False)
