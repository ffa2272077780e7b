"""How must and wine themselves expand: the correction of a reading for a liquid of known kind.

The water ratio (``density.gravity_20_from_reading``) takes every liquid to expand as water does. Must and
wine expand more: at 22 °Bx a glass hydrometer's reading is left 0.0008 too high at 10 °C and 0.0005 too low
at 35 °C, in a wine of 12 % vol 0.0003 and 0.0005 (ICUMSA, OIML). Here the liquid's own density is followed
instead: sucrose for what is dissolved (ICUMSA SPS-4), ethanol and water for the alcohol (OIML R 22). For a
    wine with both, their effects are
added, which neither source states (own derivation); each alone is exact to its source.
"""

from mustwatch.must.bounds import require_gravity, require_within
from mustwatch.must.density import (
    READING_HIGH,
    READING_LOW,
    WATER_20_KG_PER_M3,
    water_density_kg_per_m3,
)
from mustwatch.must.ethanol import (
    WARMEST_C,
    WEAKEST_C,
    ethanol_density_kg_per_m3,
    mass_fraction_from_abv_percent,
)
from mustwatch.must.sugar import brix_from_gravity, sucrose_density_kg_per_m3


def liquid_density_kg_per_m3(gravity: float, temperature_c: float, *, abv_percent: float = 0.0) -> float:
    """Return the density at a temperature of a must or wine, kg/m³.

    Args:
        gravity: 20/20 of the liquid, 0.95 to 1.20.
        temperature_c: 0 to 40 °C.
        abv_percent: its alcohol, 0 to 25 % vol; the rest of its gravity is taken to be dissolved sucrose.

    Raises:
        OutOfRangeError: outside of these.
    """
    require_gravity("gravity", gravity)
    require_within("temperature", temperature_c, WEAKEST_C, WARMEST_C, " °C")
    require_within("alcohol", abv_percent, 0.0, 25.0, " % vol")
    density = gravity * WATER_20_KG_PER_M3
    p = mass_fraction_from_abv_percent(abv_percent)
    by_ethanol_20 = ethanol_density_kg_per_m3(p) - ethanol_density_kg_per_m3(0.0)
    by_ethanol = ethanol_density_kg_per_m3(p, temperature_c) - ethanol_density_kg_per_m3(0.0, temperature_c)
    as_if_without = (density - by_ethanol_20) / WATER_20_KG_PER_M3
    return sucrose_density_kg_per_m3(brix_from_gravity(as_if_without), temperature_c) + by_ethanol


def gravity_20_of_liquid(
    gravity: float,
    temperature_c: float,
    *,
    abv_percent: float = 0.0,
    calibrated_at_c: float = 20.0,
    expansion_per_k: float = 0.0,
) -> float:
    """Return the gravity 20/20 of a must or wine from a reading, by the liquid's own expansion and the
    scale's.

    Args:
        gravity: as read, 0.90 to 1.30, of a liquid between 0.95 and 1.20.
        temperature_c: of the liquid, 0 to 40 °C.
        abv_percent: alcohol of the liquid, 0 to 25 % vol.
        calibrated_at_c: of the water at which the scale shows 1.000, °C.
        expansion_per_k: volumetric expansion of the instrument, 1/K.

    Raises:
        OutOfRangeError: outside of these.

    Source: ICUMSA SPS-4 and OIML R 22, solved by secant steps for the gravity whose density was read.
    """
    require_gravity("gravity", gravity, READING_LOW, READING_HIGH)
    read = gravity * water_density_kg_per_m3(calibrated_at_c)
    read *= 1.0 - expansion_per_k * (temperature_c - calibrated_at_c)
    result = read / water_density_kg_per_m3(temperature_c)
    for _ in range(30):
        step = (
            liquid_density_kg_per_m3(result, temperature_c, abv_percent=abv_percent) - read
        ) / WATER_20_KG_PER_M3
        result -= step
        if abs(step) < 1e-12:
            break
    return result
