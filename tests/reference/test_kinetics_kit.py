"""The simulated kit wine keeps to what the trade expects of one.

Source: common practice, no published source: 1.050 at the start at about 19 °C, racked at about 1.010,
1.000 seven days later.
"""

import pytest

from mustsim.cellar import run
from mustsim.scenario import load

DAY_MS = 86_400_000


@pytest.fixture(scope="module")
def kit():
    cellar = run(load("kit"), seed=1)
    return cellar, cellar.truth.lots["kit"]


def test_it_starts_at_1_050_and_about_19_degrees(kit):
    _, lot = kit

    assert lot.gravity[0] == pytest.approx(1.050, abs=1e-6)
    assert lot.temperature_c[0] == pytest.approx(19.0)
    assert lot.temperature_c.min() > 17.0
    assert lot.temperature_c.max() < 21.0


def test_it_is_due_for_racking_between_the_fourth_and_the_fifth_day(kit):
    cellar, lot = kit

    assert 4.0 <= (lot.first("crossing").at_ms - cellar.begins_ms) / DAY_MS <= 5.0


def test_it_is_at_about_1_000_after_seven_days(kit):
    cellar, lot = kit

    assert float(lot.gravity_at(cellar.begins_ms + 7 * DAY_MS)) == pytest.approx(0.9995, abs=0.001)


def test_it_ends_dry(kit):
    _, lot = kit

    assert lot.first("end") is not None
    assert lot.gravity[-1] < 0.998
