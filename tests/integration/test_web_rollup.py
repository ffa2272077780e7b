"""Rolled-up readings: the same extremes as the readings themselves, whatever arrives late."""

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.rollup import GRACE_MS, QUARTER_MS, Quantity, Rolled, roll_up, rolled_until_ms, series
from mustwatch.store.store import Store

T0 = 1_788_220_800_000
"""2026-09-01T00:00:00Z."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = Store(tmp_path / "cellar.db", T0)
    yield made
    made.close()


def said(at_ms: int, gravity: float | None, celsius: float | None = 20.0, sensor: str = "float") -> Reading:
    return Reading(sensor, at_ms, at_ms + 500, gravity, None, celsius)


def a_day(seed: int = 1, sensor: str = "float") -> list[Reading]:
    chance = random.Random(seed)
    return [
        said(
            T0 + i * MINUTE_MS, round(1.05 + chance.gauss(0, 0.002), 4), round(chance.gauss(20, 1), 2), sensor
        )
        for i in range(1440)
    ]


def extremes(rows: list[Rolled]) -> set[tuple[int, float]]:
    return {(r.low_ms, r.low) for r in rows} | {(r.high_ms, r.high) for r in rows}


def by_quarter(readings: list[Reading]) -> set[tuple[int, float]]:
    """Return each quarter's extremes, straight from the readings (the first of equals)."""
    quarters: dict[int, list[Reading]] = {}
    for reading in readings:
        quarters.setdefault(reading.observed_ms // QUARTER_MS, []).append(reading)
    found = set()
    for of in quarters.values():
        for pick in (min, max):
            best = pick(of, key=lambda r: r.gravity or 0.0)
            found.add((best.observed_ms, best.gravity or 0.0))
    return found


def test_every_quarters_extremes_are_kept_with_their_instants(store: Store) -> None:
    readings = a_day()
    store.readings.add([*readings, said(T0 + DAY_MS, 1.05)])

    assert roll_up(store.database, T0 + DAY_MS + GRACE_MS) > 0
    rows = series(store.database, "float", Quantity.GRAVITY, T0, T0 + DAY_MS)

    assert extremes(rows) == by_quarter(readings)
    assert sum(r.n for r in rows) == len(readings)
    assert sum(r.n * r.mean for r in rows) / len(readings) == pytest.approx(
        sum(r.gravity or 0.0 for r in readings) / len(readings)
    )


def test_what_is_newer_than_the_watermark_is_read_reading_by_reading(store: Store) -> None:
    store.readings.add(a_day())
    roll_up(store.database, T0 + 6 * HOUR_MS)

    rows = series(store.database, "float", Quantity.CELSIUS, T0, T0 + DAY_MS)

    watermark = rolled_until_ms(store.database)
    assert watermark is not None
    assert all(r.n > 1 for r in rows if r.at_ms < watermark)
    assert all(r.n == 1 for r in rows if r.at_ms >= watermark)
    assert sum(r.n for r in rows) == 1440


def test_rolling_hour_by_hour_gives_what_rolling_at_once_gives(store: Store, tmp_path: Path) -> None:
    at_once = Store(tmp_path / "other.db", T0)
    for one in (store, at_once):
        one.readings.add(a_day())
    for hour in range(26):
        roll_up(store.database, T0 + hour * HOUR_MS)
    roll_up(at_once.database, T0 + 25 * HOUR_MS)

    rows = [series(one.database, "float", Quantity.GRAVITY, T0, T0 + DAY_MS) for one in (store, at_once)]

    assert rows[0] == rows[1]
    at_once.close()


def test_a_reading_that_comes_late_shows_at_once_and_is_rolled_up_next_time(store: Store) -> None:
    store.readings.add(a_day())
    roll_up(store.database, T0 + 2 * DAY_MS)
    late = said(T0 + 3 * HOUR_MS + 1234, 1.19)

    store.readings.add([late])
    before = series(store.database, "float", Quantity.GRAVITY, T0, T0 + DAY_MS)
    roll_up(store.database, T0 + 2 * DAY_MS)
    after = series(store.database, "float", Quantity.GRAVITY, T0, T0 + DAY_MS)

    assert (late.observed_ms, 1.19) in extremes(before)
    assert (late.observed_ms, 1.19) in extremes(after)
    assert len(after) < len(before), "rolled up again, not read raw for ever"
    assert sum(r.n for r in before) == sum(r.n for r in after) == 1441


def test_a_quantity_that_is_filled_in_later_shows(store: Store) -> None:
    store.readings.add([said(T0 + i * MINUTE_MS, None) for i in range(60)])
    roll_up(store.database, T0 + DAY_MS)

    store.readings.complete(said(T0 + 7 * MINUTE_MS, 1.044, None))

    assert extremes(series(store.database, "float", Quantity.GRAVITY, T0, T0 + DAY_MS)) == {
        (T0 + 7 * MINUTE_MS, 1.044)
    }


def test_readings_moved_by_a_corrected_clock_leave_their_old_place(store: Store) -> None:
    wrong = [said(T0 + i * MINUTE_MS, 1.05)._replace(stamp=Stamp.ARRIVAL_UNSURE) for i in range(30)]
    store.readings.add(wrong)
    store.readings.add([said(T0 + 2 * DAY_MS, 1.04)])
    roll_up(store.database, T0 + 3 * DAY_MS)

    store.readings.correct_stamps(T0, T0 + HOUR_MS, DAY_MS)
    roll_up(store.database, T0 + 3 * DAY_MS)

    rows = series(store.database, "float", Quantity.GRAVITY, T0, T0 + 3 * DAY_MS)
    assert sum(r.n for r in rows) == 31
    assert min(r.at_ms for r in rows) >= T0 + DAY_MS


def test_sensors_do_not_mix(store: Store) -> None:
    both = [*a_day(1, "a"), *a_day(2, "b"), said(T0 + DAY_MS, 1.05, sensor="b")]
    store.readings.add(sorted(both, key=lambda r: r.observed_ms))
    roll_up(store.database, T0 + 2 * DAY_MS)

    assert extremes(series(store.database, "a", Quantity.GRAVITY, T0, T0 + DAY_MS)) == by_quarter(
        a_day(1, "a")
    )
    assert series(store.database, "nobody", Quantity.GRAVITY, T0, T0 + DAY_MS) == []


def test_a_clock_that_was_far_ahead_once_does_not_carry_the_watermark_with_it(store: Store) -> None:
    store.readings.add(a_day())

    roll_up(store.database, T0 + 4000 * DAY_MS)

    assert rolled_until_ms(store.database) == T0 + DAY_MS - QUARTER_MS


def test_rolling_up_ends_when_it_must_and_goes_on_from_there(store: Store, tmp_path: Path) -> None:
    for day in range(3):
        store.readings.add([r._replace(observed_ms=r.observed_ms + day * DAY_MS) for r in a_day(day)])
    now_ms = T0 + 3 * DAY_MS + GRACE_MS
    asked: list[int] = []

    def after_some() -> bool:
        asked.append(1)
        return len(asked) > 4

    roll_up(store.database, now_ms, after_some)
    first_ms = rolled_until_ms(store.database)
    roll_up(store.database, now_ms)
    in_two = series(store.database, "float", Quantity.GRAVITY, T0, now_ms)

    assert first_ms is not None
    assert T0 < first_ms < T0 + 2 * DAY_MS
    at_once = Store(tmp_path / "at-once.db", T0)
    for day in range(3):
        at_once.readings.add([r._replace(observed_ms=r.observed_ms + day * DAY_MS) for r in a_day(day)])
    roll_up(at_once.database, now_ms)
    assert in_two == series(at_once.database, "float", Quantity.GRAVITY, T0, now_ms)
    at_once.close()


def test_an_empty_store_has_nothing_to_roll_up(store: Store) -> None:
    assert roll_up(store.database, T0) == 0
    assert rolled_until_ms(store.database) is None
