"""Water's density and the correction of a reading, against published tables and reference libraries."""

import CoolProp.CoolProp
import iapws
import pytest

from mustwatch.must.density import (
    GLASS_EXPANSION_PER_K,
    WATER_20_KG_PER_M3,
    gravity_20_from_reading,
    water_density_kell_kg_per_m3,
    water_density_kg_per_m3,
)
from mustwatch.must.ethanol import (
    ethanol_density_kg_per_m3,
    gravity_of_ethanol,
    mass_fraction_from_abv_percent,
)
from mustwatch.must.expansion import gravity_20_of_liquid
from mustwatch.must.sugar import gravity_from_brix, sucrose_density_kg_per_m3

SIXTY_F_C = (60.0 - 32.0) / 1.8

# Tanaka et al. 2001, Metrologia 38:301 (CIPM), kg/m³: 0, 10, 20 and 30 °C as printed in a stored copy, the others
# recomputed from its coefficients. Kell 1975, J. Chem. Eng. Data 20:97, recomputed from its coefficients.
WATER = [
    # °C, Tanaka, Kell
    (0.0, 999.8428, 999.8395),
    (4.0, 999.9749, 999.9720),
    (10.0, 999.7027, 999.6996),
    (15.0, 999.1026, 999.0996),
    (SIXTY_F_C, 999.0170, 999.0141),
    (20.0, 998.2067, 998.2041),
    (25.0, 997.0470, 997.0449),
    (30.0, 995.6488, 995.6473),
    (35.0, 994.0326, 994.0319),
    (40.0, 992.2152, 992.2158),
]


@pytest.mark.parametrize(("celsius", "tanaka", "kell"), WATER)
def test_water_is_as_dense_as_the_published_tables_say(celsius, tanaka, kell, agrees):
    agrees(water_density_kg_per_m3(celsius), tanaka, 1e-4, "water, Tanaka 2001 (CIPM), kg/m³")
    agrees(
        water_density_kell_kg_per_m3(celsius), kell, 1e-4, "water, Kell 1975 (the comparison formula), kg/m³"
    )
    agrees(
        water_density_kg_per_m3(celsius), kell, 0.004, "water, Kell 1975 against the CIPM formula used, kg/m³"
    )


@pytest.mark.parametrize("celsius", [0.01, 2, 4, 8, 12, 15, 18, 20, 22, 25, 28, 32, 36, 40, 45, 50, 55, 60])
def test_water_agrees_with_coolprop(celsius, agrees):
    library = CoolProp.CoolProp.PropsSI("D", "T", celsius + 273.15, "P", 101325, "Water")
    within = 0.002 if celsius <= 40 else 0.005
    agrees(water_density_kg_per_m3(celsius), library, within, "water, CoolProp (IAPWS-95), 0-60 °C, kg/m³")


@pytest.mark.parametrize("celsius", [5, 15, 20, 30, 40])
def test_water_agrees_with_iapws(celsius, agrees):
    library = iapws.IAPWS95(T=celsius + 273.15, P=0.101325).rho
    agrees(water_density_kg_per_m3(celsius), library, 0.002, "water, iapws (IAPWS-95), kg/m³")


def test_the_two_water_formulas_meet_at_forty_degrees():
    below, above = water_density_kg_per_m3(40.0), water_density_kg_per_m3(40.0 + 1e-9)

    assert abs(below - above) < 1e-6


# Water ratio, and with glass of 25e-6/K (ISO 1768:1975): recomputed from the CIPM formula, ±2e-5.
CORRECTIONS = [
    # read, °C, scale °C, ratio, ratio and glass
    (1.090, 10, 20, 1.08837, 1.08864),
    (1.090, 25, 20, 1.09127, 1.09113),
    (1.090, 30, 20, 1.09280, 1.09253),
    (1.050, 30, 20, 1.05270, 1.05243),
    (1.000, 30, 20, 1.00257, 1.00232),
    (0.995, 15, 20, 0.99411, 0.99423),
    (1.090, 20, SIXTY_F_C, 1.09088, 1.09076),
    (1.090, 25, SIXTY_F_C, 1.09215, 1.09190),
    (1.100, 35, SIXTY_F_C, 1.10552, 1.10498),
    (1.050, 10, SIXTY_F_C, 1.04928, 1.04943),
    (1.000, 20, SIXTY_F_C, 1.00081, 1.00070),
]


@pytest.mark.parametrize(("read", "celsius", "scale_c", "ratio", "glass"), CORRECTIONS)
def test_a_hydrometer_reading_is_corrected_as_published(read, celsius, scale_c, ratio, glass, agrees):
    corrected = gravity_20_from_reading(read, celsius, calibrated_at_c=scale_c)
    with_glass = gravity_20_from_reading(
        read, celsius, calibrated_at_c=scale_c, expansion_per_k=GLASS_EXPANSION_PER_K
    )

    agrees(corrected, ratio, 2e-5, "hydrometer correction, water ratio, gravity")
    agrees(with_glass, glass, 2e-5, "hydrometer correction, with glass (ISO 1768), gravity")


# The correction printed in trade leaflets for a hydrometer made for 60 °F, rounded to 0.001. From memory.
LEAFLET = [(60, 0.000), (70, 0.001), (77, 0.002), (84, 0.003), (95, 0.005)]


@pytest.mark.parametrize(("fahrenheit", "correction"), LEAFLET)
def test_the_trades_leaflet_rounds_the_same_correction(fahrenheit, correction, agrees):
    celsius = (fahrenheit - 32) / 1.8
    corrected = gravity_20_from_reading(1.0, celsius, calibrated_at_c=SIXTY_F_C)

    agrees(
        corrected - 1.0,
        correction,
        5e-4,
        "hydrometer correction, trade leaflet for 60 °F (from memory), gravity",
    )


def must(brix):
    return gravity_from_brix(brix), lambda celsius: sucrose_density_kg_per_m3(brix, celsius)


def wine(abv):
    p = mass_fraction_from_abv_percent(abv)
    # OIML's own water is 0.0055 kg/m³ lighter at 20 °C; scaled so that gravity 20/20 is that of the formula.
    scale = WATER_20_KG_PER_M3 / ethanol_density_kg_per_m3(0.0)
    return gravity_of_ethanol(abv), lambda celsius: scale * ethanol_density_kg_per_m3(p, celsius)


# What the water ratio leaves, in 1e-5 of gravity, with an ideal glass hydrometer: recomputed from ICUMSA SPS-4 and
# OIML R 22 for 10, 15, 25, 30 and 35 °C; first without, then with the glass term.
LEFT_OVER = [
    (
        "water",
        (1.0, water_density_kg_per_m3),
        0,
        {10: (-25, 0), 15: (-13, 0), 25: (12, 0), 30: (25, 0), 35: (38, 0)},
    ),
    ("10 °Bx", must(10), 0, {10: (22, 48), 15: (8, 21), 25: (-4, -17), 30: (-5, -31), 35: (-3, -42)}),
    ("22 °Bx", must(22), 0, {10: (79, 106), 15: (34, 48), 25: (-25, -39), 30: (-42, -69), 35: (-52, -93)}),
    ("12 % vol", wine(12), 12, {10: (32, 56), 15: (16, 28), 25: (-16, -28), 30: (-32, -56)}),
]


@pytest.mark.parametrize(
    ("liquid", "kind", "abv", "left"), LEFT_OVER, ids=lambda v: v if isinstance(v, str) else ""
)
def test_real_liquids_leave_what_is_published_and_their_own_expansion_leaves_nothing(
    liquid, kind, abv, left, agrees
):
    gravity, density = kind
    for celsius, (ratio, glass) in left.items():
        shown = density(celsius) / (WATER_20_KG_PER_M3 * (1 - GLASS_EXPANSION_PER_K * (celsius - 20)))
        by_ratio = gravity_20_from_reading(shown, celsius) - gravity
        by_glass = gravity_20_from_reading(shown, celsius, expansion_per_k=GLASS_EXPANSION_PER_K) - gravity
        own = (
            gravity_20_of_liquid(shown, celsius, abv_percent=abv, expansion_per_k=GLASS_EXPANSION_PER_K)
            - gravity
        )

        agrees(by_ratio, ratio * 1e-5, 1.1e-5, "what the water ratio leaves on must and wine, gravity")
        agrees(by_glass, glass * 1e-5, 1.1e-5, "what ratio and glass leave on must and wine, gravity")
        agrees(own, 0.0, 1e-5, "correction by the liquid's own expansion (ICUMSA, OIML), gravity")
        assert abs(by_ratio) <= 8e-4  # the size stated in the docstring and to the user
