"""Sugar to reach a gravity, water to come down to one, and two lots made one.

Musts are treated as sucrose solutions (ICUMSA): sugar and water are conserved by mass, and the volume is what
the density of the result makes of it. Wine's contraction on mixing (below 0.2 % at table strength) is left
out.
"""

from dataclasses import dataclass
from typing import Final

from mustwatch.must.alcohol import potential_abv_percent
from mustwatch.must.bounds import OutOfRangeError, require_gravity, require_within
from mustwatch.must.density import WATER_20_KG_PER_M3
from mustwatch.must.sugar import brix_from_gravity, fermentable_g_per_l, gravity_from_brix

LARGEST_LITRES: Final = 1e6

CAUTION: Final = (
    "Dissolve the sugar in some of the must first and add it slowly: dry sugar in a fermenting must foams over. "
    "Many places limit or forbid enrichment of wine for sale: local rules take precedence."
)

WATER_CAUTION: Final = (
    "Water thins acid, colour and taste along with the sugar, and is forbidden in wine for sale in many places: local "
    "rules take precedence."
)

SUCROSE_AS_HEXOSE: Final = 2.0 * 180.156 / 342.297
"""Grams of glucose and fructose from a gram of sucrose. Source: molar masses."""


@dataclass(frozen=True, slots=True)
class Enrichment:
    """What to add to a volume, and what it becomes: grams of sucrose or of water, litres at 20 °C."""

    grams: float
    final_litres: float


@dataclass(frozen=True, slots=True)
class Enriched:
    """What a must or wine is with what was added to it: litres at 20 °C, gravity 20/20."""

    litres: float
    gravity: float


@dataclass(frozen=True, slots=True)
class Blend:
    """Two lots made one: litres at 20 °C, gravity 20/20, alcohol in % vol if both were known."""

    litres: float
    gravity: float
    abv_percent: float | None


def sugar_to_reach(litres: float, gravity: float, target_gravity: float) -> Enrichment:
    """Return the sucrose, grams, that lifts a must to a gravity 20/20, and the volume it then has.

    Args:
        litres: of must, above 0.
        gravity: of the must, 1.000 to 1.20.
        target_gravity: not below ``gravity``, to 1.20.

    Raises:
        OutOfRangeError: outside of these.

    Source: mass balance; densities by ICUMSA SPS-4. Checked: a litre takes up about 0.62 L per kg of sugar.
    """
    _require_litres(litres)
    require_gravity("gravity", gravity, low=1.0)
    require_gravity("target gravity", target_gravity, low=1.0)
    if target_gravity < gravity:
        raise OutOfRangeError(
            f"target gravity {target_gravity:.3f} is below the must's {gravity:.3f}; expected it above: "
            "sugar only lifts it, water brings it down"
        )
    mass_g = litres * gravity * WATER_20_KG_PER_M3
    brix, target = brix_from_gravity(gravity), brix_from_gravity(target_gravity)
    sugar_g = mass_g * (target - brix) / (100.0 - target)
    return Enrichment(sugar_g, (mass_g + sugar_g) / (target_gravity * WATER_20_KG_PER_M3))


def with_added(litres: float, gravity: float, sugar_g: float, water_g: float = 0.0) -> Enriched:
    """Return what a must or wine becomes with sucrose and water dissolved in it.

    Args:
        litres: of must or wine, above 0; its ``gravity`` 20/20, 0.95 to 1.20.
        gravity: before.
        sugar_g: sucrose, grams, 0 or more; ``water_g`` the same.
        water_g: grams.

    Raises:
        OutOfRangeError: outside of these, or more than 50 °Bx.

    Source: mass balance; densities by ICUMSA SPS-4 (a wine is taken at its apparent °Brix).
    """
    _require_litres(litres)
    require_within("sugar", sugar_g, 0.0, 1e9, " g")
    require_within("water", water_g, 0.0, 1e9, " g")
    mass_g = litres * gravity * WATER_20_KG_PER_M3
    sugar_in_all_g = mass_g * brix_from_gravity(gravity) / 100.0 + sugar_g
    mass_g += sugar_g + water_g
    after = gravity_from_brix(100.0 * sugar_in_all_g / mass_g)
    return Enriched(mass_g / (after * WATER_20_KG_PER_M3), after)


def potential_before_and_after(litres: float, gravity: float, added: Enrichment) -> tuple[float, float]:
    """Return the potential alcohol of a must, % vol, before and after sucrose was added to it.

    Sucrose takes up water as the yeast splits it and counts 1.0526 of its weight; the volume it takes thins what
    was there. That is 5 to 10 % less gain than the trade's 17 g/L of must for 1 % vol, which leaves both out.

    Args:
        litres: of must; its ``gravity`` 20/20, 1.000 to 1.20.
        gravity: before.
        added: what ``sugar_to_reach`` returned for it.

    Raises:
        OutOfRangeError: a gravity out of range.

    Source: stoichiometry; ``sugar.fermentable_g_per_l`` for what was there; 16.83 g/L per % vol (EU and OIV).
    """
    fermentable = fermentable_g_per_l(gravity)
    after = (fermentable * litres + SUCROSE_AS_HEXOSE * added.grams) / added.final_litres
    return potential_abv_percent(fermentable), potential_abv_percent(after)


def water_to_reach(litres: float, gravity: float, target_gravity: float) -> Enrichment:
    """Return the water, grams, that brings a must down to a gravity 20/20, and the volume it then has.

    Args:
        litres: of must, above 0.
        gravity: of the must, above 1.000, to 1.20.
        target_gravity: above 1.000, not above ``gravity``.

    Raises:
        OutOfRangeError: outside of these. Source: mass balance; densities by ICUMSA SPS-4.
    """
    _require_litres(litres)
    require_gravity("gravity", gravity, low=1.001)
    require_gravity("target gravity", target_gravity, low=1.001)
    if target_gravity > gravity:
        raise OutOfRangeError(
            f"target gravity {target_gravity:.3f} is above the must's {gravity:.3f}; expected it below: "
            "water only brings it down, sugar lifts it"
        )
    mass_g = litres * gravity * WATER_20_KG_PER_M3
    brix, target = brix_from_gravity(gravity), brix_from_gravity(target_gravity)
    water_g = mass_g * (brix - target) / target
    return Enrichment(water_g, (mass_g + water_g) / (target_gravity * WATER_20_KG_PER_M3))


def blend(
    litres: float,
    gravity: float,
    with_litres: float,
    with_gravity: float,
    *,
    abv_percent: float | None = None,
    with_abv_percent: float | None = None,
) -> Blend:
    """Return what two lots make together, or a lot and what it is topped up with.

    Volumes are added, gravity and alcohol are averaged by volume: exact in mass, within 0.0003 of gravity for
    musts up to 1.10 and water (ICUMSA), and 0.2 % of volume for wines.

    Args:
        litres: of the one, above 0; ``gravity`` 20/20; ``abv_percent`` 0 to 25 % vol, or None if not known.
        gravity: 0.95 to 1.20.
        with_litres: of the other.
        with_gravity: of the other; water is 1.000 and 0 % vol.
        abv_percent: of the one, % vol.
        with_abv_percent: of the other, % vol.

    Raises:
        OutOfRangeError: outside of these. Source: conservation of mass.
    """
    _require_litres(litres)
    _require_litres(with_litres)
    require_gravity("gravity", gravity)
    require_gravity("gravity of the other", with_gravity)
    for abv in (abv_percent, with_abv_percent):
        if abv is not None:
            require_within("alcohol", abv, 0.0, 25.0, " % vol")
    together = litres + with_litres
    strength = (
        None
        if abv_percent is None or with_abv_percent is None
        else (litres * abv_percent + with_litres * with_abv_percent) / together
    )
    return Blend(together, (litres * gravity + with_litres * with_gravity) / together, strength)


def _require_litres(litres: float) -> None:
    require_within("volume", litres, 0.001, LARGEST_LITRES, " L")
