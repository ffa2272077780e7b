"""A clearing wine in a cool cellar: the watch, pages, pictures, commands and the printed record judge it by one band."""

from collections.abc import Iterator
from typing import Any

import pytest

from cellars import T0, entry, new_store, readings
from mustwatch.cellar.book import Racking, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.config.plan import plan_of
from mustwatch.config.settings import Settings
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.store import Store
from mustwatch.views.book import page_of, record_of
from mustwatch.views.cellar import cellar_view
from mustwatch.views.lot import lot_curves
from mustwatch.views.night import night_view
from mustwatch.watch.finding import kind_named

SETTINGS = Settings.model_validate(
    {
        "cellar": {"timezone": "UTC"},
        "vessel": [
            {"name": "bucket", "kind": "bucket", "litres": 30},
            {"name": "carboy", "kind": "carboy", "litres": 23},
        ],
        "sensor": [
            {"id": "float", "kind": "float", "vessel": "bucket", "topic": "cellar/float", "decoder": "senml"}
        ],
    }
)
DAYS = 14.0
COOL_DAY = 11.0
NOW_MS = T0 + int(DAYS * DAY_MS)
CLEARING = (8.0, 24.0)
"""Of the default profile; its secondary's is 15 to 26 °C."""


@pytest.fixture(scope="module")
def cellar(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A kit wine racked on the fifth day, finished on about the ninth, carried to a cellar of 12 °C on the eleventh."""
    store = new_store(
        tmp_path_factory.mktemp("cool") / "c.db",
        entry(0, Start("bucket", gravity=1.050, temperature_c=19.0)),
        entry(4.3, Racking("carboy", floats=("float",))),
    )
    plan = plan_of(SETTINGS)
    for restart in (readings(DAYS)[:1100], readings(DAYS)[1100:]):
        evaluation = Evaluation(store, plan, T0)
        evaluation.read_book()
        for reading in restart:
            is_cool = reading.observed_ms > T0 + COOL_DAY * DAY_MS
            evaluation.take(reading._replace(temperature_c=12.0) if is_cool else reading)
        evaluation.settle(NOW_MS)
    yield store
    store.close()


def test_the_wine_had_finished_before_it_was_carried_away(cellar: Store) -> None:
    finished = next(a for a in cellar.alerts.of_lot("kit") if a.kind is kind_named("finished"))
    assert finished.opened_ms < T0 + COOL_DAY * DAY_MS - 12 * HOUR_MS


def test_the_watch_does_not_call_a_clearing_wine_too_cold(cellar: Store) -> None:
    assert kind_named("too-cold") not in {a.kind for a in cellar.alerts.of_lot("kit")}


def low_high(band: dict[str, Any]) -> tuple[float, float]:
    return band["low"], band["high"]


def test_command_pages_night_and_record_show_the_same_band(cellar: Store) -> None:
    row = next(r for r in cellar_view(cellar, SETTINGS, NOW_MS)["vessels"] if r["lot"] == "kit")
    curves = lot_curves(cellar, SETTINGS, "kit", NOW_MS, None, None, 500)
    night = next(r for r in night_view(cellar, SETTINGS, NOW_MS)["vessels"] if r["lot"] == "kit")
    record = record_of(cellar, SETTINGS, "kit", NOW_MS)
    assert curves is not None
    assert record is not None

    assert row["stage"] == curves["stages"][-1]["stage"] == record.stages[-1].stage == "clearing"
    bands = [low_high(of) for of in (row["band"], curves["bands"][-1], night["band"])]
    assert bands == [CLEARING] * 3
    assert [s["from_ms"] for s in curves["stages"]] == [s.from_ms for s in record.stages]
    assert page_of(cellar, SETTINGS, record, NOW_MS)
