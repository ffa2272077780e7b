"""The mirror's spool: what is still to be sent, in the store itself, so that it survives restarts and costs little.

Readings are walked in the order of time. Two instants are kept: everything before ``done`` was sent; everything
before ``reach`` is on its way. A reading that is written, changed or taken away before ``reach`` is noted by the
store's triggers (``schema``) in ``mirror_due``, whoever writes it, in the same transaction; so is every change of
the other tables. Nothing else is written twice. ``reach`` is moved before the readings up to it are read, so that
nothing can slip in behind it.

A reading's point carries the vessel and the lot it belonged to. When the book says later that it was another one,
the readings sent under the former name are noted to be withdrawn there and sent anew.
"""

import json
import uuid
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from mustwatch.cellar.history import BEGINNING_MS
from mustwatch.cellar.instant import SECOND_MS
from mustwatch.cellar.reading import Reading
from mustwatch.store.database import Database
from mustwatch.store.mirror_marker import Counts
from mustwatch.store.mirror_places import Timeline, Where, differences, place_at, timeline
from mustwatch.store.rollup import thinned_until_ms
from mustwatch.store.store import Store

SETTLE_MS = 10 * SECOND_MS
"""Readings are walked this far behind the present: those that overtake each other on their way need no second look."""

WALK_LINES = 4_000
DUE_LINES = 2_000
"""At most this many of each in one portion; neither holds the other up."""

INSTANCE, KINDS = "mirror_instance", "mirror_kinds"
"""Names under which the store keeps its id on servers, and the kinds of its sensors."""


class Item(NamedTuple):
    """One thing noted to be sent: which table, when, and by what key it is found there."""

    what: str
    at_ms: int
    key: str


class Portion(NamedTuple):
    """What is sent next: the noted items up to a sequence number, and the readings from one instant to another."""

    items: Sequence[Item]
    last_seq: int | None
    readings: Sequence[Reading]
    from_ms: int
    until_ms: int | None

    @property
    def is_empty(self) -> bool:
        """Say whether there is nothing to send."""
        return not self.items and not self.readings


class Spool:
    """The spool of one store. For one thread."""

    def __init__(self, store: Store) -> None:
        """Use a store."""
        self._store = store
        self._db: Database = store.database
        self._book_version: tuple[object, ...] = ()
        self._places: dict[str, Timeline] = {}
        self._kinds: Mapping[str, str] = {}

    def begin(self, destination: str, kinds: Mapping[str, str], now_ms: int) -> None:
        """Take up where the last run left off; another destination than then is sent everything from the start.

        A sensor keeps the kind under which its points were first sent, also when it is configured no more: points of
        another kind would stand there beside them.
        """
        known = json.loads(self._store.watching.kept(KINDS) or "{}")
        self._kinds = {**kinds, **known}
        with self._db.transaction():
            if self._kinds != known:
                self._store.watching.keep(KINDS, json.dumps(self._kinds))
            rows = self._db.query("SELECT destination, serial FROM mirror_state")
            if not rows or rows[0][0] != destination:
                self.forget()
                self._db.execute(
                    "INSERT INTO mirror_state (one, destination, done_ms, reach_ms, serial) VALUES (1, ?, ?, ?, -1)",
                    (destination, BEGINNING_MS, BEGINNING_MS),
                )
        self.resend_if_asked(now_ms)

    def ask_for_resend(self) -> None:
        """Have whoever sends send everything again."""
        self._db.execute("UPDATE mirror_state SET serial=-1")

    def resend_if_asked(self, now_ms: int) -> bool:
        """Have everything sent again if somebody asked for it; say whether."""
        rows = self._db.query("SELECT 1 FROM mirror_state WHERE serial < 0")
        if rows:
            self.resend(now_ms)
        return bool(rows)

    def resend(self, now_ms: int) -> None:
        """Have everything sent again. What is noted to be withdrawn stays so."""
        with self._db.transaction():
            # ``reach`` stays: what was sent under a former place is to be withdrawn there all the same.
            self._db.execute("UPDATE mirror_state SET done_ms=?, serial=0", (BEGINNING_MS,))
            self.note_book(now_ms)
            for select in (
                "SELECT 'estimate', at_ms, lot FROM estimate",
                "SELECT 'finding', at_ms, json_array(kind, change, lot, vessel, sensor) FROM finding",
            ):
                self._db.execute(f"INSERT INTO mirror_due (what, at_ms, key) {select}")

    def note_book(self, now_ms: int) -> None:
        """Have the book, alerts, messages and settings sent again: all that must not be lost and is not readings."""
        with self._db.transaction():
            self._db.execute("UPDATE mirror_state SET again_ms=?", (now_ms,))
            for select in (
                "SELECT 'entry', at_ms, id FROM entry",
                "SELECT 'sensor_stay', from_ms, sensor FROM sensor_stay",
                "SELECT 'calibration', from_ms, sensor FROM calibration",
                "SELECT 'alert', opened_ms, id FROM alert",
                "SELECT 'message', created_ms, id FROM outbox",
            ):
                self._db.execute(f"INSERT INTO mirror_due (what, at_ms, key) {select}")

    def again_ms(self) -> int:
        """Return when the book was last sent as a whole."""
        return int(self._db.query("SELECT again_ms FROM mirror_state")[0][0])

    def kind(self, sensor: str) -> str | None:
        """Return the kind with which a sensor's points are tagged."""
        return self._kinds.get(sensor)

    def forget(self) -> None:
        """Forget what was sent and what is to be: there is no mirror any more, or it is another one."""
        with self._db.transaction():
            for table in ("mirror_state", "mirror_due", "mirror_refused", "mirror_place"):
                self._db.execute(f"DELETE FROM {table}")  # noqa: S608
        self._book_version = ()

    # --- the marker ----------------------------------------------------------------------------------------

    def instance(self) -> str:
        """Return the id by which this store is known on servers."""
        kept = self._store.watching.kept(INSTANCE)
        if kept is None:
            kept = uuid.uuid4().hex
            self._store.watching.keep(INSTANCE, kept)
        return kept

    def serial(self) -> int:
        """Return the number of the last marker that was written; 0: none since everything is sent again."""
        return int(self._db.query("SELECT serial FROM mirror_state")[0][0])

    def marked(self, serial: int, *, former: int) -> None:
        """Note that a marker was written, unless somebody asked meanwhile for everything to be sent again."""
        self._db.execute("UPDATE mirror_state SET serial=? WHERE serial=?", (serial, former))

    def counts(self, now_ms: int, readings_since: Counts | None = None) -> Counts:
        """Count what is sent: readings up to just before the present, or as counted before."""
        tables = ("entry", "alert", "calibration", "sensor_stay")
        rest = [int(self._db.query(f"SELECT count(*) FROM {table}")[0][0]) for table in tables]  # noqa: S608
        if readings_since is not None:
            return Counts(*readings_since[:3], *rest)
        from_ms, until_ms = self.kept_from_ms(), max(0, now_ms - SETTLE_MS)
        return Counts(self.readings_sent(from_ms, until_ms), from_ms, until_ms, *rest)

    def kept_from_ms(self) -> int:
        """Return from when on readings are still here: those before were thinned to quarters of an hour."""
        return max(0, thinned_until_ms(self._db))

    def readings_sent(self, from_ms: int, until_ms: int) -> int:
        """Count the readings in [from, until) but those that are set aside."""
        span = (from_ms, until_ms)
        here = self._db.query("SELECT count(*) FROM reading WHERE observed_ms>=? AND observed_ms<?", span)
        aside = self._db.query(
            "SELECT count(*) FROM mirror_refused WHERE what='reading' AND at_ms>=? AND at_ms<?", span
        )
        return int(here[0][0]) - int(aside[0][0])

    def _state(self) -> tuple[int, int]:
        done_ms, reach_ms = self._db.query("SELECT done_ms, reach_ms FROM mirror_state")[0]
        return int(done_ms), int(reach_ms)

    def done_ms(self) -> int | None:
        """Return up to when readings were sent, or None if nothing was begun."""
        rows = self._db.query("SELECT done_ms FROM mirror_state")
        return int(rows[0][0]) if rows else None

    def next(self, now_ms: int) -> Portion:
        """Return what is to be sent next."""
        rows = self._db.query(
            "SELECT seq, what, at_ms, key FROM mirror_due ORDER BY seq LIMIT ?", (DUE_LINES,)
        )
        # Noted twice, sent once, at the place of the later note: what it says then is what holds.
        items = dict.fromkeys(Item(*row[1:]) for row in reversed(rows))
        last_seq = rows[-1][0] if rows else None
        done_ms, reach_ms = self._state()
        if done_ms >= reach_ms:
            reach_ms = self._reach_out(reach_ms, now_ms)
        readings, until_ms = self._walk(done_ms, reach_ms)
        return Portion(list(reversed(items)), last_seq, readings, done_ms, until_ms)

    def _reach_out(self, reach_ms: int, now_ms: int) -> int:
        """Move ``reach`` to just before the present if there is anything in between."""
        further_ms = now_ms - SETTLE_MS
        if not self._db.query(
            "SELECT 1 FROM reading WHERE observed_ms>=? AND observed_ms<? LIMIT 1", (reach_ms, further_ms)
        ):
            return reach_ms
        self._db.execute("UPDATE mirror_state SET reach_ms=?", (further_ms,))
        return further_ms

    def _walk(self, done_ms: int, reach_ms: int) -> tuple[list[Reading], int | None]:
        if done_ms >= reach_ms:
            return [], None
        page = next(self._store.readings.pages(done_ms, reach_ms, WALK_LINES), [])
        if len(page) < WALK_LINES:
            return page, reach_ms
        last_ms = page[
            -1
        ].observed_ms  # others of the same instant may be on the next page: leave them together
        whole = [reading for reading in page if reading.observed_ms < last_ms]
        if whole:
            return whole, last_ms
        return self._store.readings.between(last_ms, last_ms + 1), last_ms + 1

    def sent(self, portion: Portion) -> None:
        """Note that a portion was taken over there."""
        with self._db.transaction():
            if portion.last_seq is not None:
                self._db.execute("DELETE FROM mirror_due WHERE seq<=?", (portion.last_seq,))
            if portion.until_ms is not None:
                self._db.execute(
                    "UPDATE mirror_state SET done_ms=? WHERE done_ms=?", (portion.until_ms, portion.from_ms)
                )

    # --- refused -------------------------------------------------------------------------------------------

    def refuse(self, refused: Iterable[tuple[Item, str]]) -> None:
        """Set items aside that the server will not have, with its reason."""
        self._db.executemany(
            "INSERT OR REPLACE INTO mirror_refused (what, at_ms, key, error) VALUES (?, ?, ?, ?)",
            [(*item, error[:200]) for item, error in refused],
        )

    def a_refused(self) -> Item | None:
        """Return one of the items set aside, to try whether the server takes it by now."""
        rows = self._db.query("SELECT what, at_ms, key FROM mirror_refused ORDER BY at_ms DESC LIMIT 1")
        return Item(*rows[0]) if rows else None

    def release(self) -> None:
        """Have everything that was set aside sent again."""
        with self._db.transaction():
            self._db.execute(
                "INSERT INTO mirror_due (what, at_ms, key) SELECT what, at_ms, key FROM mirror_refused"
            )
            self._db.execute("DELETE FROM mirror_refused")

    def refused(self) -> int:
        """Return how many items are set aside."""
        return int(self._db.query("SELECT count(*) FROM mirror_refused")[0][0])

    def depth(self) -> int:
        """Return how many points wait to be sent."""
        noted = int(self._db.query("SELECT count(*) FROM mirror_due")[0][0])
        done_ms = self.done_ms()
        if done_ms is None:
            return noted
        walk = self._db.query("SELECT count(*) FROM reading WHERE observed_ms>=?", (done_ms,))
        return noted + int(walk[0][0])

    # --- places --------------------------------------------------------------------------------------------

    def where(self, sensor: str, at_ms: int) -> Where:
        """Return where a sensor was, as points are tagged."""
        return place_at(self._places.get(sensor, ()), at_ms)

    def follow_book(self) -> None:
        """Read the book if it changed; note what was sent under a vessel or lot that it turned out not to be."""
        version = self._db.query(
            "SELECT (SELECT max(seq) FROM book_change), (SELECT count(*) FROM sensor_stay)"
        )[0]
        if version == self._book_version:
            return
        history = self._store.book.history()
        now = {sensor: timeline(history, sensor) for sensor in history.sensor_stays}
        before = self._sent_places()
        if now != before:
            with self._db.transaction():
                self._note_misplaced(before, now)
                self._db.execute("DELETE FROM mirror_place")
                self._db.executemany(
                    "INSERT INTO mirror_place (sensor, from_ms, vessel, lot) VALUES (?, ?, ?, ?)",
                    [(sensor, from_ms, *where) for sensor, of in now.items() for from_ms, where in of],
                )
        self._places = now
        self._book_version = version

    def _sent_places(self) -> dict[str, Timeline]:
        found: dict[str, list[tuple[int, Where]]] = {}
        for sensor, from_ms, vessel, lot in self._db.query(
            "SELECT sensor, from_ms, vessel, lot FROM mirror_place ORDER BY sensor, from_ms"
        ):
            found.setdefault(sensor, []).append((from_ms, (vessel, lot)))
        return {sensor: tuple(of) for sensor, of in found.items()}

    def _note_misplaced(self, before: dict[str, Timeline], now: dict[str, Timeline]) -> None:
        _, reach_ms = self._state()
        for sensor in sorted(before.keys() | now.keys()):
            for from_ms, until_ms, was in differences(before.get(sensor, ()), now.get(sensor, ())):
                span = (sensor, from_ms, min(until_ms, reach_ms))
                of_reading = (
                    "FROM reading JOIN sensor ON sensor.key=reading.sensor"
                    " WHERE sensor.id=? AND observed_ms>=? AND observed_ms<?"
                )
                ghost = json.dumps([sensor, *was])
                self._db.execute(
                    f"INSERT INTO mirror_due (what, at_ms, key) SELECT 'ghost', observed_ms, ? {of_reading}",
                    (ghost, *span),
                )
                # Also those that are there no more, and are noted to be withdrawn: they stand under the former name.
                self._db.execute(
                    "INSERT INTO mirror_due (what, at_ms, key) SELECT 'ghost', at_ms, ? FROM mirror_due"
                    " JOIN sensor ON mirror_due.key=CAST(sensor.key AS TEXT)"
                    " WHERE what='reading' AND sensor.id=? AND at_ms>=? AND at_ms<?",
                    (ghost, *span),
                )
                self._db.execute(
                    "INSERT INTO mirror_due (what, at_ms, key)"
                    f" SELECT 'reading', observed_ms, CAST(reading.sensor AS TEXT) {of_reading}",
                    span,
                )
