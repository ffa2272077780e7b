"""Ethanol and water, alcohol from gravities, potential alcohol: against OIML, a library and published examples."""

import CoolProp.CoolProp
import pytest

from mustwatch.must.alcohol import (
    GRAVITY_PER_G_PER_L,
    Method,
    abv_percent,
    alcohol,
    potential_abv_percent,
    residual_sugar_g_per_l,
)
from mustwatch.must.ethanol import (
    ETHANOL_20_KG_PER_M3,
    ethanol_density_kg_per_m3,
    gravity_of_ethanol,
    mass_fraction_from_abv_percent,
)

# OIML R 22 (1975), recomputed from its coefficients outside this code, ±0.01 kg/m³.
OIML = [
    # % vol, mass fraction, density at 20, gravity 20/20, g/L, density at 15 and at 30 °C
    (5, 0.039818, 991.055, 0.99284, 39.46, 991.980, 988.407),
    (10, 0.080149, 984.710, 0.98648, 78.92, 985.782, 981.795),
    (11, 0.088271, 983.521, 0.98529, 86.82, 984.635, 980.529),
    (12, 0.096410, 982.355, 0.98413, 94.71, 983.516, 979.278),
    (13, 0.104566, 981.209, 0.98298, 102.60, 982.421, 978.039),
    (14, 0.112739, 980.082, 0.98185, 110.49, 981.350, 976.811),
    (15, 0.120929, 978.971, 0.98073, 118.39, 980.298, 975.592),
]


@pytest.mark.parametrize(("abv", "p", "at_20", "gravity", "g_per_l", "at_15", "at_30"), OIML)
def test_ethanol_and_water_are_as_dense_as_the_recommendation_says(
    abv, p, at_20, gravity, g_per_l, at_15, at_30, agrees
):
    fraction = mass_fraction_from_abv_percent(abv)

    agrees(fraction, p, 1e-6, "mass fraction of % vol, OIML R 22, g/g")
    agrees(ethanol_density_kg_per_m3(fraction), at_20, 0.001, "ethanol-water density, OIML R 22, kg/m³")
    agrees(ethanol_density_kg_per_m3(fraction, 15), at_15, 0.001, "ethanol-water density, OIML R 22, kg/m³")
    agrees(ethanol_density_kg_per_m3(fraction, 30), at_30, 0.001, "ethanol-water density, OIML R 22, kg/m³")
    agrees(gravity_of_ethanol(abv), gravity, 6e-6, "gravity of % vol, OIML R 22, gravity")
    agrees(
        fraction * ethanol_density_kg_per_m3(fraction), g_per_l, 0.006, "ethanol per litre, OIML R 22, g/L"
    )


def test_pure_ethanol_has_the_density_that_defines_percent_by_volume(agrees):
    agrees(
        ethanol_density_kg_per_m3(1.0), ETHANOL_20_KG_PER_M3, 0.01, "pure ethanol at 20 °C, OIML R 22, kg/m³"
    )


@pytest.mark.parametrize("p", [0.05, 0.08, 0.10, 0.12])
@pytest.mark.parametrize("celsius", [5, 10, 20, 30, 35])
def test_ethanol_and_water_agree_with_coolprop(p, celsius, agrees):
    # CoolProp's brine fit of ethanol-water (Melinder 2010), itself good to a few tenths of a kg/m³.
    library = CoolProp.CoolProp.PropsSI("D", "T", celsius + 273.15, "P", 101325, f"INCOMP::MEA[{p}]")

    agrees(ethanol_density_kg_per_m3(p, celsius), library, 0.4, "ethanol-water, CoolProp (Melinder), kg/m³")


@pytest.mark.parametrize(
    ("sugar", "abv"),
    # EU and OIV conversion, 16.83 g/L per % vol (second-hand).
    [(170, 10.10), (200, 11.88), (210, 12.48), (220, 13.07), (240, 14.26)],
)
def test_potential_alcohol_follows_the_legal_conversion(sugar, abv, agrees):
    agrees(potential_abv_percent(sugar), abv, 0.006, "potential alcohol, EU and OIV 16.83 g/L, % vol")


# Published rules recomputed at round gravities: 131.25; 100·1.05/0.79·fall/final; Balling with NBS °Brix.
RULES = [
    # from, to, factor, mass loss, Balling
    (1.050, 1.010, 5.25, 5.26, 5.32),
    (1.080, 0.996, 11.03, 11.21, 11.30),
    (1.090, 0.994, 12.60, 12.84, 12.97),
    (1.100, 0.992, 14.18, 14.47, 14.66),
    (1.110, 0.998, 14.70, 14.92, 15.28),
]


@pytest.mark.parametrize(("start", "now", "factor", "mass_loss", "balling"), RULES)
def test_every_method_gives_its_published_figure(start, now, factor, mass_loss, balling, agrees):
    by_method = alcohol(start, now).by_method

    agrees(by_method[Method.FACTOR], factor, 0.006, "alcohol by 131.25, % vol")
    agrees(by_method[Method.MASS_LOSS], mass_loss, 0.006, "alcohol by 1.05/0.79 un-averaged, % vol")
    agrees(by_method[Method.BALLING], balling, 0.025, "alcohol by Balling (published with NBS °Brix), % vol")


def test_the_published_example_of_the_factor_is_met(agrees):
    # 1.055 to 1.015 is 5.25 % (trade text, seen).
    agrees(alcohol(1.055, 1.015).by_method[Method.FACTOR], 5.25, 0.005, "alcohol by 131.25, % vol")


# First principles, recomputed outside this code: OIML ethanol, 20 g/L extract (22 in the last), 16.83 g/L per %.
FIRST_PRINCIPLES = [
    # sugar g/L, from, to, % vol
    (180, 1.0768, 0.9934, 10.70),
    (200, 1.0845, 0.9920, 11.88),
    (220, 1.0922, 0.9906, 13.07),
    (240, 1.1006, 0.9900, 14.26),
]


@pytest.mark.parametrize(("sugar", "start", "now", "abv"), FIRST_PRINCIPLES)
def test_the_balance_meets_first_principles_and_its_range_holds_the_trades_rules(
    sugar, start, now, abv, agrees
):
    result = alcohol(start, now)
    low, high = result.abv_range_percent

    agrees(abv_percent(start, now), abv, 0.05, "alcohol by the balance, from first principles, % vol")
    # The must of these has 20 g/L of other extract, the rule for fermentable sugar counts 25 to 29.
    agrees(
        residual_sugar_g_per_l(start, now),
        0.0,
        8.0,
        "residual sugar of a dry wine, from first principles, g/L",
    )
    assert low <= abv <= high
    assert low <= 131.25 * (start - now) <= high


# Dry wines by Tabarié's relation with 0.000386 per g/L, recomputed outside this code, ±2e-4.
DRY_WINES = [
    # % vol, extract g/L, residual sugar g/L, gravity
    (11, 20, 0, 0.99301),
    (12, 20, 0, 0.99185),
    (12, 20, 2, 0.99262),
    (12, 25, 4, 0.99532),
    (13, 25, 2, 0.99340),
    (14, 25, 2, 0.99227),
]


@pytest.mark.parametrize(("abv", "extract", "sugar", "gravity"), DRY_WINES)
def test_dry_wines_weigh_what_tabarie_says(abv, extract, sugar, gravity, agrees):
    weighed = gravity_of_ethanol(abv) + GRAVITY_PER_G_PER_L * (extract + sugar)

    agrees(weighed, gravity, 2e-4, "gravity of dry wine, Tabarié, gravity")
