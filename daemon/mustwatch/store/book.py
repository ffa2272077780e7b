"""The cellar book on disk: entries are appended; a correction or an undoing never loses the first version."""

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import NamedTuple

from mustwatch.cellar.book import Bottling, Entry, Move, Racking, Reanchor, StageChange, Start, Transfer
from mustwatch.cellar.entry_json import what_from_json, what_to_json
from mustwatch.cellar.hearing import heard_otherwise, told_otherwise
from mustwatch.cellar.history import CellarHistory, SensorStay, fold
from mustwatch.store.database import Database
from mustwatch.store.whole import Row, Table, checksum, readable, verified

MAY_TURN_SENSORS = (Start, Racking, Bottling, StageChange, Move, Reanchor, Transfer)
"""What may put a sensor elsewhere, or change what it means."""


class BookChange(NamedTuple):
    """Something was written in the book: the lot concerned and from which instant its story may differ."""

    seq: int
    lot: str
    from_ms: int


class CalibrationPoints(NamedTuple):
    """A float's calibration points (inclination in degrees, gravity 20/20) and from when they hold."""

    sensor: str
    from_ms: int
    points: tuple[tuple[float, float], ...]


class Book:
    """The book's tables."""

    def __init__(self, database: Database) -> None:
        """Use a database."""
        self._db = database

    def append(self, entry: Entry) -> None:
        """Write an entry and note that its lot is to be looked at again from then on, and any that hears otherwise."""
        with self._db.transaction(), self._hearing_noted(entry):
            body = json.dumps(what_to_json(entry.what), ensure_ascii=False)
            written = (entry.id, entry.lot, entry.at_ms, entry.recorded_ms, entry.kind.value, body)
            remarks = (entry.despite, entry.replaces)
            self._db.execute(
                "INSERT INTO entry"
                " (id, lot, at_ms, recorded_ms, kind, body, despite, replaces, undone_ms, crc)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (*written, *remarks, entry.undone_ms, checksum(*written, *remarks)),
            )
            from_ms = entry.at_ms
            if entry.replaces is not None:
                rows = self._db.query("SELECT at_ms FROM entry WHERE id=?", (entry.replaces,))
                from_ms = min([from_ms, *(row[0] for row in rows)])
            self.note_change(entry.lot, from_ms)

    def undo(self, entry: Entry, at_ms: int) -> None:
        """Take an entry back; its row stays."""
        with self._db.transaction(), self._hearing_noted(entry):
            self._db.execute(
                "UPDATE entry SET undone_ms=? WHERE id=? AND undone_ms IS NULL", (at_ms, entry.id)
            )
            self.note_change(entry.lot, entry.at_ms)

    @contextmanager
    def _hearing_noted(self, entry: Entry) -> Iterator[None]:
        """Note, once an entry was written or undone, the lots that are heard otherwise by it."""
        is_plain = entry.replaces is None and not isinstance(entry.what, MAY_TURN_SENSORS)
        if is_plain and not self._db.query("SELECT 1 FROM entry WHERE kind='transfer' LIMIT 1"):
            yield
            return
        before = self.history()
        yield
        after = self.history()
        told = {lot: ms for lot, ms in told_otherwise(before, after).items() if lot != entry.lot}
        for lot, from_ms in (*heard_otherwise(before, after).items(), *told.items()):
            self.note_change(lot, from_ms)

    def note_change(self, lot: str, from_ms: int) -> None:
        """Ask for a lot to be evaluated again from an instant, by whoever keeps watch."""
        self._db.execute("INSERT INTO book_change (lot, from_ms) VALUES (?, ?)", (lot, from_ms))

    def changes_after(self, seq: int) -> list[BookChange]:
        """Return the changes after a sequence number, in order."""
        rows = self._db.query("SELECT seq, lot, from_ms FROM book_change WHERE seq>? ORDER BY seq", (seq,))
        return [BookChange(*row) for row in rows]

    def newest_change(self) -> int:
        """Return the sequence number of the newest change; 0 without any."""
        return int(self._db.query("SELECT coalesce(max(seq), 0) FROM book_change")[0][0])

    def entries(self, lot: str | None = None) -> list[Entry]:
        """Return every entry ever written (undone and replaced ones too), of one or all lots, as typed."""
        where, parameters = ("WHERE lot=?", (lot,)) if lot is not None else ("", ())
        rows = self._db.query(f"SELECT {ENTRIES.columns} FROM entry {where} ORDER BY seq", parameters)  # noqa: S608
        return list(readable(ENTRIES.called, rows, entry_of))

    def lots_named(self) -> list[str]:
        """Return every lot that an entry names, in force or not."""
        return [str(lot) for (lot,) in self._db.query("SELECT DISTINCT lot FROM entry ORDER BY lot")]

    def entry(self, entry_id: str) -> Entry | None:
        """Return one entry by its id, or None."""
        rows = self._db.query("SELECT lot FROM entry WHERE id=?", (entry_id,))
        return next((e for row in rows for e in self.entries(row[0]) if e.id == entry_id), None)

    def sensor_stays(self) -> list[SensorStay]:
        """Return where the configuration put the sensors, and from when on."""
        return [SensorStay(*row) for row in self._db.query("SELECT sensor, vessel, from_ms FROM sensor_stay")]

    def history(self) -> CellarHistory:
        """Return the cellar's history as the book and the configured places tell it."""
        return fold(self.entries(), self.sensor_stays())

    def configured_places(self) -> Mapping[str, str | None]:
        """Return where the configuration last put each sensor."""
        rows = self._db.query("SELECT sensor, vessel FROM sensor_stay ORDER BY from_ms")
        return {str(sensor): vessel for sensor, vessel in rows}

    def configure_place(self, stay: SensorStay) -> None:
        """Write that the configuration puts a sensor into a vessel from an instant on."""
        self._db.execute(
            "INSERT OR REPLACE INTO sensor_stay (sensor, vessel, from_ms) VALUES (?, ?, ?)",
            (stay.sensor, stay.vessel, stay.from_ms),
        )

    def save_calibration(self, calibration: CalibrationPoints, affected: Sequence[str] = ()) -> None:
        """Keep a calibration that holds from an instant on; the named lots are evaluated again from there."""
        written = (calibration.sensor, calibration.from_ms, json.dumps(calibration.points))
        with self._db.transaction():
            self._db.execute(
                "INSERT OR REPLACE INTO calibration (sensor, from_ms, points, crc) VALUES (?, ?, ?, ?)",
                (*written, checksum(*written)),
            )
            for lot in affected:
                self.note_change(lot, calibration.from_ms)

    def calibrations(self, sensor: str) -> list[CalibrationPoints]:
        """Return a sensor's stored calibrations in time order."""
        rows = self._db.query(
            f"SELECT {CALIBRATIONS.columns} FROM calibration WHERE sensor=? ORDER BY from_ms",  # noqa: S608
            (sensor,),
        )
        return list(readable(CALIBRATIONS.called, rows, calibration_of))


def entry_of(row: Row) -> Entry:
    """Return an entry from its row.

    Raises:
        one of UNREADABLE: it is not what was written.
    """
    *written, undone_ms, crc = row
    verified(crc, *written)
    id_, lot, at_ms, recorded_ms, kind, body, despite, replaces = written
    what = what_from_json(kind, json.loads(body))
    return Entry(id_, lot, at_ms, recorded_ms, what, despite, replaces, undone_ms)


def calibration_of(row: Row) -> CalibrationPoints:
    """Return a calibration from its row. Raises as ``entry_of`` does."""
    sensor, from_ms, points, crc = row
    verified(crc, sensor, from_ms, points)
    return CalibrationPoints(sensor, from_ms, tuple((p[0], p[1]) for p in json.loads(points)))


ENTRIES = Table(
    "entry",
    ("seq",),
    "id, lot, at_ms, recorded_ms, kind, body, despite, replaces, undone_ms, crc",
    entry_of,
    "entry of the book",
)
CALIBRATIONS = Table(
    "calibration", ("sensor", "from_ms"), "sensor, from_ms, points, crc", calibration_of, "calibration"
)
