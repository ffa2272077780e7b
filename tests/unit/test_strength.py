"""A lot's alcohol by one rule, against mass balances worked by hand.

In all of them a litre of water weighs 0.9982 kg, sugar takes up 0.62 L/kg (ICUMSA), and a dry wine of 1.090 is 0.992.
"""

import pytest

from mustwatch.cellar.book import Addition, Entry, Measurement, Racking, Start, What
from mustwatch.cellar.history import LotHistory, fold
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.strength import strength_of
from mustwatch.must.alcohol import abv_percent
from mustwatch.must.enrichment import with_added

BEGAN = 1_790_000_000_000


def at(day: float) -> int:
    return BEGAN + int(day * DAY_MS)


def lot(*done: tuple[float, What], gravity: float | None = 1.090, litres: float | None = 20.0) -> LotHistory:
    begun = (0.0, Start("bucket", gravity=gravity, litres=litres))
    return fold(
        [Entry(f"{i}", "lot", at(day), at(day), what) for i, (day, what) in enumerate([begun, *done])]
    ).lots["lot"]


def percent(history: LotHistory, *estimates: tuple[float, float]) -> float:
    found = strength_of(history, [(at(day), gravity) for day, gravity in estimates])
    assert found is not None
    assert found.abv_range_percent[0] <= found.abv_percent <= found.abv_range_percent[1]
    return found.abv_percent


def sugar(grams: float, why: str | None = None) -> Addition:
    return Addition("sugar", grams, "g", why=why, sugar_g=grams)


def test_sugar_and_nothing_fermented_is_no_alcohol() -> None:
    assert percent(lot((1, sugar(2000)))) == 0.0
    # The float lags behind the sugar: what it says in the first hours is not yet of the new must.
    assert percent(lot((1, sugar(2000))), (0.99, 1.090), (1.1, 1.091)) == 0.0


def test_added_sugar_makes_alcohol_by_the_mass_balance() -> None:
    """By hand: 2.66 * 70 - 30 = 156.2 g/L are 3124 g of sugar in 20 L (Dubrunfaut); 1 kg of sucrose is 1053 g of
    hexose; 4177 g in 20.62 L are 202.6 g/L, at 16.83 g/L each 12.0 % vol once all of it has fermented."""
    fed = lot((2, sugar(1000)), (20, Measurement(0.993)), gravity=1.070)

    assert percent(fed) == pytest.approx(12.0, abs=0.3)


def test_sweetening_thins_the_alcohol_by_the_volume_of_the_sugar_whether_or_not_it_is_measured() -> None:
    """By hand: 3.8 L of 12.8 % vol with 150 g of sugar are 3.893 L of 12.8 * 3.8 / 3.893 = 12.5 % vol."""
    dry: list[tuple[float, What]] = [
        (20.0, Measurement(0.992)),
        (21.0, Addition("potassium sorbate", 1, "g")),
    ]
    before = percent(lot(*dry, litres=3.8))
    sweet: list[tuple[float, What]] = [*dry, (22.0, sugar(150, "to sweeten"))]

    assert before == pytest.approx(12.6, abs=0.3)
    thinned = before * 3.8 / 3.893
    assert percent(lot(*sweet, litres=3.8)) == pytest.approx(thinned, abs=0.01)
    assert percent(lot(*sweet, (24, Measurement(1.007)), litres=3.8)) == pytest.approx(thinned, abs=0.05)
    assert percent(lot(*sweet, litres=3.8), (23, 1.0069)) == pytest.approx(thinned, abs=0.05)


def test_water_thins_alcohol_and_wine_to_top_up_does_not() -> None:
    wine = (20.0, Measurement(0.992))
    before = percent(lot(wine))

    watered = lot(wine, (21, Addition("water", 2, "L", litres=2.0)))
    topped = lot(wine, (21, Addition("similar wine", 2, "L", why="topped up", litres=2.0)))
    assert percent(watered) == pytest.approx(before * 20 / 22, abs=0.01)
    assert percent(topped) == pytest.approx(before)
    later = lot(wine, (21, Addition("water", 2, "L", litres=2.0)), (25, Measurement(0.9928)))
    assert percent(later) == pytest.approx(before * 20 / 22, abs=0.1)


def test_racking_leaves_the_strength_as_it_is() -> None:
    racked = lot((5, Racking("carboy", litres=18.0)), (6, sugar(900)), (20, Measurement(0.993)))

    assert percent(racked) == pytest.approx(
        abv_percent(with_added(18.0, 1.090, 900.0).gravity, 0.993), abs=0.01
    )


def test_without_a_volume_or_with_the_first_gravity_after_the_sugar_nothing_is_counted_twice() -> None:
    unknown = lot((2, sugar(1000)), (20, Measurement(0.993)), litres=None)
    measured_after = lot((0.1, sugar(1000)), (1, Measurement(1.090)), (20, Measurement(0.993)), gravity=None)

    assert percent(unknown) == pytest.approx(abv_percent(1.090, 0.993))
    assert percent(measured_after) == pytest.approx(abv_percent(1.090, 0.993), abs=0.01)


def test_the_float_counts_again_once_the_sugar_is_mixed_in() -> None:
    fed = lot((5, sugar(1000)))
    hours = 7 * HOUR_MS / DAY_MS

    assert percent(fed, (4.9, 1.040), (5 + hours, 1.056)) == pytest.approx(6.2, abs=0.4)
    assert percent(fed, (4.9, 1.040), (5.1, 1.040)) == pytest.approx(
        abv_percent(1.090, 1.040) * 20 / 20.62, abs=0.01
    )


@pytest.mark.parametrize(("litres", "gravity", "grams"), [(3.8, 0.995, 150.0), (20.0, 1.090, 2000.0)])
def test_what_sugar_makes_of_a_wine_is_the_mass_balance(litres: float, gravity: float, grams: float) -> None:
    """Mass and volume by hand: (litres * gravity * 0.9982 + kg) / (litres + 0.62 * kg) / 0.9982."""
    kg = grams / 1000
    after = (litres * gravity * 0.9982 + kg) / (litres + 0.62 * kg) / 0.9982

    became = with_added(litres, gravity, grams)

    assert became.gravity == pytest.approx(after, abs=0.0003)
    assert became.litres == pytest.approx(litres + 0.62 * kg, abs=0.005 * litres)
