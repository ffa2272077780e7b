"""Enrichment, dilution and blending against an older standard's table and the trade's rules."""

import pytest

from mustwatch.must.density import WATER_20_KG_PER_M3
from mustwatch.must.enrichment import blend, potential_before_and_after, sugar_to_reach, water_to_reach


def nbs_brix(gravity: float) -> float:
    """Source: fit to NBS Circular C440, as published."""
    return ((182.4601 * gravity - 775.6821) * gravity + 1262.7794) * gravity - 669.5622


CASES = [(10, 1.070, 1.090), (23, 1.050, 1.085), (5, 1.080, 1.100), (22.7, 1.040, 1.075)]


@pytest.mark.parametrize(("litres", "gravity", "target"), CASES)
def test_sugar_and_water_agree_with_a_mass_balance_by_the_older_table(litres, gravity, target, agrees):
    mass_g = litres * gravity * WATER_20_KG_PER_M3
    low, high = nbs_brix(gravity), nbs_brix(target)
    sugar_g = mass_g * (high - low) / (100 - high)
    water_g = (litres * target * WATER_20_KG_PER_M3) * (high - low) / low

    added = sugar_to_reach(litres, gravity, target)
    thinned = water_to_reach(litres, target, gravity)

    agrees(added.grams / sugar_g, 1.0, 0.003, "sugar to add, mass balance with NBS C440, ratio")
    agrees(thinned.grams / water_g, 1.0, 0.003, "water to add, mass balance with NBS C440, ratio")


@pytest.mark.parametrize(("litres", "gravity", "target"), CASES)
def test_a_kilogram_of_sugar_takes_up_0_62_litres(litres, gravity, target, agrees):
    # Trade rule, common practice (0.6 to 0.63 L).
    added = sugar_to_reach(litres, gravity, target)
    per_kg = (added.final_litres - litres) / added.grams * 1000

    agrees(per_kg, 0.62, 0.01, "volume of dissolved sugar (common practice), L/kg")


@pytest.mark.parametrize(("litres", "gravity", "target"), CASES)
def test_seventeen_grams_per_litre_make_about_one_percent_less_what_thins(litres, gravity, target, agrees):
    # Trade rule: 17 g per litre of must for 1 % vol; it leaves out that the sugar's volume thins the must.
    added = sugar_to_reach(litres, gravity, target)
    before, after = potential_before_and_after(litres, gravity, added)
    by_rule = added.grams / litres / 17.0

    agrees((after - before) / by_rule, 0.95, 0.06, "gain per 17 g/L (common practice), ratio")


def test_the_cross_of_the_blender_is_met(agrees):
    # Pearson's square: 3 parts of 12 % and 1 part of 16 % make 13 %.
    result = blend(3, 0.992, 1, 0.996, abv_percent=12, with_abv_percent=16)

    agrees(result.abv_percent, 13.0, 1e-9, "Pearson's square, % vol")
    agrees(result.gravity, 0.993, 1e-9, "Pearson's square, gravity")
