"""Retention: raw readings past their time are thinned to the quarters of an hour they were rolled up into.

Lowest and highest value with their instants, mean and number stay for every quarter, so that the night's review,
the curves and a lot's evaluation still have something to go by. What a reading said besides (battery, signal) goes.
"""

from collections.abc import Callable, Iterable

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.database import Database
from mustwatch.store.rollup import (
    CHUNK_MS,
    QUARTER_MS,
    THINNED,
    Quantity,
    quarter_ms,
    rolled_until_ms,
    thinned_until_ms,
)


def thin(database: Database, before_ms: int, should_stop: Callable[[], bool] = lambda: False) -> int:
    """Let go of the raw readings observed before an instant, as far as they are rolled up; return how many.

    None from the first on that an unsure clock stamped: it may be of this very hour, and is moved there once the clock
    is set. By short transactions, so that the pipeline's commits come in between.
    """
    rolled_ms = rolled_until_ms(database)
    if rolled_ms is None:
        return 0
    end_ms = quarter_ms(min(before_ms, rolled_ms))
    unsure_ms = database.query(
        "SELECT min(observed_ms) FROM reading WHERE observed_ms<? AND stamp=?",
        (end_ms, int(Stamp.ARRIVAL_UNSURE)),
    )[0][0]
    if unsure_ms is not None:
        end_ms = quarter_ms(unsure_ms)
    gone = 0
    while not should_stop():
        first = database.query("SELECT min(observed_ms) FROM reading WHERE observed_ms<?", (end_ms,))[0][0]
        if first is None:
            return gone
        from_ms = quarter_ms(first)
        until_ms = min(from_ms + CHUNK_MS, end_ms)
        dirty = database.query(
            "SELECT min(at_ms) FROM rollup_dirty WHERE at_ms>=? AND at_ms<?", (from_ms, until_ms)
        )[0][0]
        if dirty is not None:
            until_ms = int(dirty)
            if until_ms <= from_ms:
                return gone  # it is rolled up again first
        gone += _thin_chunk(database, from_ms, until_ms)
        database.breathe()
    return gone


def _thin_chunk(database: Database, from_ms: int, until_ms: int) -> int:
    with database.transaction():
        if from_ms < thinned_until_ms(database):
            _merge_late(database, from_ms, min(until_ms, thinned_until_ms(database)))
        database.execute("UPDATE mirror_state SET is_thinning=1")
        gone = database.execute(
            "DELETE FROM reading WHERE observed_ms>=? AND observed_ms<?", (from_ms, until_ms)
        )
        database.execute("UPDATE mirror_state SET is_thinning=0")
        database.execute(
            "DELETE FROM mirror_refused WHERE what='reading' AND at_ms>=? AND at_ms<?", (from_ms, until_ms)
        )
        if until_ms > thinned_until_ms(database):
            database.execute(
                "INSERT OR REPLACE INTO kept (name, value) VALUES (?, ?)", (THINNED, str(until_ms))
            )
    return gone


def _merge_late(database: Database, from_ms: int, until_ms: int) -> None:
    """Merge readings that came after their quarter was thinned into what is left of it."""
    for quantity, column in (
        (Quantity.GRAVITY, "gravity"),
        (Quantity.INCLINATION, "inclination_deg"),
        (Quantity.CELSIUS, "temperature_c"),
    ):
        rows = database.query(
            f"SELECT sensor, observed_ms, {column} FROM reading"  # noqa: S608 - one of three names above
            f" WHERE observed_ms>=? AND observed_ms<? AND {column} IS NOT NULL",
            (from_ms, until_ms),
        )
        database.executemany(
            "INSERT INTO rollup (sensor, quantity, at_ms, n, mean, low, low_ms, high, high_ms)"
            " VALUES (?, ?, ?, 1, ?, ?, ?, ?, ?) ON CONFLICT (sensor, quantity, at_ms) DO UPDATE SET"
            " mean=(mean*n+excluded.mean)/(n+1), n=n+1,"
            " low_ms=CASE WHEN excluded.low<low THEN excluded.low_ms ELSE low_ms END, low=min(low, excluded.low),"
            " high_ms=CASE WHEN excluded.high>high THEN excluded.high_ms ELSE high_ms END,"
            " high=max(high, excluded.high)",
            [
                (sensor, int(quantity), quarter_ms(at_ms), value, value, at_ms, value, at_ms)
                for sensor, at_ms, value in rows
            ],
        )


def thinned_readings(
    database: Database, from_ms: int, until_ms: int, sensors: Iterable[str] | None = None
) -> list[Reading]:
    """Return what is left of thinned readings in [from, until): one per sensor and quarter, its means, in its middle.

    Quarters that were not thinned give none: their readings are still there.
    """
    until_ms = min(until_ms, thinned_until_ms(database))
    if until_ms <= from_ms:
        return []
    means: dict[tuple[int, str], dict[int, float]] = {}
    for sensor, key in _keys(database, sensors):
        for quantity in Quantity:
            rows = database.query(
                "SELECT at_ms, mean FROM rollup WHERE sensor=? AND quantity=? AND at_ms>=? AND at_ms<?",
                (key, int(quantity), quarter_ms(from_ms), until_ms),
            )
            for at_ms, mean in rows:
                means.setdefault((at_ms + QUARTER_MS // 2, sensor), {})[quantity] = mean
    return [
        Reading(
            sensor,
            at_ms,
            at_ms,
            of.get(Quantity.GRAVITY),
            of.get(Quantity.INCLINATION),
            of.get(Quantity.CELSIUS),
        )
        for (at_ms, sensor), of in sorted(means.items())
        if from_ms <= at_ms < until_ms
    ]


def thinned_temperatures(database: Database, from_ms: int, until_ms: int) -> list[tuple[str, int, float]]:
    """Return the lowest and highest temperature of each thinned quarter as (sensor, instant, °C), in time order."""
    until_ms = min(until_ms, thinned_until_ms(database))
    found: set[tuple[int, str, float]] = set()
    if until_ms > from_ms:
        for sensor, key in _keys(database, None):
            for low_ms, low, high_ms, high in database.query(
                "SELECT low_ms, low, high_ms, high FROM rollup"
                " WHERE sensor=? AND quantity=? AND at_ms>=? AND at_ms<?",
                (key, int(Quantity.CELSIUS), quarter_ms(from_ms), until_ms),
            ):
                found |= {(low_ms, sensor, low), (high_ms, sensor, high)}
    return [(sensor, at_ms, value) for at_ms, sensor, value in sorted(found) if from_ms <= at_ms < until_ms]


def _keys(database: Database, sensors: Iterable[str] | None) -> list[tuple[str, int]]:
    wanted = None if sensors is None else set(sensors)
    rows = database.query("SELECT id, key FROM sensor ORDER BY id")
    return [(str(name), int(key)) for name, key in rows if wanted is None or name in wanted]
