"""The densities the simulated truth rests on, against published tables and reference libraries."""

import iapws
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from mustsim.density import (
    OIML_WATER,
    ethanol_gravity_exact,
    ethanol_water_density,
    must_gravity,
    must_gravity_at,
    shown_gravity,
    water_density,
)

# (% vol, mass fraction, density at 20 °C, gravity 20/20, g/L of ethanol, density at 15 °C, at 30 °C), kg/m³.
# Source: OIML R22 (1975), International alcoholometric tables.
OIML = [
    (5, 0.039818, 991.055, 0.99284, 39.46, 991.980, 988.407),
    (10, 0.080149, 984.710, 0.98648, 78.92, 985.782, 981.795),
    (11, 0.088271, 983.521, 0.98529, 86.82, 984.635, 980.529),
    (12, 0.096410, 982.355, 0.98413, 94.71, 983.516, 979.278),
    (13, 0.104566, 981.209, 0.98298, 102.60, 982.421, 978.039),
    (14, 0.112739, 980.082, 0.98185, 110.49, 981.350, 976.811),
    (15, 0.120929, 978.971, 0.98073, 118.39, 980.298, 975.592),
]
# Source: Tanaka et al. 2001, Metrologia 38:301, kg/m³ by °C.
TANAKA = {
    0: 999.8428,
    4: 999.9749,
    10: 999.7027,
    15: 999.1026,
    20: 998.2067,
    25: 997.0470,
    30: 995.6488,
    40: 992.2152,
}
# (% vol, extract g/L, residual sugar g/L, gravity 20/20) of dry wines. Source: recomputed from OIML and 0.000384.
DRY_WINES = [
    (11, 20, 0, 0.99301), (12, 20, 0, 0.99185), (12, 20, 2, 0.99262),
    (12, 25, 4, 0.99532), (13, 25, 2, 0.99340), (14, 25, 2, 0.99227),
]  # fmt: skip


@pytest.mark.parametrize(("abv", "fraction", "at_20", "gravity", "grams", "at_15", "at_30"), OIML)
def test_ethanol_in_water_weighs_what_the_table_says(
    abv, fraction, at_20, gravity, grams, at_15, at_30, agrees
):
    for celsius, published in ((20, at_20), (15, at_15), (30, at_30)):
        computed = float(ethanol_water_density(fraction, celsius))
        agrees(computed, published, 0.01, "simulator: OIML R22, density, kg/m³")
    by_grams = float(ethanol_gravity_exact(np.array([grams]))[0])
    agrees(by_grams, gravity, 2e-5, "simulator: OIML R22, gravity 20/20 by g/L")


def test_pure_water_and_pure_ethanol_are_the_ends_of_the_table(agrees):
    agrees(float(ethanol_water_density(0.0)), OIML_WATER, 1e-9, "simulator: OIML R22, density, kg/m³")
    agrees(float(ethanol_water_density(1.0)), 789.239, 0.01, "simulator: OIML R22, density, kg/m³")


@pytest.mark.parametrize(("celsius", "density"), TANAKA.items())
def test_water_weighs_what_the_table_says(celsius, density, agrees):
    agrees(float(water_density(celsius)), density, 1e-4, "simulator: Tanaka 2001, water, kg/m³")


@pytest.mark.parametrize("celsius", range(1, 41, 3))
def test_water_weighs_what_reference_libraries_say(celsius, agrees):
    ours = float(water_density(celsius))

    agrees(
        ours,
        PropsSI("D", "T", celsius + 273.15, "P", 101325, "Water"),
        0.002,
        "simulator: CoolProp water, kg/m³",
    )
    agrees(ours, iapws.IAPWS95(T=celsius + 273.15, P=0.101325).rho, 0.002, "simulator: IAPWS-95 water, kg/m³")


@pytest.mark.parametrize(("abv", "extract", "sugar", "gravity"), DRY_WINES)
def test_a_dry_wine_weighs_what_alcohol_and_extract_make(abv, extract, sugar, gravity, agrees):
    ethanol = abv * 7.8924

    computed = float(must_gravity(np.array([sugar]), np.array([ethanol]), extract)[0])

    agrees(computed, gravity, 2e-4, "simulator: dry wines, gravity 20/20")
    assert must_gravity_at(sugar, ethanol, extract) == pytest.approx(computed, abs=1e-9)


@pytest.mark.parametrize("ethanol", [0.0, 0.4, 39.46, 94.71, 118.39, 140.2])
def test_the_quick_table_of_a_gram_per_litre_is_as_good_as_the_formula(ethanol):
    exact = float(ethanol_gravity_exact(np.array([ethanol]))[0])

    assert must_gravity_at(0.0, ethanol, 0.0) == pytest.approx(exact, abs=1e-6)


# (gravity shown, °C, gravity 20/20 by the plain water ratio). Source: ratio of Tanaka 2001.
SHOWN = [
    (1.090, 10, 1.08837),
    (1.090, 25, 1.09127),
    (1.090, 30, 1.09280),
    (1.050, 30, 1.05270),
    (0.995, 15, 0.99411),
]


@pytest.mark.parametrize(("shown", "celsius", "gravity"), SHOWN)
def test_a_float_shows_what_a_correction_takes_back(shown, celsius, gravity, agrees):
    computed = float(shown_gravity(np.array([gravity]), np.array([celsius]))[0])

    agrees(computed, shown, 2e-5, "simulator: water ratio of a float's reading")
