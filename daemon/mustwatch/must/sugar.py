"""Gravity, °Brix, grams of sugar per litre, °Oechsle and Baumé, in both directions. All at 20 °C.

One formula stands behind all of them: the density of a sucrose solution (ICUMSA). A must is read as if it
were one, which is what every sugar hydrometer and refractometer scale does; what of it a yeast can ferment is
less, see ``fermentable_g_per_l``. Older tables differ by up to 0.02 °Bx and 0.0001 of gravity at table-wine
strength, since they weigh in air.
"""

from typing import Final

from mustwatch.must.bounds import require_gravity, require_within
from mustwatch.must.density import WATER_20_KG_PER_M3, water_density_kg_per_m3
from mustwatch.must.polynomial import Polynomial, derivative, value

SWEETEST_BRIX: Final = 50.0
"""Upper end of what is converted here; ICUMSA's formula goes to 85. Must, even of dried grapes, stays
below."""

LEANEST_BRIX: Final = -14.0
"""Lower end: below 0 a °Brix is apparent, what a scale shows in wine, where alcohol outweighs what sugar is
left."""

BAUME_MODULUS: Final = 144.32
"""Of the rational Baumé scale, defined by water (0) and sulfuric acid of 1.8427 (66) at 15 °C: 66 / (1 -
1/1.8427). From memory. The American tables' 145 at 20 °C comes to the same within 0.02 degrees."""

# Source: ICUMSA Specification and Standard SPS-4 (Bettin and Spieweck), density of sucrose solutions: row j
# holds the coefficients of w, w² … that go with ((t - 20)/100) to the power of j, in kg/m³ above water at t.
# Second-hand: two transcriptions agree but for the fourth coefficient (-3.9643, -3.9646), below 0.0001 kg/m³
# at 50 °Bx.
_C: Final[tuple[Polynomial, ...]] = (
    (0.0, 385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890),
    (0.0, -46.2720, -7.1720, 1.1597, 5.1126, 17.5254),
    (0.0, 59.7712, 7.2491, 12.3630, -35.4791),
    (0.0, -47.2207, -21.6977, 27.6301),
    (0.0, 18.3184, 12.3081),
)
_C20_SLOPE: Final = derivative(_C[0])

FERMENTABLE_PER_OECHSLE: Final = 2.66
NON_SUGAR_G_PER_L: Final = 30.0
"""Sugar of a grape must in g/L is 2.66 °Oe - 30. Source: Dubrunfaut, as reported by Boulton, Singleton,
Bisson and Kunkee (second-hand)."""


def sucrose_density_kg_per_m3(brix: float, temperature_c: float = 20.0) -> float:
    """Return the density of a sucrose solution, kg/m³.

    Args:
        brix: grams of sucrose per 100 g, -14 (apparent) to 50.
        temperature_c: 0 to 60 °C.

    Raises:
        OutOfRangeError: outside of these.

    Source: ICUMSA SPS-4; water as in ``density``.
    """
    require_within("sugar", brix, LEANEST_BRIX, SWEETEST_BRIX, " °Bx")
    w = brix / 100.0
    tau = (temperature_c - 20.0) / 100.0
    density = water_density_kg_per_m3(temperature_c)
    power = 1.0
    for coefficients in _C:
        density += power * value(coefficients, w)
        power *= tau
    return density


def gravity_from_brix(brix: float) -> float:
    """Return the gravity 20/20 of a solution with this many °Brix (-14 to 50).

    Raises:
        OutOfRangeError: outside of this. Source: ICUMSA SPS-4.
    """
    return sucrose_density_kg_per_m3(brix) / WATER_20_KG_PER_M3


def brix_from_gravity(gravity: float) -> float:
    """Return the °Brix of a gravity 20/20 (0.95 to 1.20); below 1.000 an apparent, negative one.

    Raises:
        OutOfRangeError: outside of this. Source: ICUMSA SPS-4, solved by Newton's method.
    """
    require_gravity("gravity", gravity)
    above_water = (gravity - 1.0) * WATER_20_KG_PER_M3
    w = above_water / _C[0][1]
    for _ in range(20):
        step = (value(_C[0], w) - above_water) / value(_C20_SLOPE, w)
        w -= step
        if abs(step) < 1e-15:
            break
    return 100.0 * w


def sugar_g_per_l_from_gravity(gravity: float) -> float:
    """Return what the sugar table says for a gravity 20/20 (1.00 to 1.20): grams per litre, all taken as
    sucrose.

    Below 1.000 the table has no sugar to tell of; 0 is returned.

    Raises:
        OutOfRangeError: the gravity is outside 0.95 to 1.20. Source: mass fraction times density, ICUMSA
            SPS-4.
    """
    return max(0.0, brix_from_gravity(gravity) / 100.0 * gravity * WATER_20_KG_PER_M3)


def fermentable_g_per_l(gravity: float) -> float:
    """Return the sugar a yeast can ferment in a grape must of this gravity 20/20, g/L: non-sugar extract left
    out.

    For fresh must (about 1.04 to 1.13); of a must that ferments already, alcohol hides sugar from the scale,
    see ``alcohol``. Acids, minerals and the like make 25 to 29 g/L of a must's weight by this rule.

    Raises:
        OutOfRangeError: the gravity is outside 0.95 to 1.20.

    Source: Dubrunfaut, as reported by Boulton et al. (second-hand): 2.66 °Oe - 30.
    """
    return max(0.0, FERMENTABLE_PER_OECHSLE * oechsle_from_gravity(gravity) - NON_SUGAR_G_PER_L)


def oechsle_from_gravity(gravity: float) -> float:
    """Return °Oechsle, grams by which a litre outweighs water: 1000 (gravity - 1). By definition, 20/20.

    Raises:
        OutOfRangeError: the gravity is outside 0.95 to 1.20.
    """
    require_gravity("gravity", gravity)
    return 1000.0 * (gravity - 1.0)


def gravity_from_oechsle(oechsle: float) -> float:
    """Return the gravity 20/20 of °Oechsle (-50 to 200).

    Raises:
        OutOfRangeError: outside of this.
    """
    require_within("must weight", oechsle, -50.0, 200.0, " °Oe")
    return 1.0 + oechsle / 1000.0


def baume_from_gravity(gravity: float) -> float:
    """Return degrees Baumé (rational scale, 15/15 °C) of a must whose gravity 20/20 is given (0.95 to 1.20).

    The must's own gravity 15/15 is taken from the sucrose formula, 0.0002 above that at 20/20 at 22 °Bx.

    Raises:
        OutOfRangeError: outside of this. Source: the scale's definition, see ``BAUME_MODULUS``.
    """
    at_15 = sucrose_density_kg_per_m3(brix_from_gravity(gravity), 15.0) / water_density_kg_per_m3(15.0)
    return BAUME_MODULUS * (1.0 - 1.0 / at_15)


def gravity_from_baume(baume: float) -> float:
    """Return the gravity 20/20 of a must that shows these degrees Baumé (-7 to 24).

    Raises:
        OutOfRangeError: outside of this.
    """
    require_within("must weight", baume, -7.0, 24.0, " Baumé")
    gravity = 1.0 / (1.0 - baume / BAUME_MODULUS)
    for _ in range(20):
        step = baume_from_gravity(gravity) - baume
        gravity -= step / BAUME_MODULUS * gravity * gravity
        if abs(step) < 1e-12:
            break
    return gravity
