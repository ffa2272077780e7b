"""Alcohol so far, alcohol to come and the sugar that is left, from gravities 20/20 °C.

A hydrometer weighs sugar and alcohol together, so no formula from two gravities is an analysis; an official
figure takes distillation (OIV-MA-AS312-01). Four published ways are computed here and their spread is shown.
The default is the *balance*: each % vol stands for 16.83 g/L of sugar gone (the conversion of EU and OIV),
and the wine weighs what ethanol and water weigh (OIML R 22) plus what its dissolved solids add (Tabarié). It
alone is made of a wine laboratory's own parts, and it gives the residual sugar by the same account. The
others are older and read higher, by 2 to 4 % of the figure (the trade's factor) or 5 to 6 % (Balling, whose
constants are a brewer's).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import hypot
from typing import Final

from mustwatch.must.bounds import OutOfRangeError, require_gravity, require_within
from mustwatch.must.ethanol import gravity_of_ethanol
from mustwatch.must.sugar import brix_from_gravity, fermentable_g_per_l

SUGAR_G_PER_L_PER_ABV: Final = 16.83
"""Sugar, g/L, that makes 1 % vol: 0.469 g of ethanol per g. Source: EU and OIV texts (second-hand)."""

SUGAR_PER_ABV_LEAST: Final = 16.5
SUGAR_PER_ABV_MOST: Final = 18.0
"""The honest range of it: 16.5 to 17.2 across strains (trade laboratory, second-hand), 17.5 to 18 where the
trade counts cautiously (common practice)."""

GRAVITY_PER_G_PER_L: Final = 0.000385
"""What a gram per litre of dissolved solids adds to gravity: 0.000386 dilute, 0.000384 at 22 °Bx (ICUMSA)."""

READING_SD: Final = 0.0014
"""Standard error of a difference of two hydrometer readings of 0.001 each. Common practice."""

METHOD_SHARE: Final = 0.037
"""Share of the alcohol by which any figure from gravities may be off: 0.5 % vol at 13.5. Common practice."""

GRAVITY_PER_ABV: Final = 1.0 / 128.0
"""Fall of gravity per % vol in a table wine by the balance: 1/126.7 at 5 % vol, 1/128.9 at 14 (OIML R 22)."""

GREATEST_FALL: Final = 0.17
"""More than this, 21 % vol, no yeast makes. Common practice (18 % is strong)."""

RESIDUAL_MARGIN_G_PER_L: Final = 8.0
"""Half the honest range of residual sugar: extract other than sugar is 15 to 35 g/L and 16.83 varies with the yeast.
Own estimate from those ranges; a test for reducing sugar is worth far more."""


class Method(StrEnum):
    """The published ways from two gravities to alcohol by volume."""

    BALANCE = "balance"
    """OIML R 22 ethanol, Tabarié extract, 16.83 g/L of sugar per % vol."""
    BALLING = "balling"
    """Balling: 2.0665 g of extract make 1 g of ethanol, 0.9565 g of CO2 and 0.11 g of yeast."""
    FACTOR = "factor"
    """131.25 times the fall in gravity: 1.05 g ethanol per g CO2, made volume by 1.25."""
    MASS_LOSS = "mass-loss"
    """The same without its averages: 100 · 1.05 / 0.79 · fall / final gravity."""


SOURCES: Final[Mapping[Method, str]] = {
    Method.BALANCE: "OIML R 22 (1975); Tabarié (OIV-MA-AS2-03B); 16.83 g/L per % vol (EU and OIV)",
    Method.BALLING: "Balling's 2.0665 g extract per g ethanol (from memory)",
    Method.FACTOR: "trade rule 131.25, from 1.05 g ethanol per g CO2",
    Method.MASS_LOSS: "1.05 g ethanol per g CO2 and 0.79 kg/L, un-averaged",
}


@dataclass(frozen=True, slots=True)
class Alcohol:
    """What two gravities tell.

    Attributes:
        abv_percent: by the default method, % vol.
        abv_range_percent: least and greatest that the methods and a hydrometer's error allow, % vol.
        residual_sugar_g_per_l: sugar left by the balance, g/L, never below 0.
        residual_range_g_per_l: its honest range, g/L.
        by_method: % vol by every method.
    """

    abv_percent: float
    abv_range_percent: tuple[float, float]
    residual_sugar_g_per_l: float
    residual_range_g_per_l: tuple[float, float]
    by_method: Mapping[Method, float]


def abv_percent(from_gravity: float, to_gravity: float) -> float:
    """Return the alcohol made while gravity 20/20 fell, % vol, by the balance; 0 where it has not fallen.

    Args:
        from_gravity: before fermentation, 0.95 to 1.20.
        to_gravity: now, 0.95 to 1.20. A little above ``from_gravity`` is noise, and no alcohol.

    Raises:
        OutOfRangeError: outside of these, or a fall of more than 0.17 (no yeast makes 21 % vol).

    Source: see ``Method.BALANCE``.
    """
    _require(from_gravity, to_gravity)
    fall = from_gravity - to_gravity
    if fall <= 0.0:
        return 0.0
    abv = 128.0 * fall
    for _ in range(30):
        # The fall per % vol hardly changes with alcohol: steps by its mean close in tenfold or better each
        # time.
        step = (fall - _fall_of(abv)) * 128.0
        abv += step
        if abs(step) < 1e-9:
            break
    return abv


def residual_sugar_g_per_l(from_gravity: float, to_gravity: float) -> float:
    """Return the sugar left in a fermenting grape must, g/L: what it had less 16.83 g/L for each % vol made.

    Raises:
        OutOfRangeError: as ``abv_percent``.

    Source: the balance; ``sugar.fermentable_g_per_l`` for what there was. Good to about 8 g/L.
    """
    made = abv_percent(from_gravity, to_gravity)
    return max(0.0, fermentable_g_per_l(from_gravity) - SUGAR_G_PER_L_PER_ABV * made)


def potential_abv_percent(sugar_g_per_l: float) -> float:
    """Return the alcohol that fermentable sugar, g/L (0 to 600), can make, % vol, at 16.83 g/L each.

    Raises:
        OutOfRangeError: outside of this. Source: EU and OIV conversion.
    """
    require_within("sugar", sugar_g_per_l, 0.0, 600.0, " g/L")
    return sugar_g_per_l / SUGAR_G_PER_L_PER_ABV


def potential_range_percent(sugar_g_per_l: float) -> tuple[float, float]:
    """Return the least and greatest alcohol that this sugar, g/L, makes across yeasts and counts, % vol."""
    require_within("sugar", sugar_g_per_l, 0.0, 600.0, " g/L")
    return sugar_g_per_l / SUGAR_PER_ABV_MOST, sugar_g_per_l / SUGAR_PER_ABV_LEAST


def alcohol(from_gravity: float, to_gravity: float) -> Alcohol:
    """Return alcohol so far by every method, the honest range, and the residual sugar.

    The range spans the methods, and the default by two hydrometer errors and the share any such figure may be
    off.

    Raises:
        OutOfRangeError: a gravity outside 0.95 to 1.20, one that rose, or a fall no yeast makes.
    """
    _require(from_gravity, to_gravity)
    if to_gravity > from_gravity:
        raise OutOfRangeError(
            f"gravity rose from {from_gravity:.4f} to {to_gravity:.4f}; expected it to fall: are they swapped?"
        )
    by_method = {method: compute(from_gravity, to_gravity) for method, compute in _METHODS.items()}
    default = by_method[Method.BALANCE]
    margin = hypot(READING_SD / GRAVITY_PER_ABV, METHOD_SHARE * default)
    residual = residual_sugar_g_per_l(from_gravity, to_gravity)
    return Alcohol(
        abv_percent=default,
        abv_range_percent=(
            max(0.0, min(default - margin, *by_method.values())),
            max(default + margin, *by_method.values()),
        ),
        residual_sugar_g_per_l=residual,
        residual_range_g_per_l=(
            max(0.0, residual - RESIDUAL_MARGIN_G_PER_L),
            residual + RESIDUAL_MARGIN_G_PER_L,
        ),
        by_method=by_method,
    )


def _fall_of(abv: float) -> float:
    """Return by how much gravity falls while this alcohol is made and its sugar goes."""
    return 1.0 - gravity_of_ethanol(abv) + GRAVITY_PER_G_PER_L * SUGAR_G_PER_L_PER_ABV * abv


def _balling(from_gravity: float, to_gravity: float) -> float:
    """Source: Balling (from memory): real extract 0.1808 OE + 0.8192 AE; % mass (OE - RE)/(2.0665 - 0.010665
    OE)."""
    original = brix_from_gravity(from_gravity)
    apparent = brix_from_gravity(to_gravity)
    real = 0.1808 * original + 0.8192 * apparent
    mass_percent = (original - real) / (2.0665 - 0.010665 * original)
    return mass_percent * to_gravity / 0.79066


def _factor(from_gravity: float, to_gravity: float) -> float:
    """Source: trade rule; 105 to % mass, times 1.25 to % vol."""
    return 131.25 * (from_gravity - to_gravity)


def _mass_loss(from_gravity: float, to_gravity: float) -> float:
    """Source: the trade rule before averaging, 46.07/44.01 = 1.047 g of ethanol per g of CO2 taken as 1.05."""
    return 100.0 * 1.05 / 0.79 * (from_gravity - to_gravity) / to_gravity


_METHODS: Final[Mapping[Method, Callable[[float, float], float]]] = {
    Method.BALANCE: abv_percent,
    Method.BALLING: _balling,
    Method.FACTOR: _factor,
    Method.MASS_LOSS: _mass_loss,
}


def _require(from_gravity: float, to_gravity: float) -> None:
    """Raise OutOfRangeError for gravities no must has, and for a fall no yeast makes."""
    require_gravity("gravity at the start:", from_gravity)
    require_gravity("gravity now:", to_gravity)
    if from_gravity - to_gravity > GREATEST_FALL:
        raise OutOfRangeError(
            f"a fall from {from_gravity:.3f} to {to_gravity:.3f} is more than any yeast makes; "
            f"expected {GREATEST_FALL:.2f} or less: was sugar added on the way, or a digit lost?"
        )
