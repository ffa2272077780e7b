"""What the sensors' page says of a float's calibration."""

import tomllib
from pathlib import Path

import pytest

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.book import CalibrationPoints
from mustwatch.store.store import Store
from mustwatch.views.sensors import sensors_view

NOW_MS = 1_792_814_400_000
CONFIG = """
[cellar]
timezone = "Europe/Vienna"
[store]
path = "{path}"
[[vessel]]
name = "tub"
kind = "tank"
litres = 100
[[sensor]]
id = "float"
kind = "float"
vessel = "tub"
topic = "a/float"
decoder = "senml"
calibration = [[25.3, 1.000], [41.0, 1.040], [56.2, 1.080]]
"""


@pytest.mark.parametrize(
    ("inclination", "is_beyond"), [(25.2, True), (25.4, False), (56.2, False), (57.0, True)]
)
def test_a_float_that_leans_beyond_its_points_says_that_its_gravity_is_a_guess(
    tmp_path: Path, inclination: float, is_beyond: bool
) -> None:
    settings = Settings(**tomllib.loads(CONFIG.format(path=tmp_path / "c.db")))
    store = Store(tmp_path / "c.db", NOW_MS)
    store.readings.add([Reading("float", NOW_MS - HOUR_MS, NOW_MS - HOUR_MS, None, inclination, 19.0)])

    (said,) = sensors_view(store, plan_of(settings), NOW_MS)

    assert said["beyond_calibration"] is is_beyond
    store.close()


def test_the_calibration_that_was_valid_when_it_leant_so_is_the_one_that_counts(tmp_path: Path) -> None:
    settings = Settings(**tomllib.loads(CONFIG.format(path=tmp_path / "c.db")))
    store = Store(tmp_path / "c.db", NOW_MS)
    store.readings.add([Reading("float", NOW_MS - HOUR_MS, NOW_MS - HOUR_MS, None, 24.0, 19.0)])
    store.book.save_calibration(
        CalibrationPoints("float", NOW_MS - 2 * HOUR_MS, ((20.0, 0.99), (56.0, 1.08)))
    )
    store.book.save_calibration(CalibrationPoints("float", NOW_MS, ((30.0, 1.0), (56.0, 1.08))))

    (said,) = sensors_view(store, plan_of(settings), NOW_MS)

    assert said["beyond_calibration"] is False
    store.close()
