"""What an addition is for, told from its words when the winemaker did not say it outright."""

from collections.abc import Mapping
from enum import StrEnum

from mustwatch.cellar.book import Addition
from mustwatch.cellar.told import WineAdded


class Purpose(StrEnum):
    """What an addition does to the wine, as far as the book's rules care."""

    ENRICH = "enrich"
    """Sugar that is meant to ferment."""
    SWEETEN = "sweeten"
    """Sugar that is meant to stay."""
    STABILISE = "stabilise"
    """Sorbate or the like: keeps yeast from starting again."""
    SULFITE = "sulfite"
    NUTRIENT = "nutrient"
    YEAST = "yeast"
    BACTERIA = "bacteria"
    """Malolactic bacteria."""
    FINE = "fine"
    """Fining: clears the wine."""
    TOP_UP = "top-up"
    ACID = "acid"
    OTHER = "other"


SULFITE_WORDS = ("sulfite", "sulphite", "bisulf", "bisulph", "so2", "sulfur", "sulphur", "campden")
"""Words that name a sulfite."""

SUGAR_LITRES_PER_KG = 0.62
"""Volume of sugar once dissolved, L/kg. Source: ICUMSA SPS-4, 0.615 in water, 0.623 in a must of 25 °Bx."""

GRAMS: Mapping[str, float] = {"g": 1.0, "kg": 1000.0, "mg": 0.001, "lb": 453.59237, "oz": 28.349523125}
"""Grams of a unit of weight. International avoirdupois pound and ounce, exact by definition."""

# Looked for in this order in "what" and "why", lower case. Trade words, no products.
_WORDS: tuple[tuple[Purpose, tuple[str, ...]], ...] = (
    (Purpose.STABILISE, ("sorbate", "stabilis", "stabiliz")),
    (Purpose.SULFITE, SULFITE_WORDS),
    (Purpose.SWEETEN, ("sweet", "priming")),
    (Purpose.NUTRIENT, ("nutrient", "diammonium", "nitrogen", "vitamin")),
    (Purpose.BACTERIA, ("bacteria", "malolactic", "oenococcus")),
    (Purpose.YEAST, ("yeast", "restart", "starter culture")),
    (
        Purpose.FINE,
        ("fining", "finings", "bentonite", "gelatin", "gelatine", "isinglass", "chitosan", "kieselsol"),
    ),
    (Purpose.TOP_UP, ("top up", "topping", "top-up", "topped")),
    (Purpose.ACID, ("acid", "tartaric", "citric", "malic")),
)


def purpose_of(addition: Addition) -> Purpose:
    """Return what an addition is for: as said, else from its words, else from the sugar it brings.

    Sugar without a word of its purpose counts as enrichment; whether it may go in now is for the rules.
    """
    if addition.purpose is not None:
        return Purpose(addition.purpose)
    words = f"{addition.what} {addition.why or ''}".casefold()
    for purpose, marks in _WORDS:
        if any(mark in words for mark in marks):
            return purpose
    return Purpose.ENRICH if brings_sugar(addition) else Purpose.OTHER


def brings_sugar(addition: Addition) -> bool:
    """Return whether an addition brings sugar that yeast can ferment."""
    if isinstance(addition, WineAdded):
        return addition.is_sweet
    if addition.sugar_g is not None:
        return addition.sugar_g > 0
    words = addition.what.casefold()
    return any(
        mark in words for mark in ("sugar", "honey", "sucrose", "dextrose", "glucose", "concentrate", "juice")
    )


def weight_g(addition: Addition) -> float | None:
    """Return what an addition weighs, grams, or None where its unit is no weight."""
    factor = GRAMS.get((addition.unit or "").casefold())
    return None if addition.amount is None or factor is None else addition.amount * factor


def volume_added_litres(addition: Addition) -> float:
    """Return by how much an addition makes a wine more, litres: as written, else what its sugar takes up."""
    if addition.litres is not None:
        return addition.litres
    return (addition.sugar_g or 0.0) / 1000.0 * SUGAR_LITRES_PER_KG
