"""Readings and the quarantine, on disk."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.database import Database
from mustwatch.store.rollup import note_landed

QUARANTINE_KEPT = 5_000
"""Rows kept in quarantine; the oldest go first, so that a babbling topic cannot fill the card."""

_COLUMNS = (
    "observed_ms, sensor, delay_ms, gravity, inclination_deg, temperature_c, battery_v, signal_dbm, stamp"
)
STAMPS: Mapping[object, Stamp] = {int(stamp): stamp for stamp in Stamp}
"""By the number that is stored. One that is none of them is taken for the daemon's own, which changes nothing."""
NUMBERS = frozenset({int, float, type(None)})
"""What stands in a row; one that a worn card gives back otherwise is left out."""
_INSERT = f"INSERT OR IGNORE INTO reading ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"  # noqa: S608


class Unreadable(NamedTuple):
    """A payload that could not be read, as kept."""

    received_ms: int
    topic: str
    payload: bytes
    reason: str
    detail: str


class Aside(NamedTuple):
    """A reading that somebody set aside: when, and why."""

    reading: Reading
    aside_ms: int
    why: str


class Readings:
    """The readings table: one row per sensor and instant, never changed once written, only completed."""

    def __init__(self, database: Database) -> None:
        """Use a database."""
        self._db = database
        self._keys: dict[str, int] = {}
        self._ids: dict[int, str] = {}

    def _key(self, sensor: str) -> int:
        key = self._keys.get(sensor)
        if key is None:
            self._db.execute("INSERT OR IGNORE INTO sensor (id) VALUES (?)", (sensor,))
            key = int(self._db.query("SELECT key FROM sensor WHERE id=?", (sensor,))[0][0])
            self._keys[sensor] = key
        return key

    def _load(self, sensor: str) -> int:
        keys = {str(known): int(key) for key, known in self._db.query("SELECT key, id FROM sensor")}
        self._keys.update(keys)
        return keys[sensor]

    def add(self, readings: Sequence[Reading]) -> None:
        """Write readings; one already there changes nothing."""
        keys = self._keys
        with self._db.transaction():
            for sensor in sorted({reading[0] for reading in readings} - keys.keys()):
                self._key(sensor)
            self._db.executemany(
                _INSERT,
                [
                    # + 0 makes a stamp the plain integer that SQLite takes fastest.
                    (
                        at_ms,
                        keys[sensor],
                        received_ms - at_ms,
                        gravity,
                        inclination,
                        celsius,
                        volts,
                        dbm,
                        stamp + 0,
                    )
                    for sensor, at_ms, received_ms, gravity, inclination, celsius, volts, dbm, stamp in readings
                ],
            )
            note_landed(self._db, (reading[1] for reading in readings))

    def correct_stamps(self, from_ms: int, until_ms: int, shift_ms: int) -> int:
        """Move readings stamped by an unsure clock and received in [from, until]; return how many.

        Where the true instant already holds a reading of the sensor, the moved one steps aside by milliseconds.
        """
        unsure, corrected = int(Stamp.ARRIVAL_UNSURE), int(Stamp.CORRECTED)
        rows = self._db.query(
            f"SELECT {_COLUMNS} FROM reading WHERE stamp=? AND observed_ms+delay_ms BETWEEN ? AND ?"  # noqa: S608
            " ORDER BY observed_ms",
            (unsure, from_ms, until_ms),
        )
        with self._db.transaction():
            for row in rows:
                at_ms = row[0] + shift_ms
                self._db.execute("DELETE FROM reading WHERE observed_ms=? AND sensor=?", (row[0], row[1]))
                while self._db.query(
                    "SELECT 1 FROM reading WHERE observed_ms=? AND sensor=?", (at_ms, row[1])
                ):
                    at_ms += 1
                self._db.execute(_INSERT, (at_ms, *row[1:8], corrected))
                note_landed(self._db, (row[0], at_ms))
        return len(rows)

    def complete(self, reading: Reading) -> None:
        """Fill in quantities that the stored reading of the same sensor and instant lacks; change none it has."""
        with self._db.transaction():
            self._db.execute(
                "UPDATE reading SET gravity=COALESCE(gravity, ?), inclination_deg=COALESCE(inclination_deg, ?),"
                " temperature_c=COALESCE(temperature_c, ?), battery_v=COALESCE(battery_v, ?),"
                " signal_dbm=COALESCE(signal_dbm, ?) WHERE observed_ms=? AND sensor=?",
                (*reading[3:8], reading.observed_ms, self._key(reading.sensor)),
            )
            note_landed(self._db, (reading.observed_ms,))

    def set_aside(self, reading: Reading, now_ms: int, why: str) -> None:
        """Take a reading out of all that is concluded and shown; it is kept as it was said."""
        self._move(
            reading,
            f"INSERT INTO reading_aside ({_COLUMNS}, aside_ms, why) SELECT {_COLUMNS}, ?, ? FROM reading",  # noqa: S608
            (now_ms, why),
            "DELETE FROM reading",
        )

    def put_back(self, reading: Reading) -> None:
        """Take a reading in again that was set aside."""
        source = f"SELECT {_COLUMNS} FROM reading_aside"  # noqa: S608
        into = f"INSERT OR IGNORE INTO reading ({_COLUMNS}) {source}"
        self._move(reading, into, (), "DELETE FROM reading_aside")

    def _move(self, reading: Reading, into: str, values: tuple[object, ...], out_of: str) -> None:
        where = " WHERE observed_ms=? AND sensor=?"
        place = (reading.observed_ms, self._key(reading.sensor))
        with self._db.transaction():
            self._db.execute(into + where, (*values, *place))
            self._db.execute(out_of + where, place)
            note_landed(self._db, (reading.observed_ms,))

    def aside(self, sensor: str) -> list[Aside]:
        """Return a sensor's readings that were set aside, in time order."""
        rows = self._db.query(
            f"SELECT {_COLUMNS}, aside_ms, why FROM reading_aside WHERE sensor=? ORDER BY observed_ms",  # noqa: S608
            (self._known(sensor),),
        )
        return [Aside(self._reading(row[:9]), row[9], row[10]) for row in rows]

    def get(self, sensor: str, observed_ms: int) -> Reading | None:
        """Return the reading of a sensor at an instant that is stored, or set aside, or None."""
        key = self._key(sensor)
        for table in ("reading", "reading_aside"):
            rows = self._db.query(
                f"SELECT {_COLUMNS} FROM {table} WHERE observed_ms=? AND sensor=?",  # noqa: S608
                (observed_ms, key),
            )
            if rows:
                return self._reading(rows[0])
        return None

    def _reading(self, row: tuple[Any, ...]) -> Reading:
        at_ms, key, delay_ms, gravity, inclination, temperature, battery, signal, stamp = row
        return Reading(
            self.sensor_of(key),
            at_ms,
            at_ms + delay_ms,
            gravity,
            inclination,
            temperature,
            battery,
            signal,
            STAMPS.get(stamp, Stamp.ARRIVAL),
        )

    def between(self, from_ms: int, until_ms: int, sensors: Iterable[str] | None = None) -> list[Reading]:
        """Return the readings observed in [from, until), of some or all sensors, in time order."""
        where, parameters = "", []
        if sensors is not None:
            wanted = [key for key in (self._known(s) for s in sensors) if key is not None]
            if not wanted:
                return []
            where = f" AND sensor IN ({','.join('?' * len(wanted))})"
            parameters = wanted
        rows = self._db.query(
            f"SELECT {_COLUMNS} FROM reading WHERE observed_ms>=? AND observed_ms<?{where}"  # noqa: S608
            " ORDER BY observed_ms, sensor",
            (from_ms, until_ms, *parameters),
        )
        return [self._reading(row) for row in rows if NUMBERS.issuperset(map(type, row))]

    def pages(
        self, from_ms: int, until_ms: int, rows: int = 2000, after_sensor: int = -1
    ) -> Iterator[list[Reading]]:
        """Yield the readings observed in [from, until) in time order, page by page, in constant memory.

        Each page is a query of its own: a long walk holds back neither the log file nor the pipeline.
        ``after_sensor`` is the key of the last sensor already seen at ``from_ms``.
        """
        at_ms, key = from_ms, after_sensor
        while True:
            found = self._db.query(
                f"SELECT {_COLUMNS} FROM reading WHERE (observed_ms, sensor) > (?, ?) AND observed_ms < ?"  # noqa: S608
                " ORDER BY observed_ms, sensor LIMIT ?",
                (at_ms, key, until_ms, rows),
            )
            if not found:
                return
            at_ms, key = found[-1][0], found[-1][1]
            yield [self._reading(row) for row in found if NUMBERS.issuperset(map(type, row))]

    def key_of(self, sensor: str) -> int | None:
        """Return the number under which a sensor's readings are kept, or None if it has none."""
        return self._known(sensor)

    def sensor_of(self, key: int) -> str:
        """Return the sensor whose readings are kept under a number."""
        sensor = self._ids.get(key)
        if sensor is None:
            ids = {int(key): str(known) for key, known in self._db.query("SELECT key, id FROM sensor")}
            self._ids.update(ids)
            sensor = ids.get(key, f"unknown-{key}")
        return sensor

    def forget_keys(self) -> None:
        """Forget what is remembered of the table of sensors: a transaction that wrote to it was rolled back."""
        self._keys.clear()
        self._ids.clear()

    def _known(self, sensor: str) -> int | None:
        key = self._keys.get(sensor)
        if key is None:
            try:
                return self._load(sensor)
            except KeyError:
                return None
        return key

    def latest(self, sensor: str, since_ms: int = -(2**62), before_ms: int = 2**62) -> Reading | None:
        """Return a sensor's newest reading observed in [since, before), or None.

        The search goes back in time through all sensors' readings: give ``since_ms`` to bound it.
        """
        key = self._known(sensor)
        if key is None:
            return None
        rows = self._db.query(
            f"SELECT {_COLUMNS} FROM reading WHERE sensor=? AND observed_ms>=? AND observed_ms<?"  # noqa: S608
            " ORDER BY observed_ms DESC LIMIT 1",
            (key, since_ms, before_ms),
        )
        return self._reading(rows[0]) if rows else None

    def newest_ms(self) -> int | None:
        """Return when the newest reading of any sensor was observed, or None."""
        newest = self._db.query("SELECT max(observed_ms) FROM reading")[0][0]
        return None if newest is None else int(newest)

    def first_ms(self, from_ms: int) -> int | None:
        """Return when the first reading of any sensor from an instant on was observed, or None."""
        first = self._db.query("SELECT min(observed_ms) FROM reading WHERE observed_ms>=?", (from_ms,))[0][0]
        return None if first is None else int(first)

    def last_received_ms(self) -> int | None:
        """Return when the newest reading was received, or None: the clock cannot be earlier than that."""
        rows = self._db.query("SELECT observed_ms+delay_ms FROM reading ORDER BY observed_ms DESC LIMIT 100")
        return max((int(row[0]) for row in rows), default=None)

    def count(self) -> int:
        """Return how many readings there are."""
        return int(self._db.query("SELECT count(*) FROM reading")[0][0])

    def quarantine(self, rows: Sequence[Unreadable]) -> None:
        """Keep payloads that could not be read, with their reason; the oldest beyond the bound are let go."""
        self._db.executemany(
            "INSERT INTO quarantine (received_ms, topic, payload, reason, detail) VALUES (?, ?, ?, ?, ?)",
            rows,
        )
        if rows:
            self._db.execute(
                "DELETE FROM quarantine WHERE id <= (SELECT max(id) FROM quarantine) - ?", (QUARANTINE_KEPT,)
            )

    def quarantined(self, limit: int = 100) -> list[Unreadable]:
        """Return the newest quarantined payloads first."""
        rows = self._db.query(
            "SELECT received_ms, topic, payload, reason, detail FROM quarantine ORDER BY id DESC LIMIT ?",
            (limit,),
        )
        return [Unreadable(*row) for row in rows]

    def quarantine_counts(self) -> Mapping[str, int]:
        """Return how many payloads are in quarantine, by reason."""
        rows = self._db.query("SELECT reason, count(*) FROM quarantine GROUP BY reason")
        return {str(reason): int(n) for reason, n in rows}
