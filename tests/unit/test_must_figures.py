"""What the trade's science does at its edges: noise, lost decimal points, limits and nonsense."""

import pytest

from mustwatch.must.alcohol import abv_percent, alcohol, residual_sugar_g_per_l
from mustwatch.must.bounds import OutOfRangeError, meant_gravity
from mustwatch.must.density import gravity_20_from_reading, water_density_kg_per_m3
from mustwatch.must.enrichment import blend, sugar_to_reach, water_to_reach
from mustwatch.must.sugar import brix_from_gravity, fermentable_g_per_l, sugar_g_per_l_from_gravity
from mustwatch.must.sulfite import Asked, LimitError, Salt, dose, molecular_fraction, salt_g, stock_ml


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        (105.0, 1.05),  # the decimal point one place late, as "105"
        (1050.0, 1.05),  # said as a density
        (10500.0, 1.05),  # and with a digit more
        (998.0, 0.998),  # a dry wine
        (22.0, None),  # °Brix: not a gravity at all
        (2.0, None),
        (float("nan"), None),
        (float("inf"), None),
    ],
)
def test_a_lost_decimal_point_is_guessed_at(typed, meant):
    assert meant_gravity(typed) == (None if meant is None else pytest.approx(meant))


def test_a_gravity_of_105_is_answered_with_the_likely_one():
    with pytest.raises(OutOfRangeError, match=r"gravity 105 is out of range; .*did you mean 1\.050\?"):
        brix_from_gravity(105.0)


def test_a_ph_of_34_is_answered_with_the_likely_one():
    with pytest.raises(
        OutOfRangeError, match=r"pH 34 is out of range; expected 2\.5 to 4\.5; did you mean 3\.4\?"
    ):
        molecular_fraction(34.0)


@pytest.mark.parametrize("celsius", [-0.1, 60.1, float("nan"), float("inf"), -273.15])
def test_water_has_no_density_outside_its_range(celsius):
    with pytest.raises(OutOfRangeError, match="temperature"):
        water_density_kg_per_m3(celsius)


def test_a_scale_of_15_degrees_reads_low_in_a_must_of_20():
    # Archimedes: the same float sinks as deep in denser water at 15 °C, so its 1.090 means a denser must.
    assert gravity_20_from_reading(1.090, 20.0, calibrated_at_c=15.0) > 1.090


def test_a_plastic_float_that_swells_is_corrected_downwards_in_a_warm_must():
    plain = gravity_20_from_reading(1.050, 30.0)

    assert gravity_20_from_reading(1.050, 30.0, expansion_per_k=2e-4) == pytest.approx(plain * (1 - 2e-3))


def test_noise_above_the_starting_gravity_is_no_alcohol():
    assert abv_percent(1.0900, 1.0903) == 0.0
    assert abv_percent(1.0900, 1.0900) == 0.0


def test_a_gravity_that_rose_is_refused_where_a_person_asks():
    with pytest.raises(OutOfRangeError, match=r"rose from 0\.9940 to 1\.0900; .* swapped"):
        alcohol(0.994, 1.090)


def test_a_fall_that_no_yeast_makes_is_refused():
    with pytest.raises(OutOfRangeError, match="more than any yeast makes"):
        abv_percent(1.190, 1.000)


def test_at_the_very_start_the_range_is_that_of_two_hydrometer_readings():
    # 0.001 and 0.001 make 0.0014, at 128 % vol per unit of gravity 0.18 % vol to either side.
    result = alcohol(1.0900, 1.0895)
    low, high = result.abv_range_percent

    assert low == 0.0
    assert high == pytest.approx(result.abv_percent + 0.18, abs=0.01)


def test_residual_sugar_begins_at_what_the_must_had_and_never_goes_below_nothing():
    assert residual_sugar_g_per_l(1.090, 1.090) == fermentable_g_per_l(1.090)
    assert residual_sugar_g_per_l(1.090, 0.985) == 0.0


def test_a_dry_wine_has_negative_brix_and_no_sugar_by_the_table():
    assert brix_from_gravity(0.992) < 0
    assert sugar_g_per_l_from_gravity(0.992) == 0.0
    assert fermentable_g_per_l(0.992) == 0.0


def test_a_dose_counts_what_is_free_already():
    # 0.8 mg/L molecular at pH 3.4 takes 31.9 mg/L free (pKa 1.81); 21.9 are missing: 21.9 · 23 / 1000 / 0.5763 g.
    asked = dose(Asked(litres=23, ph=3.4, molecular_mg_per_l=0.8, free_now_mg_per_l=10))

    assert asked.free_target_mg_per_l == pytest.approx(31.92, abs=0.01)
    assert asked.salt_g == pytest.approx(0.875, abs=0.001)
    assert asked.total_after_mg_per_l == pytest.approx(31.92, abs=0.01)


def test_nothing_is_added_where_there_is_enough():
    asked = dose(Asked(litres=23, ph=3.2, molecular_mg_per_l=0.5, free_now_mg_per_l=40))

    assert (asked.addition_mg_per_l, asked.salt_g) == (0.0, 0.0)


def test_a_dose_beyond_the_limit_of_total_so2_is_refused_by_what_is_free():
    with pytest.raises(LimitError, match=r"over the limit of 200 mg/L: pH 4\.2"):
        dose(Asked(litres=23, ph=4.2, molecular_mg_per_l=0.9))


def test_a_dose_beyond_the_limit_is_refused_by_the_total_that_was_measured():
    modest = Asked(litres=23, ph=3.4, molecular_mg_per_l=0.8, total_now_mg_per_l=190)

    with pytest.raises(LimitError, match="total SO2 would come to 222 mg/L"):
        dose(modest)


def test_a_total_below_the_free_cannot_be():
    with pytest.raises(
        OutOfRangeError, match="total SO2 now 20 mg/L is out of range; expected the free 30 mg/L or more"
    ):
        dose(Asked(litres=1, ph=3.4, molecular_mg_per_l=0.8, free_now_mg_per_l=30, total_now_mg_per_l=20))


def test_sodium_metabisulfite_takes_less_than_potassium():
    assert salt_g(30, 23, salt=Salt.SODIUM) < salt_g(30, 23)


def test_a_ten_percent_stock_solution_holds_a_gram_in_ten_millilitres():
    assert stock_ml(1.0, 10.0) == pytest.approx(10.0)


def test_sugar_only_lifts_and_water_only_thins():
    with pytest.raises(OutOfRangeError, match=r"target gravity 1.060 is below the must's 1.090"):
        sugar_to_reach(10, 1.090, 1.060)
    with pytest.raises(OutOfRangeError, match=r"target gravity 1.090 is above the must's 1.060"):
        water_to_reach(10, 1.060, 1.090)


def test_nothing_is_needed_where_the_target_is_reached():
    assert sugar_to_reach(10, 1.090, 1.090).grams == 0.0
    assert sugar_to_reach(10, 1.090, 1.090).final_litres == pytest.approx(10)


@pytest.mark.parametrize("litres", [0.0, -5.0, float("nan")])
def test_a_volume_must_be_one(litres):
    with pytest.raises(OutOfRangeError, match="volume"):
        blend(litres, 1.0, 1.0, 1.0)


def test_alcohol_of_a_blend_is_only_told_where_both_are_known():
    assert blend(20, 0.995, 2, 1.0, abv_percent=12).abv_percent is None
    assert blend(20, 0.995, 2, 1.0, abv_percent=11, with_abv_percent=0).abv_percent == pytest.approx(10)
