"""Water density, and what a hydrometer's or float's reading at one temperature is at 20/20 °C."""

from typing import Final

from mustwatch.must.bounds import OutOfRangeError, require_gravity

COLDEST_C: Final = 0.0
HOTTEST_C: Final = 60.0
"""Where ``water_density_kg_per_m3`` holds; no must is warmer."""

READING_LOW: Final = 0.90
READING_HIGH: Final = 1.30
"""What a scale can show before correction: wider than must and wine, since a hot must reads low."""

GLASS_EXPANSION_PER_K: Final = 25e-6
"""Volumetric expansion of a glass hydrometer, 1/K. Source: ISO 1768:1975, the conventional value."""


def water_density_kg_per_m3(temperature_c: float) -> float:
    """Return the density of air-free water at atmospheric pressure, kg/m³, for 0 to 60 °C.

    Up to 40 °C the CIPM formula (uncertainty below 0.001 kg/m³); above it Kell's, scaled by less than one
    part in a million so that the two meet at 40 °C.

    Raises:
        OutOfRangeError: the temperature is outside 0..60 °C, or is not a number.

    Source: Tanaka et al. 2001, Metrologia 38:301, doi 10.1088/0026-1394/38/4/3 (the formula recommended by the
    CIPM); Kell 1975, J. Chem. Eng. Data 20:97, doi 10.1021/je60064a005 (0-150 °C).
    """
    if 0.0 <= temperature_c <= 40.0:
        from_maximum = temperature_c - 3.983035
        shape = (temperature_c + 301.797) / (522528.9 * (temperature_c + 69.34881))
        return 999.974950 * (1.0 - from_maximum * from_maximum * shape)
    if 40.0 < temperature_c <= HOTTEST_C:
        return water_density_kell_kg_per_m3(temperature_c) * _KELL_TO_CIPM
    raise OutOfRangeError(
        f"temperature {temperature_c:g} °C is out of range; expected {COLDEST_C:g} to {HOTTEST_C:g} °C"
    )


def water_density_kell_kg_per_m3(temperature_c: float) -> float:
    """Return the density of water by Kell's formula, kg/m³, 0 to 150 °C (not checked: for comparison).

    Source: Kell 1975, J. Chem. Eng. Data 20:97, doi 10.1021/je60064a005, equation 16.
    """
    t = temperature_c
    above = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 + t * -280.54253e-12)))
    )
    return above / (1.0 + 16.879850e-3 * t)


_KELL_TO_CIPM: Final = water_density_kg_per_m3(40.0) / water_density_kell_kg_per_m3(40.0)

WATER_20_KG_PER_M3: Final = water_density_kg_per_m3(20.0)
"""Density of water at 20 °C, the denominator of every gravity 20/20."""


def gravity_20_from_reading(
    gravity: float, temperature_c: float, *, calibrated_at_c: float = 20.0, expansion_per_k: float = 0.0
) -> float:
    """Return the gravity 20/20 °C of a liquid whose scale showed ``gravity`` at ``temperature_c``.

    The instrument's scale is against water at ``calibrated_at_c``; the liquid is taken to expand as water
    does (the "water ratio"). Both the must's stronger expansion and the instrument's are left out by default,
    because they nearly cancel: the plain ratio is within 0.0008 for 10-35 °C and 0-22 °Bx, and adding the
    glass term alone makes must and wine worse. ``mustwatch.must.expansion`` has the exact correction for a
    known liquid.

    Args:
        gravity: as read, 0.90 to 1.30.
        temperature_c: of the liquid at the reading, 0 to 60 °C.
        calibrated_at_c: of the water at which the scale shows 1.000, °C (usual: 15, 15.56 or 20).
        expansion_per_k: volumetric expansion of the instrument, 1/K (glass 25e-6; a plastic float many times
            that).

    Raises:
        OutOfRangeError: a gravity or temperature outside of the above.

    Source: Archimedes; the water densities above; the term for the instrument as in ISO 1768:1975.
    """
    if not READING_LOW <= gravity <= READING_HIGH:
        require_gravity("gravity", gravity, READING_LOW, READING_HIGH)
    at_scale = WATER_20_KG_PER_M3 if calibrated_at_c == 20.0 else water_density_kg_per_m3(calibrated_at_c)
    corrected = gravity * (at_scale / water_density_kg_per_m3(temperature_c))
    if expansion_per_k:
        corrected *= 1.0 - expansion_per_k * (temperature_c - calibrated_at_c)
    return corrected


def reading_from_gravity_20(
    gravity: float, temperature_c: float, *, calibrated_at_c: float = 20.0, expansion_per_k: float = 0.0
) -> float:
    """Return what a scale shows at a temperature in a liquid of ``gravity`` 20/20: the inverse of the above.

    Raises:
        OutOfRangeError: as ``gravity_20_from_reading``.
    """
    require_gravity("gravity", gravity, READING_LOW, READING_HIGH)
    shown = gravity * water_density_kg_per_m3(temperature_c) / water_density_kg_per_m3(calibrated_at_c)
    return shown / (1.0 - expansion_per_k * (temperature_c - calibrated_at_c))
