"""Sulfur dioxide: the molecular share by pH, and the dose of sulfite that brings it there.

Only molecular SO2 holds microbes back; how much of the free SO2 is molecular hangs on pH alone to a first
approximation. Doses are stoichiometry, and say nothing of how much a wine binds: measure free SO2 again
afterwards.
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from mustwatch.must.bounds import OutOfRangeError, require_within

PKA: Final = 1.81
"""First dissociation of sulfurous acid in water at 25 °C, the constant behind the trade's tables.

In wine it is higher, about 1.9 to 2.0 at 10 to 13 % vol and 20 °C (Usseglio-Tomasset and Bosia 1984, from
memory), and 1.77 is in use too. A higher one makes more of the free SO2 molecular, so 1.81 asks for rather
too much than too little. No table by alcohol could be checked here, so none is built in: give ``pka`` if you have
one. How it moves with temperature is ``pka_at``.
"""

PKA_IN_WINE: Final = 2.0
"""The upper end for table wine (from memory, as above), for showing what the choice of pKa does."""

PKA_AT_C: Final = 25.0
IN_WINE_AT_C: Final = 20.0
"""The temperatures that ``PKA`` and ``PKA_IN_WINE`` are given for, °C."""

DISSOCIATION_J_PER_MOL: Final = -17_785.0
"""Enthalpy of the first dissociation, J/mol. Source: Goldberg and Parker 1985, from the thermodynamic database "sit"
that comes with PHREEQC; the database "llnl" beside it has -17,401."""

ZERO_C_IN_K: Final = 273.15
GAS_CONSTANT: Final = 8.314462618
"""J/(mol K), exact by the SI."""

LOWEST_PH: Final = 2.5
HIGHEST_PH: Final = 4.5
"""Beyond every wine (2.8 to 4.2); common practice."""

TOTAL_LIMIT_MG_PER_L: Final = 200.0
"""Default for total SO2 when no profile says otherwise. Limits are law and differ by wine and country; in the
EU 150 for dry red and 200 for dry white and rosé, more for sweet (Regulation (EU) 2019/934, from memory)."""

CAUTION: Final = (
    "Sulfite dust and SO2 irritate the lungs and can trigger asthma: weigh it in moving air, never over a hot or "
    "acid liquid, keep it from children; its label and your local limits take precedence."
)
BINDING: Final = (
    "Part of any addition binds: free SO2 rises by only about a third to three quarters of it. Measure again after a "
    "day. Do not add sulfite while the must ferments."
)


class Salt(StrEnum):
    """What is weighed out."""

    POTASSIUM = "potassium"
    """Potassium metabisulfite, K2S2O5."""
    SODIUM = "sodium"
    """Sodium metabisulfite, Na2S2O5."""


SO2_SHARE: Final = {Salt.POTASSIUM: 2 * 64.06 / 222.31, Salt.SODIUM: 2 * 64.06 / 190.10}
"""Grams of SO2 in a gram of the pure salt: 0.5763 and 0.6740. Source: atomic weights; old stock has less."""


class LimitError(ValueError):
    """The dose would take total SO2 over the limit. The message is one line."""


@dataclass(frozen=True, slots=True)
class Dose:
    """What to add, and where it leads.

    Attributes:
        free_target_mg_per_l: free SO2 to aim for.
        addition_mg_per_l: SO2 to add, 0 if there is enough.
        salt_g: of the dry salt, grams.
        total_after_mg_per_l: total SO2 after it, at least (exact where the total before was given).
    """

    free_target_mg_per_l: float
    addition_mg_per_l: float
    salt_g: float
    total_after_mg_per_l: float


def pka_at(celsius: float, *, pka: float = PKA, known_at_c: float = PKA_AT_C) -> float:
    """Return the pKa at a temperature (0 to 40 °C) of one that is known at another: 0.1 less at 15 than at 25 °C.

    Raises:
        OutOfRangeError: a temperature out of range.

    Source: van 't Hoff's equation with ``DISSOCIATION_J_PER_MOL``.
    """
    require_within("temperature", celsius, 0.0, 40.0, " °C")
    inverse = 1.0 / (celsius + ZERO_C_IN_K) - 1.0 / (known_at_c + ZERO_C_IN_K)
    return pka + DISSOCIATION_J_PER_MOL / (GAS_CONSTANT * math.log(10.0)) * inverse


def molecular_fraction(ph: float, *, pka: float = PKA) -> float:
    """Return the share of free SO2 that is molecular, 0..1.

    Args:
        ph: 2.5 to 4.5.
        pka: 1.5 to 2.6.

    Raises:
        OutOfRangeError: outside of these, with a guess at a lost decimal point in a pH.

    Source: Henderson and Hasselbalch; see ``PKA``.
    """
    if not LOWEST_PH <= ph <= HIGHEST_PH:
        meant = next((ph / by for by in (10.0, 100.0) if LOWEST_PH <= ph / by <= HIGHEST_PH), None)
        hint = f"; did you mean {meant:g}?" if meant is not None else ""
        raise OutOfRangeError(f"pH {ph:g} is out of range; expected {LOWEST_PH:g} to {HIGHEST_PH:g}{hint}")
    require_within("pKa", pka, 1.5, 2.6)
    return 1.0 / (1.0 + math.pow(10.0, ph - pka))


def free_so2_mg_per_l(molecular_mg_per_l: float, ph: float, *, pka: float = PKA) -> float:
    """Return the free SO2, mg/L, that holds this much molecular SO2, mg/L (0 to 5), at a pH.

    Raises:
        OutOfRangeError: as ``molecular_fraction``, or molecular SO2 out of range.
    """
    require_within("molecular SO2", molecular_mg_per_l, 0.0, 5.0, " mg/L")
    return molecular_mg_per_l / molecular_fraction(ph, pka=pka)


def salt_g(so2_mg_per_l: float, litres: float, *, salt: Salt = Salt.POTASSIUM) -> float:
    """Return grams of metabisulfite that bring this much SO2, mg/L (0 to 1000), into a volume in litres.

    Raises:
        OutOfRangeError: outside of these, or a volume not above 0. Source: stoichiometry.
    """
    require_within("SO2", so2_mg_per_l, 0.0, 1000.0, " mg/L")
    require_within("volume", litres, 0.001, 1e6, " L")
    return so2_mg_per_l * litres / 1000.0 / SO2_SHARE[salt]


def stock_ml(grams: float, stock_percent: float) -> float:
    """Return millilitres of a stock solution that hold this much salt.

    Args:
        grams: of salt, 0 or more.
        stock_percent: grams of salt in 100 mL of the solution, 1 to 30 (usual: 10).

    Raises:
        OutOfRangeError: outside of these.
    """
    require_within("sulfite", grams, 0.0, 1e6, " g")
    require_within("strength of the stock solution", stock_percent, 1.0, 30.0, " g per 100 mL")
    return 100.0 * grams / stock_percent


@dataclass(frozen=True, slots=True)
class Asked:
    """What a dose is asked for.

    Attributes:
        litres: of wine, above 0.
        ph: of the wine, 2.5 to 4.5.
        molecular_mg_per_l: to reach, 0 to 5; usual: 0.5 for red, 0.8 for white (common practice).
        free_now_mg_per_l: free SO2 measured before.
        total_now_mg_per_l: total SO2 measured before, or None: then the free is all that is known of.
        limit_mg_per_l: of total SO2 that must not be passed.
        salt: what is weighed out.
        pka: see ``PKA``.
    """

    litres: float
    ph: float
    molecular_mg_per_l: float
    free_now_mg_per_l: float = 0.0
    total_now_mg_per_l: float | None = None
    limit_mg_per_l: float = TOTAL_LIMIT_MG_PER_L
    salt: Salt = Salt.POTASSIUM
    pka: float = PKA


def dose(asked: Asked) -> Dose:
    """Return what to add to reach a molecular SO2, if nothing of it binds.

    Raises:
        OutOfRangeError: a value out of range.
        LimitError: total SO2 would come to more than the limit.

    Source: the formulas above.
    """
    target = free_so2_mg_per_l(asked.molecular_mg_per_l, asked.ph, pka=asked.pka)
    free, total, limit = asked.free_now_mg_per_l, asked.total_now_mg_per_l, asked.limit_mg_per_l
    require_within("free SO2 now", free, 0.0, 1000.0, " mg/L")
    require_within("limit of total SO2", limit, 0.0, 1000.0, " mg/L")
    before = free if total is None else total
    if not free <= before <= 2000.0:
        raise OutOfRangeError(
            f"total SO2 now {before:g} mg/L is out of range; expected the free {free:g} mg/L or more, to 2000"
        )
    addition = max(0.0, target - free)
    if addition and before + addition > limit:
        raise LimitError(
            f"total SO2 would come to {before + addition:.0f} mg/L, over the limit of {limit:g} mg/L: "
            f"pH {asked.ph:g} asks for {target:.0f} mg/L free; lower the pH or the target"
        )
    return Dose(
        free_target_mg_per_l=target,
        addition_mg_per_l=addition,
        salt_g=salt_g(addition, asked.litres, salt=asked.salt),
        total_after_mg_per_l=before + addition,
    )
