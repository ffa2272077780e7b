"""Density of ethanol and water, and alcohol by volume: the international alcoholometric formula.

Source: OIML International Recommendation R 22 (1975), general formula: density in kg/m³ as a function of the
    mass
fraction p of ethanol and the temperature t, with 20 coefficients in p and d = t - 20 °C. Checked against the values
tabulated by the recommendation and against a reference library in tests/reference.
"""

from typing import Final

from mustwatch.must.bounds import require_within
from mustwatch.must.polynomial import Polynomial, derivative, value

ETHANOL_20_KG_PER_M3: Final = 789.24
"""Density of pure ethanol at 20 °C, by which alcohol by volume is defined. Source: OIML R 22 (1975)."""

WEAKEST_C: Final = 0.0
WARMEST_C: Final = 40.0
"""Where the formula is used here; OIML R 22 states -20 to 40 °C, must and wine do not go below 0."""

# Source for all: OIML R 22 (1975). _A in powers of p at 20 °C; _B in powers of d, for water; _C[i] holds the
# coefficients of p, p² … that go with d to the power of i + 1.
_A: Final[Polynomial] = (
    998.20123, -192.9769495, 389.1238958, -1668.103923, 13522.15441, -88292.78388, 306287.4042, -613838.1234,
    747017.2998, -547846.1354, 223446.0334, -39032.85426,
)  # fmt: skip
_B: Final[Polynomial] = (
    0.0, -0.20618513, -5.2682542e-3, 3.6130013e-5, -3.8957702e-7, 7.1693540e-9, -9.9739231e-11,
)  # fmt: skip
_C: Final[tuple[Polynomial, ...]] = (
    (
        0.0, 0.1693443461530087, -10.46914743455169, 71.96353469546523, -704.7478054272792, 3924.090430035045,
        -12101.64659068747, 22486.46550400788, -26055.62982188164, 18523.73922069467, -7420.201433430137,
        1285.617841998974,
    ),
    (
        0.0, -0.01193013005057010, 0.2517399633803461, -2.170575700536993, 13.53034988843029,
        -50.29988758547014, 109.6355666577570, -142.2753946421155, 108.0435942856230, -44.14153236817392,
        7.442971530188783,
    ),
    (
        0.0, -6.802995733503803e-4, 1.876837790289664e-2, -0.2002561813734156, 1.022992966719220,
        -2.895696483903638, 4.810060584300675, -4.672147440794683, 2.458043105903461, -0.5411227621436812,
    ),
    (0.0, 4.075376675622027e-6, -8.763058573471110e-6, 6.515031360099368e-6, -1.515784836987210e-6),
    (0.0, -2.788074354782409e-8, 1.345612883493354e-8),
)  # fmt: skip
_A_SLOPE: Final = derivative(_A)


def ethanol_density_kg_per_m3(mass_fraction: float, temperature_c: float = 20.0) -> float:
    """Return the density of ethanol and water, kg/m³.

    Args:
        mass_fraction: of ethanol, 0 to 1.
        temperature_c: 0 to 40 °C.

    Raises:
        OutOfRangeError: outside of these.

    Source: OIML R 22 (1975).
    """
    require_within("mass fraction of ethanol", mass_fraction, 0.0, 1.0)
    require_within("temperature", temperature_c, WEAKEST_C, WARMEST_C, " °C")
    d = temperature_c - 20.0
    density = value(_A, mass_fraction) + value(_B, d)
    power = 1.0
    for coefficients in _C:
        power *= d
        density += power * value(coefficients, mass_fraction)
    return density


def mass_fraction_from_abv_percent(abv_percent: float) -> float:
    """Return the mass fraction of ethanol that has this alcohol by volume, % vol at 20 °C (0 to 100).

    Raises:
        OutOfRangeError: outside 0 to 100 % vol.
    """
    require_within("alcohol", abv_percent, 0.0, 100.0, " % vol")
    ethanol_kg_per_m3 = abv_percent / 100.0 * ETHANOL_20_KG_PER_M3
    p = ethanol_kg_per_m3 / 1000.0
    for _ in range(20):
        density = value(_A, p)
        step = (p * density - ethanol_kg_per_m3) / (density + p * value(_A_SLOPE, p))
        p -= step
        if abs(step) < 1e-14:
            break
    return min(max(p, 0.0), 1.0)


def gravity_of_ethanol(abv_percent: float) -> float:
    """Return the gravity 20/20 of ethanol and water with this alcohol by volume, % vol (0 to 100).

    Against the water of the same formula, which is 0.0055 kg/m³ lighter at 20 °C than the CIPM's.
    """
    return value(_A, mass_fraction_from_abv_percent(abv_percent)) / _A[0]
