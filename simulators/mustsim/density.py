"""Densities the simulated truth rests on: water, ethanol-water, and must as ethanol-water plus dissolved extract.

Written apart from the daemon's own arithmetic on purpose: a mistake made there cannot hide here.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

GRAVITY_PER_G_PER_L: Final = 0.000384
"""Gravity per g/L of sugar or other extract. Source: slope of ICUMSA SPS-4 sucrose at 20 °C near 22 °Bx."""
OIML_WATER: Final = 998.20123
"""Water at 20 °C in the OIML formula, kg/m³ (its A1)."""

_A: Final = (
    998.20123, -192.9769495, 389.1238958, -1668.103923, 13522.15441, -88292.78388, 306287.4042,
    -613838.1234, 747017.2998, -547846.1354, 223446.0334, -39032.85426,
)  # fmt: skip
_B: Final = (-0.20618513, -5.2682542e-3, 3.6130013e-5, -3.8957702e-7, 7.1693540e-9, -9.9739231e-11)
_C: Final = (
    (0.1693443461530087, -10.46914743455169, 71.96353469546523, -704.7478054272792, 3924.090430035045,
     -12101.64659068747, 22486.46550400788, -26055.62982188164, 18523.73922069467, -7420.201433430137,
     1285.617841998974),
    (-0.01193013005057010, 0.2517399633803461, -2.170575700536993, 13.53034988843029, -50.29988758547014,
     109.6355666577570, -142.2753946421155, 108.0435942856230, -44.14153236817392, 7.442971530188783),
    (-6.802995733503803e-4, 1.876837790289664e-2, -0.2002561813734156, 1.022992966719220,
     -2.895696483903638, 4.810060584300675, -4.672147440794683, 2.458043105903461, -0.5411227621436812),
    (4.075376675622027e-6, -8.763058573471110e-6, 6.515031360099368e-6, -1.515784836987210e-6),
    (-2.788074354782409e-8, 1.345612883493354e-8),
)  # fmt: skip


def water_density(temperature_c: FloatArray | float) -> FloatArray:
    """Return the density of air-free water in kg/m³, 0-40 °C.

    Source: Tanaka et al. 2001, Metrologia 38:301 (the CIPM formula), doi 10.1088/0026-1394/38/4/3.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(
        999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881))), dtype=np.float64
    )


WATER_20: Final = float(water_density(20.0))


def ethanol_water_density(mass_fraction: FloatArray | float, temperature_c: float = 20.0) -> FloatArray:
    """Return the density of ethanol-water in kg/m³ for an ethanol mass fraction of 0-1, -20 to 40 °C.

    Source: OIML R22 (1975), International alcoholometric tables.
    """
    p = np.asarray(mass_fraction, dtype=np.float64)
    d = temperature_c - 20.0
    rho = sum(a * p**k for k, a in enumerate(_A)) + sum(b * d**k for k, b in enumerate(_B, start=1))
    for i, coefficients in enumerate(_C, start=1):
        rho = rho + sum(c * p**k for k, c in enumerate(coefficients, start=1)) * d**i
    return np.asarray(rho, dtype=np.float64)


def ethanol_gravity_exact(ethanol_g_per_l: FloatArray) -> FloatArray:
    """Return gravity 20/20 of ethanol-water from its grams of ethanol per litre (0-250)."""
    rho = np.full_like(ethanol_g_per_l, 980.0)
    for _ in range(30):  # p = E / rho(p) contracts quickly: dilute ethanol barely changes the density
        rho = ethanol_water_density(ethanol_g_per_l / rho)
    return np.asarray(rho / OIML_WATER, dtype=np.float64)


_GRID: Final[FloatArray] = np.arange(0.0, 251.0)
_TABLE: Final[FloatArray] = ethanol_gravity_exact(_GRID)
_TABLE_LIST: Final[list[float]] = _TABLE.tolist()
_SLOPE: Final[FloatArray] = np.gradient(_TABLE, _GRID)


def must_gravity(
    sugar_g_per_l: FloatArray, ethanol_g_per_l: FloatArray, extract_g_per_l: FloatArray | float
) -> FloatArray:
    """Return the gravity 20/20 of a fermenting must: OIML ethanol-water plus what is dissolved in it."""
    dissolved = GRAVITY_PER_G_PER_L * (sugar_g_per_l + extract_g_per_l)
    return np.asarray(np.interp(ethanol_g_per_l, _GRID, _TABLE) + dissolved, dtype=np.float64)


def must_gravity_at(sugar_g_per_l: float, ethanol_g_per_l: float, extract_g_per_l: float) -> float:
    """Return ``must_gravity`` of a single state, fast enough to be asked at every step."""
    low = min(int(max(ethanol_g_per_l, 0.0)), len(_TABLE_LIST) - 2)
    alcohol = _TABLE_LIST[low] + (_TABLE_LIST[low + 1] - _TABLE_LIST[low]) * (ethanol_g_per_l - low)
    return alcohol + GRAVITY_PER_G_PER_L * (sugar_g_per_l + extract_g_per_l)


def gravity_slope(ethanol_g_per_l: FloatArray) -> FloatArray:
    """Return the change of gravity 20/20 per g/L of ethanol (negative)."""
    return np.asarray(np.interp(ethanol_g_per_l, _GRID, _SLOPE), dtype=np.float64)


def shown_gravity(gravity: FloatArray, temperature_c: FloatArray) -> FloatArray:
    """Return what a float shows at the must's temperature against water at 20 °C, for a gravity 20/20.

    The plain water ratio: must is taken to expand like water. What it expands more (up to 0.0008 of gravity
    between 10 and 35 °C) is among a float's own cross-sensitivity.
    """
    return np.asarray(gravity * water_density(temperature_c) / WATER_20, dtype=np.float64)
