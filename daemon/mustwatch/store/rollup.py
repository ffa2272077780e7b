"""Readings rolled up into quarters of an hour: lowest and highest with their instants, so that months open at once.

Everything before a watermark is rolled up, everything after it is read raw. A reading that lands before the watermark
(a backlog, a corrected stamp) marks its quarter dirty; until the next rolling that one is read raw too, so that nothing
is ever missing from a curve.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import IntEnum
from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple

from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.store.database import Database
from mustwatch.store.whole import number

QUARTER_MS = 15 * MINUTE_MS
GRACE_MS = 15 * MINUTE_MS
"""How long after its end a quarter is rolled up: most of what is on its way has arrived by then."""
CHUNK_MS = DAY_MS // 4
"""How much is rolled up in one transaction: a pipeline that wants to commit waits a moment, not for a season."""
WATERMARK = "rolled_until"
THINNED = "thinned_until"
"""Before this the raw readings were let go: a quarter there is never rolled up anew from what landed late."""


class Quantity(IntEnum):
    """What is rolled up. The numbers are stored; never renumber."""

    GRAVITY = 0
    INCLINATION = 1
    CELSIUS = 2


_COLUMN = {
    Quantity.GRAVITY: "gravity",
    Quantity.INCLINATION: "inclination_deg",
    Quantity.CELSIUS: "temperature_c",
}

_FORGET = "DELETE FROM rollup WHERE sensor IN (SELECT key FROM sensor) AND quantity IN (0, 1, 2) AND at_ms=?"


class Rolled(NamedTuple):
    """One quarter of an hour of one quantity as the sensor said it, or one raw reading (``n`` is 1)."""

    at_ms: int
    n: int
    mean: float
    low: float
    low_ms: int
    high: float
    high_ms: int


def quarter_ms(at_ms: int) -> int:
    """Return when the quarter of an hour that holds an instant began."""
    return at_ms // QUARTER_MS * QUARTER_MS


def rolled_until_ms(database: Database) -> int | None:
    """Return the watermark: every quarter before it is rolled up or marked dirty; None: nothing is yet."""
    rows = database.query("SELECT value FROM kept WHERE name=?", (WATERMARK,))
    return number(rows[0][0]) if rows else None


def thinned_until_ms(database: Database) -> int:
    """Return up to when raw readings were let go; see ``store.retention``."""
    rows = database.query("SELECT value FROM kept WHERE name=?", (THINNED,))
    until_ms = number(rows[0][0]) if rows else None
    return -(2**62) if until_ms is None else until_ms


def note_landed(database: Database, instants_ms: Iterable[int]) -> None:
    """Mark the quarters of readings that were written or changed before the watermark, to be rolled up again.

    Call it in the transaction that writes the readings.
    """
    until_ms = rolled_until_ms(database)
    if until_ms is None:
        return
    since_ms = thinned_until_ms(database)
    quarters = {quarter_ms(at_ms) for at_ms in instants_ms if since_ms <= at_ms < until_ms}
    database.executemany(
        "INSERT OR IGNORE INTO rollup_dirty (at_ms) VALUES (?)", [(at_ms,) for at_ms in quarters]
    )


def roll_up(database: Database, now_ms: int, should_stop: Callable[[], bool] = lambda: False) -> int:
    """Roll up every closed quarter since the watermark, and every dirty one again; return how many quarters.

    The watermark never passes the newest reading nor the present: a clock that was wrong once does not move it
    beyond what is to come.

    Args:
        database: the store's.
        now_ms: the present.
        should_stop: asked between transactions; True leaves the rest to the next time.
    """
    rolled = 0
    until_ms = quarter_ms(now_ms - GRACE_MS)
    ends = database.query("SELECT min(observed_ms), max(observed_ms) FROM reading")[0]
    if ends[0] is not None:
        until_ms = min(until_ms, quarter_ms(ends[1]))
        begin_ms = rolled_until_ms(database)
        begin_ms = quarter_ms(ends[0]) if begin_ms is None else begin_ms
        while begin_ms < until_ms and not should_stop():
            # Empty spans are leapt over: a clock that was wrong for an hour can lie years back.
            begin_ms = max(begin_ms, quarter_ms(_next_reading_ms(database, begin_ms, until_ms)))
            end_ms = min(begin_ms + CHUNK_MS, until_ms)
            with database.transaction():
                rolled += _roll(database, begin_ms, end_ms)
                database.execute(
                    "INSERT OR REPLACE INTO kept (name, value) VALUES (?, ?)", (WATERMARK, str(end_ms))
                )
            begin_ms = end_ms
            database.breathe()
    return rolled + _roll_dirty(database, should_stop)


def _next_reading_ms(database: Database, from_ms: int, until_ms: int) -> int:
    rows = database.query("SELECT min(observed_ms) FROM reading WHERE observed_ms>=?", (from_ms,))
    return until_ms if rows[0][0] is None else min(int(rows[0][0]), until_ms)


def _roll_dirty(database: Database, should_stop: Callable[[], bool]) -> int:
    rolled = 0
    while not should_stop():
        rows = database.query("SELECT at_ms FROM rollup_dirty ORDER BY at_ms LIMIT 200")
        if not rows:
            break
        with database.transaction():
            for (at_ms,) in rows:
                database.execute(_FORGET, (at_ms,))
                rolled += _roll(database, at_ms, at_ms + QUARTER_MS)
                database.execute("DELETE FROM rollup_dirty WHERE at_ms=?", (at_ms,))
        database.breathe()
    return rolled


def _roll(database: Database, from_ms: int, until_ms: int) -> int:
    """Write the quarters of [from, until); both are quarters' beginnings."""
    rows = database.query(
        "SELECT observed_ms/? AS q, sensor, observed_ms, gravity, inclination_deg, temperature_c FROM reading"
        " WHERE observed_ms>=? AND observed_ms<? ORDER BY q, sensor, observed_ms",
        (QUARTER_MS, from_ms, until_ms),
    )
    made: list[tuple[Any, ...]] = []
    for (quarter, sensor), of in groupby(rows, key=itemgetter(0, 1)):
        said = list(of)
        for quantity in Quantity:
            known = [(row[2], row[3 + quantity]) for row in said if row[3 + quantity] is not None]
            if known:
                made.append((sensor, int(quantity), quarter * QUARTER_MS, *_summary(known)))
    database.executemany(
        "INSERT OR REPLACE INTO rollup (sensor, quantity, at_ms, n, mean, low, low_ms, high, high_ms)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        made,
    )
    return len(made)


def _summary(known: Sequence[tuple[int, float]]) -> tuple[int, float, float, int, float, int]:
    low_ms, low = min(known, key=itemgetter(1))
    high_ms, high = max(known, key=itemgetter(1))
    return len(known), sum(value for _, value in known) / len(known), low, low_ms, high, high_ms


def series(
    database: Database, sensor: str, quantity: Quantity, from_ms: int, until_ms: int, *, raw: bool = False
) -> list[Rolled]:
    """Return what a sensor said of a quantity in [from, until), in time order.

    Before the watermark by quarters of an hour, after it (and of dirty quarters, and everywhere if ``raw``) reading by
    reading. A quarter that the window cuts is given whole.
    """
    rows = database.query("SELECT key FROM sensor WHERE id=?", (sensor,))
    if not rows:
        return []
    key = int(rows[0][0])
    watermark_ms = rolled_until_ms(database)
    if raw or watermark_ms is None or watermark_ms <= from_ms:
        return list(_raw(database, key, quantity, from_ms, until_ms))
    first_ms, rolled_end_ms = quarter_ms(from_ms), min(until_ms, watermark_ms)
    dirty = {
        int(row[0])
        for row in database.query(
            "SELECT at_ms FROM rollup_dirty WHERE at_ms>=? AND at_ms<?", (first_ms, rolled_end_ms)
        )
    }
    rolled = [
        Rolled(*row)
        for row in database.query(
            "SELECT at_ms, n, mean, low, low_ms, high, high_ms FROM rollup"
            " WHERE sensor=? AND quantity=? AND at_ms>=? AND at_ms<? ORDER BY at_ms",
            (key, int(quantity), first_ms, rolled_end_ms),
        )
        if row[0] not in dirty
    ]
    fresh: list[Rolled] = []
    for begin_ms, end_ms in _joined(sorted(dirty)):
        fresh += _raw(database, key, quantity, begin_ms, end_ms)
    fresh += _raw(database, key, quantity, max(from_ms, watermark_ms), until_ms)
    return sorted([*rolled, *fresh]) if dirty else [*rolled, *fresh]


def _joined(quarters: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Yield neighbouring quarters as one span each."""
    begin: int | None = None
    end = 0
    for at_ms in quarters:
        if begin is not None and at_ms != end:
            yield begin, end
            begin = None
        begin = at_ms if begin is None else begin
        end = at_ms + QUARTER_MS
    if begin is not None:
        yield begin, end


def _raw(database: Database, key: int, quantity: Quantity, from_ms: int, until_ms: int) -> Iterator[Rolled]:
    column = _COLUMN[quantity]
    rows = database.query(
        f"SELECT observed_ms, {column} FROM reading"  # noqa: S608 - one of three names above
        f" WHERE observed_ms>=? AND observed_ms<? AND sensor=? AND {column} IS NOT NULL ORDER BY observed_ms",
        (from_ms, until_ms, key),
    )
    for at_ms, value in rows:
        yield Rolled(at_ms, 1, value, value, at_ms, value, at_ms)
