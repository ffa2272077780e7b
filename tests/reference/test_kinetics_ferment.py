"""The simulator's ferment against the published model, a reference integrator, and what winemakers see.

Source of the tables: Coleman, Fish and Block 2007, Appl Environ Microbiol 73:5875 (parameters second-hand, the
intercept of beta_max disputed), 240 g/L sugar, 0.25 g/L yeast; recomputed apart from this project with LSODA.
Those numbers are good to ±0.1 d; the simulator, which steps with RK4, is held to ±0.2 d.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from mustsim.ferment import CO2_G_PER_G, COLEMAN, HEAT_J_PER_G, Ferment, Must, Yeast, simulate

OF_240 = 1.0 + 0.000384 * (240.0 + 20.0)
AS_PUBLISHED = Yeast(
    inoculum_g_per_l=0.25, vigour=1.0, lag_h=0.0, ethanol_yield=None, cold_stop_c=None, heat_kill_c=None
)
"""Without what the simulator adds to the published model."""

# (°C, nitrogen mg/L, days until 120, 10 and 4 g/L are left, steepest uptake g/L/day)
COURSES = [
    (15, 120, (4.4, 8.8, 9.4), 37), (15, 200, (3.9, 7.2, 7.7), 46), (15, 300, (3.8, 7.0, 7.4), 48),
    (20, 120, (3.0, 5.9, 6.3), 55), (20, 200, (2.6, 4.9, 5.2), 67), (20, 300, (2.6, 4.7, 5.0), 70),
    (25, 120, (2.0, 4.1, 4.4), 80), (25, 200, (1.8, 3.4, 3.6), 99), (25, 300, (1.7, 3.2, 3.4), 103),
    (30, 120, (1.4, 3.0, 3.3), 118), (30, 200, (1.2, 2.4, 2.6), 145), (30, 300, (1.2, 2.3, 2.5), 151),
]  # fmt: skip
# (°C, mu_max 1/h, beta_max g/g/h, k'd L/g/h)
RATES = [
    (15, 0.0641, 0.319, 3.19e-5), (20, 0.0948, 0.469, 4.28e-5),
    (25, 0.1402, 0.689, 7.32e-5), (30, 0.2072, 1.013, 1.59e-4),
]  # fmt: skip


def must(yan_mg_per_l: float) -> Must:
    return Must(OF_240, 20.0, yan_mg_per_l)


def day_until(curve, sugar_g_per_l):
    return curve.hours[np.argmax(curve.sugar_g_per_l <= sugar_g_per_l)] / 24.0


@pytest.mark.parametrize(("celsius", "nitrogen", "days", "steepest"), COURSES)
def test_sugar_is_gone_when_the_published_model_says(celsius, nitrogen, days, steepest, agrees):
    curve = simulate(must(nitrogen), AS_PUBLISHED, celsius, 21)

    for left, published in zip((120, 10, 4), days, strict=True):
        agrees(day_until(curve, left), published, 0.2, "simulator: Coleman 2007, days until sugar is left, d")
    agrees(
        24 * curve.uptake_g_per_l_h.max() / steepest, 1.0, 0.02, "simulator: Coleman 2007, steepest uptake"
    )


@pytest.mark.parametrize(("celsius", "growth", "uptake", "death"), RATES)
def test_the_rates_are_the_published_ones(celsius, growth, uptake, death, agrees):
    mu_max, taken, killed, killed_by_itself = Ferment(must(200), AS_PUBLISHED)._rates(celsius)

    agrees(mu_max, growth, 1e-4, "simulator: Coleman 2007, mu_max, 1/h")
    agrees(taken * COLEMAN.ethanol_yield, uptake, 1e-3, "simulator: Coleman 2007, beta_max, 1/h")
    agrees(killed / death, 1.0, 0.01, "simulator: Coleman 2007, k'd")
    assert killed_by_itself == 0.0


@pytest.mark.parametrize(("nitrogen", "per_nitrogen"), [(120, 21.5), (200, 16.1), (300, 11.2)])
def test_biomass_per_nitrogen_is_the_published_one(nitrogen, per_nitrogen, agrees):
    agrees(
        Ferment(must(nitrogen), AS_PUBLISHED).biomass_yield,
        per_nitrogen,
        0.05,
        "simulator: Coleman 2007, Y_XN",
    )


# At 35 °C it sticks: (nitrogen mg/L, g/L left). Source: as above.
@pytest.mark.parametrize(("nitrogen", "left"), [(80, 29.5), (120, 10.2), (200, 1.2)])
def test_at_35_degrees_it_sticks_where_the_published_model_sticks(nitrogen, left, agrees):
    curve = simulate(must(nitrogen), AS_PUBLISHED, 35, 30)

    agrees(float(curve.sugar_g_per_l[-1]), left, 0.2, "simulator: Coleman 2007, sugar left at 35 °C, g/L")


# Inoculum g/L at 20 °C and 200 mg/L: days to 4 g/L. Source: as above.
@pytest.mark.parametrize(("inoculum", "days"), [(0.1, 5.8), (0.25, 5.2), (0.5, 4.6)])
def test_a_larger_inoculum_is_done_sooner(inoculum, days, agrees):
    yeast = replace(AS_PUBLISHED, inoculum_g_per_l=inoculum)

    agrees(
        day_until(simulate(must(200), yeast, 20, 12), 4), days, 0.2, "simulator: Coleman 2007, inoculum, d"
    )


@pytest.mark.parametrize(("celsius", "nitrogen", "days"), [(12, 80, 16.0), (20, 80, 8.0)])
def test_cold_and_hunger_slow_it_as_published(celsius, nitrogen, days, agrees):
    curve = simulate(must(nitrogen), AS_PUBLISHED, celsius, 25)

    agrees(day_until(curve, 4), days, 0.2, "simulator: Coleman 2007, cold or hungry, d")


def test_warmer_and_better_fed_is_faster():
    """The order is what the paper's abstract claims; the figures are a laboratory's."""
    days = {
        (t, n): day_until(simulate(must(n), AS_PUBLISHED, t, 21), 10)
        for t in (15, 20, 25, 30)
        for n in (120, 300)
    }

    assert days[15, 120] > days[20, 120] > days[25, 120] > days[30, 120]
    assert all(days[t, 120] > days[t, 300] for t in (15, 20, 25, 30))


# Gravity by day, 20 °C, 200 mg/L, 20 g/L extract, 0.469 g ethanol per g. Source: recomputed apart from this project.
CURVE = {0: 1.0998, 1: 1.0916, 2: 1.0621, 3: 1.0333, 4: 1.0084, 5: 0.9918, 6: 0.9893, 8: 0.9892}


@pytest.mark.parametrize(("day", "gravity"), CURVE.items())
def test_gravity_falls_along_the_recomputed_curve(day, gravity, agrees):
    yeast = replace(AS_PUBLISHED, ethanol_yield=0.469)
    curve = simulate(must(200), yeast, 20, 9)

    agrees(float(curve.gravity[day * 96]), gravity, 2e-4, "simulator: gravity of Coleman's must by day")


def test_on_its_quickest_day_it_falls_by_about_0_03():
    """Source: the recomputed curve, 0.029-0.030 from day to day."""
    yeast = replace(AS_PUBLISHED, ethanol_yield=0.469)
    gravity = simulate(must(200), yeast, 20, 9).gravity

    assert 0.0285 < (gravity[:-96] - gravity[96:]).max() < 0.0310


@pytest.mark.parametrize(("celsius", "nitrogen"), [(12, 80), (20, 200), (33, 350)])
def test_the_steps_of_a_quarter_hour_follow_a_reference_integrator(celsius, nitrogen):
    """Source: scipy's LSODA on the published equations, written out apart from the simulator."""
    growth, uptake = math.exp(-3.92 + 0.0782 * celsius), math.exp(-2.30 + 0.0771 * celsius)
    death = math.exp(-9.81 - 0.108 * celsius + 0.00478 * celsius**2)
    per_nitrogen = math.exp(3.50 - 0.00361 * nitrogen)

    def slope(_, y):
        living, left, sugar, ethanol = y
        mu = growth * left / (math.exp(-4.73) + left)
        beta = uptake * sugar / (math.exp(2.33) + sugar) * living
        return [(mu - death * ethanol) * living, -mu * living / per_nitrogen, -beta / math.exp(-0.598), beta]

    hours = np.arange(0, 24 * 20 + 0.25, 0.25)
    exact = solve_ivp(
        slope, (0, hours[-1]), [0.25, nitrogen / 1000, 240, 0], "LSODA", hours, rtol=1e-9, atol=1e-10
    ).y
    curve = simulate(must(nitrogen), AS_PUBLISHED, celsius, 20)

    assert np.abs(curve.sugar_g_per_l - exact[2]).max() < 0.02
    assert np.abs(curve.living_g_per_l - exact[0]).max() < 0.002
    assert np.abs(curve.ethanol_g_per_l - exact[3]).max() < 0.02


def test_the_rate_is_the_slope_of_the_gravity():
    curve = simulate(Must(), Yeast(), 20, 12)
    slope = np.gradient(curve.gravity, curve.hours / 24.0)

    assert np.abs(slope - curve.rate_per_day)[2:-2].max() < 1e-4


def test_all_the_heat_would_warm_the_must_by_some_34_kelvin(agrees):
    """Source: 240 g/L, specific heat 3.6 kJ/kg/K, nothing lost: about 34 K (recomputed)."""
    curve = simulate(must(300), AS_PUBLISHED, 20, 12)
    joules_per_l = np.trapezoid(HEAT_J_PER_G * curve.uptake_g_per_l_h, curve.hours)

    agrees(joules_per_l / (1.0998 * 3600.0), 34.0, 0.7, "simulator: adiabatic warming, K")
    agrees(
        HEAT_J_PER_G * 0.18016, 100.5, 0.5, "simulator: heat of fermentation (formation enthalpies), kJ/mol"
    )


def test_half_the_sugar_leaves_as_gas(agrees):
    """Source: stoichiometry, 0.4886 g CO2 per g hexose."""
    curve = simulate(must(300), AS_PUBLISHED, 20, 12)
    released = np.trapezoid(CO2_G_PER_G * curve.uptake_g_per_l_h, curve.hours)

    agrees(released / 240.0, 0.4886, 0.001, "simulator: CO2 per g of sugar (stoichiometry)")


def test_the_default_yeast_is_as_quick_as_one_that_was_weighed(agrees):
    """Source: S. cerevisiae, 200 g/L sugar, 425 mg/L nitrogen, 24 °C: 29 g/L CO2 at 21 h, 77 g/L at 45 h, over before
    165 h (public data of Montpellier, 2023; small stirred flasks, six weighings, each wrong by some g/L)."""
    curve = simulate(Must(1.0 + 0.000384 * 220.0, 20.0, 425.0), Yeast(), 24.0, 8)
    released = 0.4886 * (curve.sugar_g_per_l[0] - curve.sugar_g_per_l)

    for hour, weighed in ((21, 29.0), (45, 77.0), (165, 97.7)):
        agrees(float(released[hour * 4]), weighed, 6.0, "simulator: CO2 of a common wine yeast, g/L")


def test_no_sugar_or_nitrogen_is_lost_in_the_books():
    """Balance: what left as sugar came as ethanol at its yield; what grew was fed by nitrogen at its yield."""
    curve = simulate(must(200), Yeast(), 18, 20)
    gone = curve.sugar_g_per_l[0] - curve.sugar_g_per_l

    assert np.allclose(curve.ethanol_g_per_l, 0.47 * gone, atol=1e-9)
    grown = curve.biomass_g_per_l - Yeast().inoculum_g_per_l
    fed = Ferment(must(200), Yeast()).biomass_yield * (0.2 - curve.nitrogen_g_per_l)
    assert np.allclose(grown, fed, atol=1e-6)


class TestWhatThePublishedModelLacks:
    """The simulator's own additions; common practice, no source unless stated."""

    def test_a_lag_delays_the_whole_by_its_hours(self):
        at_once, later = (simulate(must(200), Yeast(lag_h=h), 20, 20) for h in (1.0, 37.0))

        assert 1.2 < day_until(later, 120) - day_until(at_once, 120) < 1.8

    def test_a_warm_must_wakes_sooner(self):
        cool, warm = (simulate(must(200), replace(AS_PUBLISHED, lag_h=48), t, 20) for t in (16.0, 24.0))

        assert day_until(cool, 235) > day_until(warm, 235) + 1.5

    def test_cold_of_5_degrees_stops_it(self):
        """Source: about 7 °C stops a ferment (trade sheet)."""
        curve = simulate(must(200), Yeast(lag_h=0), 5.0, 10)

        assert curve.sugar_g_per_l[-1] > 235

    def test_a_few_hours_at_40_degrees_kill_it(self):
        """Source: yeast is killed above 40 °C (wine encyclopaedia entry)."""
        temperature = np.full(96 * 14 + 1, 22.0)
        temperature[96 * 2 : 96 * 2 + 48] = 40.0
        curve = simulate(must(200), Yeast(lag_h=6), temperature, 14)

        assert curve.sugar_g_per_l[-1] > 60
        assert curve.living_g_per_l[-1] < 0.05

    def test_twenty_eight_degrees_kill_nothing_that_alcohol_does_not(self):
        with_heat, without = (simulate(must(200), Yeast(heat_kill_c=k), 28, 6) for k in (37.5, None))

        assert np.abs(with_heat.gravity - without.gravity).max() < 2e-4

    def test_a_forced_stall_holds_where_it_is_told_to(self):
        curve = simulate(must(200), Yeast(stall_gravity=1.030, stall_over_h=6), 20, 14)

        assert 1.024 < curve.gravity[-1] < 1.030
        assert abs(curve.rate_per_day[-1]) < 1e-6
