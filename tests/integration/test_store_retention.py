"""Retention: after two years a reading is a quarter of an hour's extremes, and the night is still reviewed."""

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from cellars import T0, entry, evaluate, new_store, readings
from mustwatch.cellar.book import Measurement
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.config.settings import Settings
from mustwatch.store.retention import thin, thinned_readings
from mustwatch.store.rollup import QUARTER_MS, Quantity, roll_up, series
from mustwatch.store.store import Store
from mustwatch.views.night import night_view

NOW_MS = T0 + 800 * DAY_MS
MINUTELY = readings(4.0, every_min=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = new_store(tmp_path / "c.db")
    made.readings.add(MINUTELY)
    made.readings.add([Reading("float", NOW_MS, NOW_MS, 0.995, None, 18.0)])
    roll_up(made.database, NOW_MS)
    yield made
    made.close()


def settings() -> Settings:
    return Settings.model_validate(
        {
            "vessel": [{"name": "bucket", "kind": "bucket", "litres": 30}],
            "sensor": [
                {
                    "id": "float",
                    "kind": "float",
                    "vessel": "bucket",
                    "decoder": "senml",
                    "topic": "cellar/float",
                }
            ],
        }
    )


def test_what_is_older_than_it_is_kept_goes_and_the_rest_stays(store: Store) -> None:
    assert thin(store.database, T0 + 3 * DAY_MS) == 3 * 1440

    assert store.readings.count() == 1440 + 1
    assert min(r.observed_ms for r in store.readings.between(0, NOW_MS)) == T0 + 3 * DAY_MS


def test_every_extreme_is_still_there_with_its_instant(store: Store) -> None:
    before = series(store.database, "float", Quantity.CELSIUS, T0, T0 + 3 * DAY_MS)
    thin(store.database, T0 + 3 * DAY_MS)

    assert series(store.database, "float", Quantity.CELSIUS, T0, T0 + 3 * DAY_MS) == before


def test_the_review_of_a_thinned_night_still_answers(store: Store) -> None:
    """Extremes to the digit; minutes and steepness within what a quarter of an hour leaves open."""
    day = date(2026, 9, 2)
    before = night_view(store, settings(), NOW_MS, day)["vessels"][0]
    thin(store.database, T0 + 4 * DAY_MS)
    after = night_view(store, settings(), NOW_MS, day)["vessels"][0]

    for exact in ("minimum", "minimum_at", "maximum", "maximum_at", "swing", "lot"):
        assert after[exact] == before[exact]
    assert after["coverage"] == pytest.approx(before["coverage"], abs=0.02)
    assert after["minutes_above"] == pytest.approx(before["minutes_above"], abs=15)
    assert after["steepest_per_hour"] == pytest.approx(before["steepest_per_hour"], abs=0.2)


def test_nothing_is_thinned_that_is_not_rolled_up(tmp_path: Path) -> None:
    store = new_store(tmp_path / "n.db")
    store.readings.add(MINUTELY)

    assert thin(store.database, T0 + 3 * DAY_MS) == 0


def test_a_quarter_waiting_to_be_rolled_up_anew_is_not_thinned_before(store: Store) -> None:
    store.readings.add([Reading("float", T0 + DAY_MS + 5, T0, 1.0, None, 5.0)])
    gone = thin(store.database, T0 + 3 * DAY_MS)
    assert gone == 1440
    roll_up(store.database, NOW_MS)
    gone += thin(store.database, T0 + 3 * DAY_MS)

    assert gone == 3 * 1440 + 1
    low = min(of.low for of in series(store.database, "float", Quantity.CELSIUS, T0, T0 + 3 * DAY_MS))
    assert low == 5.0


def test_a_reading_that_comes_years_late_joins_its_quarter_and_takes_nothing_from_it(store: Store) -> None:
    thin(store.database, T0 + 3 * DAY_MS)
    before = series(store.database, "float", Quantity.CELSIUS, T0, T0 + QUARTER_MS)[0]
    late = Reading("float", T0 + 90_500, NOW_MS, 1.2, None, 40.0)
    store.readings.add([late])
    roll_up(store.database, NOW_MS)
    thin(store.database, T0 + 3 * DAY_MS)
    after = series(store.database, "float", Quantity.CELSIUS, T0, T0 + QUARTER_MS)[0]

    assert (after.n, after.high, after.high_ms) == (before.n + 1, 40.0, T0 + 90_500)
    assert (after.low, after.low_ms) == (before.low, before.low_ms)
    assert after.mean == pytest.approx((before.mean * before.n + 40.0) / (before.n + 1))
    assert store.readings.get("float", T0 + 90_500) is None


def test_a_lot_is_evaluated_anew_from_what_was_left_of_its_readings(tmp_path: Path) -> None:
    """Somebody corrects the book of a wine of two years ago: its curve must not vanish."""
    store = new_store(tmp_path / "c.db")
    evaluate(store, [readings(9.0), [Reading("float", NOW_MS, NOW_MS, 0.995, None, 18.0)]])
    before = store.watching.estimates("kit", until_ms=T0 + 9 * DAY_MS)
    roll_up(store.database, NOW_MS)
    thin(store.database, T0 + 8 * DAY_MS)
    store.book.append(entry(0.01, Measurement(temperature_c=19.0)))
    evaluate(store, [], NOW_MS)
    after = store.watching.estimates("kit", until_ms=T0 + 9 * DAY_MS)

    assert [e.at_ms for e in after] == [e.at_ms for e in before]
    worst = max(
        abs(a.gravity - b.gravity)
        for a, b in zip(after, before, strict=True)
        if a.gravity is not None and b.gravity is not None
    )
    assert worst < 1e-3


def test_thinned_readings_are_means_in_the_middle_of_their_quarter(store: Store) -> None:
    thin(store.database, T0 + 3 * DAY_MS)
    left = thinned_readings(store.database, T0, T0 + 4 * DAY_MS)

    assert len(left) == 3 * 96
    assert left[0].observed_ms == T0 + QUARTER_MS // 2
    quarter = [r.gravity for r in MINUTELY[:15] if r.gravity is not None]
    assert left[0].gravity == pytest.approx(sum(quarter) / len(quarter))
    assert thinned_readings(store.database, T0, T0 + DAY_MS, ["another"]) == []


def test_the_file_stops_growing_once_as_much_goes_as_comes(tmp_path: Path) -> None:
    """Pages that were let go are used again. Quick motion: kept for ten days, thinned daily."""
    store = new_store(tmp_path / "c.db")
    sizes = []
    for day in range(30):
        store.readings.add(readings(day + 1.0, every_min=2, from_day=float(day)))
        now_ms = T0 + (day + 1) * DAY_MS
        roll_up(store.database, now_ms)
        thin(store.database, now_ms - 10 * DAY_MS)
        store.database.tidy_log()
        sizes.append(store.path.stat().st_size)
    raw_day = sizes[9] / 10
    quarters_a_day = (sizes[-1] - sizes[15]) / 14

    assert quarters_a_day < raw_day / 2
    assert store.readings.count() <= 11 * 720


def test_thinning_stops_between_short_transactions_when_asked(store: Store) -> None:
    asked = iter([False, False, True])
    assert thin(store.database, T0 + 3 * DAY_MS, lambda: next(asked)) == 2 * 6 * 60


def test_what_an_unsure_clock_stamped_is_kept_until_it_is_in_its_place(store: Store) -> None:
    fifty_years_ms = 18262 * DAY_MS
    arrived = [NOW_MS - DAY_MS + 60_000 * i for i in range(3)]
    store.readings.add(
        [
            Reading("float", ms - fifty_years_ms, ms - fifty_years_ms, 0.996, stamp=Stamp.ARRIVAL_UNSURE)
            for ms in arrived
        ]
    )

    assert thin(store.database, T0 + 3 * DAY_MS) == 0
    store.readings.correct_stamps(arrived[0] - fifty_years_ms, arrived[-1] - fifty_years_ms, fifty_years_ms)
    roll_up(store.database, NOW_MS)

    assert thin(store.database, T0 + 3 * DAY_MS) == 3 * 1440
    assert [r.observed_ms for r in store.readings.between(NOW_MS - 2 * DAY_MS, NOW_MS)] == arrived
