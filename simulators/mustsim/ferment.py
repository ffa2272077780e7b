"""The ferment: yeast growing on nitrogen, turning sugar into ethanol, CO2 and heat, and dying of ethanol.

Source: Coleman, Fish and Block 2007, Appl Environ Microbiol 73:5875, doi 10.1128/AEM.00670-07. The published
model has no lag, no cold stop and no killing by heat alone; those are added here, marked, and can be switched off.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from mustsim.density import GRAVITY_PER_G_PER_L, FloatArray, gravity_slope, must_gravity, must_gravity_at

HEAT_J_PER_G: Final = 558.0
"""Heat of fermenting hexose, 100.5 kJ/mol over 180.16 g/mol. Source: aqueous enthalpies of formation."""
CO2_G_PER_G: Final = 0.4886
"""Stoichiometric CO2 per gram of hexose."""
WARMEST_GROWTH_C: Final = 35.0
"""The published rates rise exponentially and were fitted up to 35 °C: above it they are held."""
NO_LAG_H: Final = 0.01
"""A lag shorter than this is none."""
NITROGEN_NEAR_NIL: Final = 1e-4
"""g/L below which growth is over and the longer step is stable."""


@dataclass(frozen=True, slots=True)
class Kinetics:
    """Coefficients of the published rates; logarithms are natural, T in °C, g/L and hours."""

    growth: tuple[float, float] = (-3.92, 0.0782)
    uptake: tuple[float, float] = (-2.30, 0.0771)
    death: tuple[float, float, float] = (-9.81, -0.108, 0.00478)
    half_nitrogen_g_per_l: float = math.exp(-4.73)
    half_sugar_g_per_l: float = math.exp(2.33)
    ethanol_yield: float = math.exp(-0.598)
    biomass_yield: tuple[float, float] = (3.50, -0.00361)


@dataclass(frozen=True, slots=True)
class Must:
    """What the yeast is given: gravity 20/20, non-sugar extract g/L, yeast-assimilable nitrogen mg/L."""

    gravity: float = 1.085
    extract_g_per_l: float = 20.0
    yan_mg_per_l: float = 180.0

    @property
    def sugar_g_per_l(self) -> float:
        """Return the fermentable sugar in g/L that this gravity and extract leave."""
        return max(0.0, (self.gravity - 1.0) / GRAVITY_PER_G_PER_L - self.extract_g_per_l)


@dataclass(frozen=True, slots=True)
class Yeast:
    """The yeast and what may go wrong with it.

    By default a fresh, well rehydrated pitch of a common wine yeast: its CO2 follows what was weighed of one (200 g/L,
    24 °C: 29 g/L at 21 h, 77 at 45 h; public data of Montpellier, 2023).

    Attributes:
        inoculum_g_per_l: living biomass at the pitch.
        vigour: factor on sugar uptake; the published intercept is disputed, its other value is 0.51.
        lag_h: hours at 20 °C before it sets to work (a warm must is quicker). Own addition.
        lag_spread: width of the waking, as a share of the lag.
        ethanol_yield: g ethanol per g sugar; None takes the published fit (0.55, above theory).
        death: factor on the published death rate (poorly fed yeast stands ethanol badly).
        cold_stop_c: where activity has fallen to half; None: the published rates go on into the cold.
        settle_per_h: share of the living that drops out per hour of full cold stop.
        heat_kill_c: where heat alone kills 5 % an hour, e-fold per 1.1 K; None: only as published.
            Source of both stops: trade guidance (stops at about 7 °C, dies above 34.4 °C within hours,
            killed at 40 °C), common practice.
        stall_gravity: forced stall when gravity has fallen so far; None: none.
        stall_over_h: hours over which it dies down.
    """

    inoculum_g_per_l: float = 0.6
    vigour: float = 1.2
    lag_h: float = 3.0
    lag_spread: float = 0.12
    ethanol_yield: float | None = 0.47
    death: float = 1.0
    cold_stop_c: float | None = 6.5
    settle_per_h: float = 0.02
    heat_kill_c: float | None = 37.5
    stall_gravity: float | None = None
    stall_over_h: float = 8.0


COLEMAN: Final = Kinetics()


class Ferment:
    """A ferment that is stepped through time; temperatures may come from anywhere (a constant, a vessel).

    State, in g/L: ``living`` and ``biomass`` of yeast, ``nitrogen``, ``sugar``, ``ethanol``, ``extract``.
    """

    def __init__(self, must: Must, yeast: Yeast, kinetics: Kinetics = COLEMAN) -> None:
        """Pitch the yeast into the must."""
        self.yeast = yeast
        self.kinetics = kinetics
        self.living = self.biomass = yeast.inoculum_g_per_l
        self.nitrogen = must.yan_mg_per_l / 1000.0
        self.sugar = must.sugar_g_per_l
        self.ethanol = 0.0
        self.extract = must.extract_g_per_l
        self.biomass_yield = math.exp(
            kinetics.biomass_yield[0] + kinetics.biomass_yield[1] * must.yan_mg_per_l
        )
        self.ethanol_yield = yeast.ethanol_yield or kinetics.ethanol_yield
        self.lag_left_h = yeast.lag_h
        self.is_stalled = False

    @property
    def gravity(self) -> float:
        """Return the gravity 20/20 now."""
        return must_gravity_at(self.sugar, self.ethanol, self.extract)

    def uptake(self, temperature_c: float) -> float:
        """Return the sugar taken up now, g/L/h."""
        _, uptake, _, _ = self._rates(temperature_c)
        return uptake * self.living * self.sugar / (self.kinetics.half_sugar_g_per_l + self.sugar)

    def step(self, hours: float, temperature_c: float) -> None:
        """Go on by some hours (up to about 0.25) at a temperature."""
        warmth = min(temperature_c, WARMEST_GROWTH_C) - 20.0
        wakes_by_h = hours * math.exp(self.kinetics.growth[1] * warmth)
        rates = self._rates(temperature_c, 0.5 * wakes_by_h)
        parts = 3 if self.nitrogen > NITROGEN_NEAR_NIL else 1
        for _ in range(parts):
            self._runge_kutta(hours / parts, rates)
        self.lag_left_h -= wakes_by_h
        if self.yeast.stall_gravity is not None and self.gravity <= self.yeast.stall_gravity:
            self.is_stalled = True

    def wake(self, living_g_per_l: float) -> None:
        """Let it ferment again with some living yeast: a restart, or sleepers woken by warmth."""
        self.is_stalled = False
        self.yeast = replace(self.yeast, stall_gravity=None)
        self.living += living_g_per_l
        self.biomass += living_g_per_l

    def dilute(
        self, share_added: float, sugar_g_per_l: float, ethanol_g_per_l: float, extract: float
    ) -> None:
        """Mix in another liquid, ``share_added`` litres of it to each litre that was there."""
        keep, come = 1.0 / (1.0 + share_added), share_added / (1.0 + share_added)
        self.living *= keep
        self.biomass *= keep
        self.nitrogen *= keep
        self.sugar = self.sugar * keep + sugar_g_per_l * come
        self.ethanol = self.ethanol * keep + ethanol_g_per_l * come
        self.extract = self.extract * keep + extract * come

    def _rates(self, temperature_c: float, ahead_h: float = 0.0) -> tuple[float, float, float, float]:
        """Return maximal growth 1/h, maximal uptake g/g/h, death per g/L ethanol, and death by itself 1/h.

        ``ahead_h``: hours of waking to look ahead, for the middle of a step.
        """
        kinetics, yeast = self.kinetics, self.yeast
        t = min(temperature_c, WARMEST_GROWTH_C)
        activity = 1.0
        if yeast.cold_stop_c is not None:
            activity = 1.0 / (1.0 + math.exp(min(60.0, (yeast.cold_stop_c - t) / 0.7)))
        own_death = yeast.settle_per_h * (1.0 - activity)
        if yeast.heat_kill_c is not None:
            own_death += 0.05 * math.exp(min(5.0, 0.9 * (temperature_c - yeast.heat_kill_c)))
        if self.is_stalled:
            own_death += 4.0 / yeast.stall_over_h
        left_h = self.lag_left_h - ahead_h
        if yeast.lag_h > NO_LAG_H and left_h > -yeast.lag_h:
            activity /= 1.0 + math.exp(min(60.0, left_h / (yeast.lag_spread * yeast.lag_h)))
        growth = activity * math.exp(kinetics.growth[0] + kinetics.growth[1] * t)
        uptake = activity * math.exp(kinetics.uptake[0] + kinetics.uptake[1] * t) / kinetics.ethanol_yield
        a, b, c = kinetics.death
        death = yeast.death * math.exp(a + b * temperature_c + c * temperature_c * temperature_c)
        return growth, uptake * yeast.vigour, death, own_death

    def _runge_kutta(self, h: float, rates: tuple[float, float, float, float]) -> None:
        """Take one classical fourth-order step with the rates held."""
        growth, uptake, death, own_death = rates
        half_n, half_s = self.kinetics.half_nitrogen_g_per_l, self.kinetics.half_sugar_g_per_l
        per_n, to_ethanol = 1.0 / self.biomass_yield, self.ethanol_yield
        x0, n0, s0, e0 = self.living, self.nitrogen, self.sugar, self.ethanol
        grown = taken = moved = 0.0
        x, n, s, e = x0, n0, s0, e0
        for ahead, weight in ((0.5 * h, h / 6), (0.5 * h, h / 3), (h, h / 3), (0.0, h / 6)):
            n = n if n > 0.0 else 0.0
            s = s if s > 0.0 else 0.0
            dx = growth * x * n / (half_n + n)
            ds = uptake * x * s / (half_s + s)
            dl = dx - (death * e + own_death) * x
            grown += weight * dx
            taken += weight * ds
            moved += weight * dl
            x, n, s, e = (
                x0 + ahead * dl,
                n0 - ahead * dx * per_n,
                s0 - ahead * ds,
                e0 + ahead * ds * to_ethanol,
            )
        taken = min(taken, s0)
        self.living = max(0.0, x0 + moved)
        self.biomass += grown
        self.nitrogen = max(0.0, n0 - grown * per_n)
        self.sugar = s0 - taken
        self.ethanol = e0 + taken * to_ethanol


@dataclass(frozen=True, slots=True)
class Curve:
    """A ferment's course on an even grid of hours; arrays of one length.

    ``gravity`` 20/20, ``rate_per_day`` its change (negative), g/L of each substance.
    """

    hours: FloatArray
    temperature_c: FloatArray
    gravity: FloatArray
    rate_per_day: FloatArray
    sugar_g_per_l: FloatArray
    ethanol_g_per_l: FloatArray
    living_g_per_l: FloatArray
    biomass_g_per_l: FloatArray
    nitrogen_g_per_l: FloatArray
    uptake_g_per_l_h: FloatArray


def rate_of_gravity(
    uptake_g_per_l_h: FloatArray, ethanol_g_per_l: FloatArray, ethanol_yield: float
) -> FloatArray:
    """Return the change of gravity per day that an uptake of sugar makes (negative)."""
    per_gram = GRAVITY_PER_G_PER_L - ethanol_yield * gravity_slope(ethanol_g_per_l)
    return np.asarray(-24.0 * uptake_g_per_l_h * per_gram, dtype=np.float64)


def simulate(
    must: Must,
    yeast: Yeast,
    temperature_c: float | Sequence[float] | FloatArray,
    days: float,
    step_h: float = 0.25,
    kinetics: Kinetics = COLEMAN,
) -> Curve:
    """Run one ferment at a given temperature (a constant, or one value per step) and return its course.

    Gravity follows the yeast's ethanol yield; a yeast without one has the published fit of 0.55.
    """
    count = round(days * 24.0 / step_h) + 1
    temperature = np.broadcast_to(np.asarray(temperature_c, dtype=np.float64), (count,))
    ferment = Ferment(must, yeast, kinetics)
    rows = np.empty((count, 6))
    for i, t in enumerate(temperature.tolist()):
        rows[i] = (
            ferment.sugar, ferment.ethanol, ferment.living, ferment.biomass, ferment.nitrogen,
            ferment.uptake(t),
        )  # fmt: skip
        ferment.step(step_h, t)
    sugar, ethanol, living, biomass, nitrogen, uptake = rows.T
    return Curve(
        hours=np.arange(count, dtype=np.float64) * step_h,
        temperature_c=np.array(temperature),
        gravity=must_gravity(sugar, ethanol, must.extract_g_per_l),
        rate_per_day=rate_of_gravity(uptake, ethanol, ferment.ethanol_yield),
        sugar_g_per_l=sugar,
        ethanol_g_per_l=ethanol,
        living_g_per_l=living,
        biomass_g_per_l=biomass,
        nitrogen_g_per_l=nitrogen,
        uptake_g_per_l_h=uptake,
    )
