"""A lot's curves: few points, every extreme, corrected to 20/20, at a cost that grows with what is shown."""

import math
import tomllib
from collections.abc import Iterator, Sequence
from typing import Any

import pytest

from mustwatch.cellar.book import Entry, Measurement, Racking, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import Settings
from mustwatch.must.density import gravity_20_from_reading
from mustwatch.store.database import Database
from mustwatch.store.rollup import roll_up
from mustwatch.store.store import Store
from mustwatch.views import curves as views_curves
from mustwatch.views.lot import lot_curves
from mustwatch.watch.estimate import Estimate

DAYS = 90
NOW_MS = 1_792_814_400_000
T0 = NOW_MS - DAYS * DAY_MS
SPIKE_MS = T0 + 33 * DAY_MS + 4 * HOUR_MS + 7 * MINUTE_MS

CONFIG = """
[cellar]
timezone = "Europe/Vienna"
[store]
path = "{path}"
[[vessel]]
name = "tub"
kind = "tank"
litres = 100
[[vessel]]
name = "barrel"
kind = "barrel"
litres = 100
[[sensor]]
id = "float"
kind = "float"
vessel = "tub"
topic = "a/float"
decoder = "senml"
"""


def gravity_at(at_ms: int) -> float:
    days = (at_ms - T0) / DAY_MS
    return 0.993 + 0.097 / (1.0 + math.exp((days - 6.0) / 1.8))


def celsius_at(at_ms: int) -> float:
    return 19.0 + 3.0 * math.sin(2 * math.pi * at_ms / DAY_MS)


def readings() -> Iterator[Reading]:
    for minute in range(DAYS * 1440):
        at_ms = T0 + minute * MINUTE_MS
        gravity = round(gravity_at(at_ms) + 0.0015 * (((minute * 7919) % 1000) / 500.0 - 1.0), 4)
        celsius = 35.5 if at_ms == SPIKE_MS else round(celsius_at(at_ms), 2)
        yield Reading("float", at_ms, at_ms + 500, gravity, None, celsius)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, Settings]]:
    """Return a store with 90 days of a reading a minute, rolled up."""
    path = tmp_path_factory.mktemp("season") / "cellar.db"
    settings = Settings(**tomllib.loads(CONFIG.format(path=path)))
    store = Store(path, NOW_MS)
    note_places(store, plan_of(settings), NOW_MS)
    racked_ms = T0 + 10 * DAY_MS
    store.book.append(Entry("e1", "big", T0, T0, Start("tub", gravity=1.090, litres=90)))
    racked = Racking("barrel", "tub", gravity=1.000, temperature_c=19.0, floats=("float",))
    store.book.append(Entry("e2", "big", racked_ms, racked_ms, racked))
    store.book.append(Entry("e3", "big", NOW_MS - DAY_MS, NOW_MS - DAY_MS, Measurement(gravity=0.993)))
    batch: list[Reading] = []
    for reading in readings():
        batch.append(reading)
        if len(batch) == 20_000:
            store.readings.add(batch)
            batch = []
    store.readings.add(batch)
    instants = range(T0, NOW_MS + 1, 15 * MINUTE_MS)
    store.watching.add_estimates(
        "big", [Estimate(at, gravity_at(at), 0.0004, -0.01, 0.001, celsius_at(at)) for at in instants]
    )
    roll_up(store.database, NOW_MS)
    yield store, settings
    store.close()


def curves(
    season: tuple[Store, Settings], begin: int | None = None, end: int | None = None, points: int = 2_000
) -> Any:
    found = lot_curves(*season, "big", NOW_MS, begin, end, points)
    assert found is not None
    return found


def lengths(document: Any) -> list[int]:
    float_ = document["sensors"][0]
    return [
        len(document["estimate"]["at"]),
        len(document["celsius"]["at"]),
        len(float_["gravity"]["at"]),
        len(float_["celsius"]["at"]),
    ]


@pytest.mark.parametrize("points", [40, 400, 2_000])
def test_no_curve_has_more_points_than_asked_for(season: tuple[Store, Settings], points: int) -> None:
    assert max(lengths(curves(season, points=points))) <= points


def test_more_than_two_thousand_points_are_never_given(season: tuple[Store, Settings]) -> None:
    assert max(lengths(curves(season, points=1_000_000))) <= 2_000


def test_a_spike_of_one_minute_in_ninety_days_is_in_the_curve(season: tuple[Store, Settings]) -> None:
    said = curves(season, points=400)["sensors"][0]["celsius"]

    assert (SPIKE_MS, 35.5) in set(zip(said["at"], said["values"], strict=True))


def test_gravity_is_corrected_to_20_20_by_the_temperature_of_its_time(season: tuple[Store, Settings]) -> None:
    """The correction itself is checked against water's density in tests/reference."""
    begin = NOW_MS - 3 * HOUR_MS
    said = curves(season, begin, NOW_MS)["sensors"][0]["gravity"]
    raw = {r.observed_ms: r for r in season[0].readings.between(begin, NOW_MS)}

    assert len(said["at"]) == 180
    for at_ms, value in zip(said["at"], said["values"], strict=True):
        expected = gravity_20_from_reading(raw[at_ms].gravity or 0.0, raw[at_ms].temperature_c or 0.0)
        assert value == pytest.approx(expected, abs=2e-5)


def test_rolled_up_and_raw_gravities_agree_within_a_tenth_of_a_division(
    season: tuple[Store, Settings],
) -> None:
    rolled = curves(season)["sensors"][0]["gravity"]
    raw = {r.observed_ms: r for r in season[0].readings.between(T0, NOW_MS)}

    for at_ms, value in zip(rolled["at"], rolled["values"], strict=True):
        expected = gravity_20_from_reading(raw[at_ms].gravity or 0.0, celsius_at(at_ms))
        assert value == pytest.approx(expected, abs=2e-4)


def test_the_float_is_followed_through_a_racking(season: tuple[Store, Settings]) -> None:
    said = curves(season)["sensors"][0]["gravity"]["at"]

    assert said[0] < T0 + DAY_MS
    assert said[-1] > NOW_MS - DAY_MS


def test_checks_stages_bands_and_marks_come_along(season: tuple[Store, Settings]) -> None:
    document = curves(season)

    assert document["checks"]["values"] == [1.09, 1.0, 0.993]
    assert [s["stage"] for s in document["stages"]] == ["primary", "secondary"]
    assert [m["kind"] for m in document["entries"]] == ["start", "rack", "measure"]
    assert len(document["bands"]) == 2


def test_a_history_read_in_parts_is_the_same_as_read_at_once(season: tuple[Store, Settings]) -> None:
    store, _ = season

    for begin_ms, end_ms in ((T0, NOW_MS + 1), (T0 + 1, T0 + 12 * DAY_MS), (NOW_MS, NOW_MS)):
        in_parts = list(store.watching.each_estimate("big", begin_ms, end_ms))
        assert in_parts == store.watching.estimates("big", begin_ms, end_ms)


@pytest.mark.parametrize("begin_ms", [T0, T0 + 20 * DAY_MS + 7 * MINUTE_MS, NOW_MS - 15 * DAY_MS])
def test_readings_taken_in_parts_make_the_same_curves(
    season: tuple[Store, Settings], begin_ms: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_parts = curves(season, begin_ms)
    monkeypatch.setattr(views_curves, "SPAN_MS", 1_000 * DAY_MS)

    assert in_parts == curves(season, begin_ms)


def test_an_unknown_lot_has_no_curves(season: tuple[Store, Settings]) -> None:
    assert lot_curves(*season, "nobody's", NOW_MS, None, None, 100) is None


@pytest.mark.parametrize(("begin", "end"), [(NOW_MS, T0), (2**50, 2**51), (0, 1), (NOW_MS, NOW_MS)])
def test_a_window_upside_down_or_far_away_is_answered(
    season: tuple[Store, Settings], begin: int, end: int
) -> None:
    document = curves(season, begin, end)

    assert document["from_ms"] < document["until_ms"]


def test_the_cost_of_opening_grows_with_what_is_shown_not_with_what_is_stored(
    season: tuple[Store, Settings], monkeypatch: pytest.MonkeyPatch
) -> None:
    read = 0
    query = Database.query

    def counted(database: Database, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        nonlocal read
        rows = query(database, sql, parameters)
        read += len(rows)
        return rows

    monkeypatch.setattr(Database, "query", counted)

    def rows_read(begin: int) -> int:
        nonlocal read
        read = 0
        curves(season, begin, NOW_MS)
        return read

    stored = DAYS * 1440
    assert rows_read(NOW_MS - HOUR_MS) < stored / 200
    assert rows_read(NOW_MS - 12 * HOUR_MS) < stored / 50
    assert rows_read(T0) < stored / 2  # the whole season is read from its quarter-hours
