"""Gravity, °Brix and sugar against the standards' tables and fits."""

import pytest

from mustwatch.must.alcohol import potential_abv_percent
from mustwatch.must.density import WATER_20_KG_PER_M3
from mustwatch.must.sugar import (
    baume_from_gravity,
    brix_from_gravity,
    fermentable_g_per_l,
    gravity_from_brix,
    gravity_from_oechsle,
    sucrose_density_kg_per_m3,
    sugar_g_per_l_from_gravity,
)

# ICUMSA SPS-4 recomputed; NBS Circular C440 and ASBC: the gravity at which their published fits give the °Brix.
TABLE = [
    # °Bx, density 20 °C, true 20/20, 20/20 in air of 1.2 kg/m³, NBS, ASBC, g/L
    (5, 1017.81, 1.01964, 1.01966, 1.01967, 1.01968, 50.9),
    (10, 1038.12, 1.03998, 1.04003, 1.04003, 1.04003, 103.8),
    (12, 1046.45, 1.04833, 1.04839, 1.04837, 1.04837, 125.6),
    (12.5, 1048.55, 1.05043, 1.05049, 1.05048, 1.05047, 131.1),
    (15, 1059.17, 1.06107, 1.06114, 1.06111, 1.06111, 158.9),
    (20, 1080.98, 1.08292, 1.08302, 1.08297, 1.08297, 216.2),
    (22, 1089.93, 1.09189, 1.09200, 1.09194, 1.09195, 239.8),
    (24, 1099.01, 1.10098, 1.10110, 1.10103, 1.10106, 263.8),
    (25, 1103.59, 1.10558, 1.10570, 1.10563, 1.10567, 275.9),
    (30, 1127.04, 1.12906, 1.12922, 1.12913, 1.12925, 338.1),
]


@pytest.mark.parametrize(("brix", "density", "true", "in_air", "nbs", "asbc", "g_per_l"), TABLE)
def test_the_sugar_table_is_met(brix, density, true, in_air, nbs, asbc, g_per_l, agrees):
    gravity = gravity_from_brix(brix)
    rho = sucrose_density_kg_per_m3(brix)
    weighed_in_air = (rho - 1.2) / (WATER_20_KG_PER_M3 - 1.2)

    agrees(rho, density, 0.006, "sucrose density at 20 °C, ICUMSA SPS-4, kg/m³")
    agrees(gravity, true, 6e-6, "gravity of °Brix, ICUMSA SPS-4, gravity")
    agrees(weighed_in_air, in_air, 6e-6, "gravity of °Brix in air, ICUMSA SPS-4, gravity")
    agrees(gravity, nbs, 1e-4, "gravity of °Brix, NBS C440 (weighed in air), gravity")
    agrees(gravity, asbc, 2e-4, "gravity of °Brix, ASBC (weighed in air), gravity")
    agrees(sugar_g_per_l_from_gravity(gravity), g_per_l, 0.06, "sugar of gravity, ICUMSA SPS-4, g/L")


# NBS C440 fit (published RMS 0.0009 °Bx) and ASBC fit, as published, at round gravities.
FITS = [
    # gravity, NBS °Bx, ASBC °P
    (1.040, 9.993, 9.994),
    (1.050, 12.387, 12.388),
    (1.060, 14.740, 14.741),
    (1.080, 19.331, 19.330),
    (1.090, 21.571, 21.568),
    (1.100, 23.774, 23.769),
    (1.110, 25.943, 25.933),
]


def nbs_brix(gravity: float) -> float:
    """Source: fit to NBS Circular C440, as published; gravity weighed in air, up to 1.178."""
    return ((182.4601 * gravity - 775.6821) * gravity + 1262.7794) * gravity - 669.5622


@pytest.mark.parametrize(("gravity", "nbs", "asbc"), FITS)
def test_round_gravities_have_the_brix_of_the_older_standards(gravity, nbs, asbc, agrees):
    computed = brix_from_gravity(gravity)

    assert nbs_brix(gravity) == pytest.approx(nbs, abs=1e-3)  # the fit is copied rightly
    agrees(computed, nbs, 0.02, "°Brix of gravity, NBS C440 fit (weighed in air), °Bx")
    agrees(computed, asbc, 0.025, "°Brix of gravity, ASBC fit (weighed in air), °Bx")


def test_the_national_table_has_ten_brix_at_1_04003(agrees):
    # NBS C440 table, apparent (in air); from memory.
    rho = sucrose_density_kg_per_m3(10)

    agrees(
        (rho - 1.2) / (WATER_20_KG_PER_M3 - 1.2),
        1.04003,
        1e-5,
        "NBS C440 table at 10 °Bx (from memory), gravity",
    )


@pytest.mark.parametrize(("grams", "slope"), [(5, 0.000386), (240, 0.000384)])
def test_a_gram_per_litre_adds_what_the_standard_gives(grams, slope, agrees):
    # ICUMSA SPS-4, recomputed: 0.000386 dilute, 0.000384 at 22 °Bx, counted from water.
    gravity = 1.0 + slope * grams

    agrees(
        (gravity - 1.0) / sugar_g_per_l_from_gravity(gravity),
        slope,
        2e-6,
        "gravity per g/L, ICUMSA SPS-4, gravity per g/L",
    )


@pytest.mark.parametrize(("oechsle", "g_per_l"), [(80, 182.8), (90, 209.4), (100, 236.0)])
def test_the_sugar_a_yeast_finds_follows_the_must_weight(oechsle, g_per_l, agrees):
    # Dubrunfaut's rule as reported by Boulton et al. (second-hand).
    agrees(
        fermentable_g_per_l(gravity_from_oechsle(oechsle)),
        g_per_l,
        0.01,
        "fermentable sugar, Dubrunfaut, g/L",
    )


# German wine law's table of natural alcohol by must weight. From memory; an independent account of the same.
@pytest.mark.parametrize(("oechsle", "abv"), [(67, 8.6), (76, 10.0), (83, 11.1), (110, 15.3), (150, 21.5)])
def test_potential_alcohol_follows_the_legal_must_weight_table(oechsle, abv, agrees):
    potential = potential_abv_percent(fermentable_g_per_l(gravity_from_oechsle(oechsle)))

    agrees(potential, abv, 0.5, "potential alcohol, German must-weight table (from memory), % vol")


def test_a_pound_of_sugar_in_a_us_gallon_makes_1_046(agrees):
    # Trade rule (common practice): 46 "points" per pound and US gallon.
    g_per_l = 453.59237 / 3.785411784

    agrees(
        sugar_g_per_l_from_gravity(1.046),
        g_per_l,
        0.8,
        "a pound per US gallon (common practice), g/L",
    )


@pytest.mark.parametrize(("brix", "baume"), [(20, 11.10), (30, 16.57)])
def test_baume_is_that_of_the_national_table(brix, baume, agrees):
    # NBS Circular C440, °Bx against degrees Baumé of modulus 145 at 20 °C; from memory. The rational scale at 15 °C,
    # used here, comes to the same, because must shrinks more than water between the two temperatures.
    computed = baume_from_gravity(gravity_from_brix(brix))

    agrees(computed, baume, 0.02, "Baumé of °Brix, NBS C440 (from memory), degrees")
    agrees(computed, 145 * (1 - 1 / gravity_from_brix(brix)), 0.02, "Baumé, modulus 145 at 20 °C, degrees")
