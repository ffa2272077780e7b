"""Numbers with their units, as people type them: ``20C``, ``68F``, ``23L``, ``6gal``, ``22Bx``, ``1.050``.

An option whose name states a unit (``--celsius``, ``--litres``) takes a bare number in that unit; anything else asks
for one wherever two are possible. Point and comma both are the decimal sign, never one of thousands: ``1,050`` is the
gravity 1.050.
"""

import re
from collections.abc import Callable, Mapping
from math import pi
from typing import Final

from mustwatch.cellar.measures import Measures
from mustwatch.must.bounds import OutOfRangeError, meant_gravity, require_within
from mustwatch.must.density import WATER_20_KG_PER_M3
from mustwatch.must.sugar import (
    gravity_from_baume,
    gravity_from_brix,
    gravity_from_oechsle,
)

ABSOLUTE_ZERO_C: Final = -273.15
LITRES_PER_US_GALLON: Final = 3.785411784
"""A bare ``gal`` is the US gallon: 231 cubic inches, exact by definition. An imperial one is 20 % more."""
LITRES_PER_IMPERIAL_GALLON: Final = 4.54609

HOTTEST_MUST_C: Final = 40.0
"""A number above this is asked back: no must is that hot and lives, and most such numbers are °F."""

NUMBER: Final = r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?"
"""A number as people type it, for a regular expression; ``decimal`` reads what it matches."""
_NUMBER = re.compile(rf"\s*({NUMBER})\s*(.*?)\s*")
_TWO_SIGNS = re.compile(r"\s*[+-]?\d+[.,]\d*[.,]\d.*")

Convert = Callable[[float], float]

_TO_CELSIUS: Final[Mapping[str, Convert]] = {
    **dict.fromkeys(("c", "degc", "celsius"), lambda v: v),
    **dict.fromkeys(("f", "degf", "fahrenheit"), lambda v: (v - 32.0) / 1.8),
    **dict.fromkeys(("k", "kelvin"), lambda v: v + ABSOLUTE_ZERO_C),
}

_TO_LITRES: Final[Mapping[str, float]] = {
    **dict.fromkeys(("l", "litre", "litres", "liter", "liters"), 1.0),
    "ml": 0.001,
    "cl": 0.01,
    "dl": 0.1,
    "hl": 100.0,
    "m3": 1000.0,
    **dict.fromkeys(("gal", "usgal", "gallon", "gallons"), LITRES_PER_US_GALLON),
    **dict.fromkeys(("impgal", "ukgal"), LITRES_PER_IMPERIAL_GALLON),
}

_TO_GRAVITY: Final[Mapping[str, Convert]] = {
    "sg": lambda v: v,
    **dict.fromkeys(("kg/m3", "g/l"), lambda v: v / WATER_20_KG_PER_M3),
    **dict.fromkeys(("g/ml", "g/cm3", "kg/l"), lambda v: 1000.0 * v / WATER_20_KG_PER_M3),
    **dict.fromkeys(("bx", "brix", "p", "plato"), gravity_from_brix),
    **dict.fromkeys(("oe", "oechsle"), gravity_from_oechsle),
    **dict.fromkeys(("be", "baume"), gravity_from_baume),
}

CONCENTRATION: Final[Mapping[str, float]] = {"": 1.0, "mg/l": 1.0, "ppm": 1.0, "g/l": 1000.0}
"""To mg/L; ppm by volume of wine, as the trade says it."""
GRAMS_PER_LITRE: Final[Mapping[str, float]] = {"": 1.0, "g/l": 1.0, "mg/l": 0.001}
PERCENT: Final[Mapping[str, float]] = {"": 1.0, "%": 1.0, "%vol": 1.0}
DEGREES: Final[Mapping[str, float]] = {"": 1.0, "deg": 1.0, "degrees": 1.0, "rad": 180.0 / pi}
"""To degrees."""
BARE: Final[Mapping[str, float]] = {"": 1.0}

_BRIX_UNITS: Final = ("", "bx", "brix", "p", "plato")


class UnitError(ValueError):
    """What was typed cannot be read as the quantity. The message is one line: what, as typed, what was expected."""


def split(name: str, text: str, expected: str) -> tuple[float, str]:
    """Return the number and the unit of what was typed, the unit in lower case without ``°`` and blanks.

    Raises:
        UnitError: there is no number at the start, or it has two decimal signs.
    """
    plain = text.strip().replace("−", "-").replace("³", "3").replace("é", "e")
    if _TWO_SIGNS.fullmatch(plain):
        raise UnitError(
            f"{name} {text!r} has two decimal signs; expected one point or comma, and none between thousands"
        )
    match = _NUMBER.fullmatch(plain)
    if match is None:
        raise UnitError(f"{name} {text!r} is not a number with a unit; expected {expected}")
    unit = match.group(2).lower().replace("°", "").replace("º", "").replace(" ", "")
    return decimal(match.group(1)), unit


def decimal(text: str) -> float:
    """Return a number typed with a decimal point or comma.

    Raises:
        ValueError: it is no number, or has two decimal signs.
    """
    return float(text.replace(",", "."))


def temperature_c(name: str, text: str, *, bare: bool = True) -> float:
    """Return a temperature in °C from ``20C``, ``68F``, ``293K``, or (``bare``) ``20``.

    Raises:
        UnitError: no such unit, or none where one is needed.
        OutOfRangeError: below 0 or above 40 °C: no must is, and a bare 68 is most likely °F.
    """
    expected = "e.g. 20C, 68F or 293K"
    number, unit = split(name, text, expected)
    if not unit and not bare:
        raise UnitError(f"{name} {text} has no unit; expected {expected}")
    if unit and unit not in _TO_CELSIUS:
        raise UnitError(f"{name} {text!r} has an unknown unit; expected {expected}")
    celsius = _TO_CELSIUS[unit or "c"](number)
    if not 0.0 <= celsius <= HOTTEST_MUST_C:
        as_fahrenheit = _TO_CELSIUS["f"](number)
        hint = f"; did you mean {number:g}F?" if not unit and 0.0 <= as_fahrenheit <= HOTTEST_MUST_C else ""
        said = Measures(temperature_unit="F" if unit in ("f", "degf", "fahrenheit") else "C")
        allowed = said.band(0.0, HOTTEST_MUST_C)
        raise OutOfRangeError(f"{name} {said.temperature(celsius)} is out of range; expected {allowed}{hint}")
    return celsius


def volume_litres(name: str, text: str, *, bare: bool = True) -> float:
    """Return a volume in litres from ``23L``, ``500ml``, ``6gal`` (US), ``5impgal``, ``2hL``, or (``bare``) ``23``.

    Raises:
        UnitError: no such unit, or none where one is needed.
        OutOfRangeError: not above 0, or more than a million litres.
    """
    expected = "e.g. 23L, 500ml, 2hL, 6gal (US) or 5impgal"
    number, unit = split(name, text, expected)
    if not unit and not bare:
        raise UnitError(f"{name} {text} has no unit; expected {expected}")
    if unit and unit not in _TO_LITRES:
        raise UnitError(f"{name} {text!r} has an unknown unit; expected {expected}")
    litres = number * _TO_LITRES[unit or "l"]
    if not litres > 0.0:
        raise OutOfRangeError(f"{name} {text} is not a volume; expected more than 0 L, {expected}")
    require_within(name, litres, 0.001, 1e6, " L")
    return litres


def gravity(name: str, text: str) -> float:
    """Return a gravity 20/20 from ``1.050``, ``1048kg/m3``, ``22Bx``, ``90Oe`` or ``12Be``.

    Raises:
        UnitError: no such unit, or a bare number that is no gravity but could be two other things.
        OutOfRangeError: no must or wine has it; a lost decimal point is guessed at.
    """
    expected = "e.g. 1.050, 1048kg/m3, 22Bx, 90Oe or 12Be"
    number, unit = split(name, text, expected)
    if unit and unit not in _TO_GRAVITY:
        raise UnitError(f"{name} {text!r} has an unknown unit; expected {expected}")
    if not unit and not 0.9 <= number <= 1.3:
        raise OutOfRangeError(_not_a_gravity(name, text, number))
    try:
        result = _TO_GRAVITY[unit or "sg"](number)
    except OutOfRangeError as wrong:
        raise OutOfRangeError(f"{name} {text!r}: {wrong}") from None
    require_within(name, result, 0.9, 1.3)
    return result


def brix(name: str, text: str) -> float:
    """Return °Brix from ``22`` or ``22Bx``.

    Raises:
        UnitError: another unit.
    """
    number, unit = split(name, text, "e.g. 22 or 22Bx")
    if unit not in _BRIX_UNITS:
        raise UnitError(f"{name} {text!r} is not in °Brix; expected e.g. 22 or 22Bx, or use --gravity")
    return number


def quantity(name: str, text: str, expected: str, units: Mapping[str, float]) -> float:
    """Return a number in the unit whose factor in ``units`` is 1; ``""`` stands for a bare number.

    Raises:
        UnitError: the unit is not among ``units``.
    """
    number, unit = split(name, text, expected)
    if unit not in units:
        raise UnitError(f"{name} {text!r} has an unknown unit; expected {expected}")
    return number * units[unit]


def _not_a_gravity(name: str, text: str, number: float) -> str:
    """Say what a bare number beyond any gravity may have been meant as."""
    meant = meant_gravity(number, 0.95, 1.20)
    if meant is not None:
        return f"{name} {text} is out of range; expected 0.950 to 1.200; did you mean {meant:.3f}?"
    if 0.0 < number <= 50.0:
        return (
            f"{name} {text} has no unit and could be °Brix or °Oechsle; expected one, as {number:g}Bx or {number:g}Oe, "
            "or a gravity as 1.050"
        )
    if 50.0 < number < 200.0:
        return f"{name} {text} has no unit and is no gravity; expected e.g. {number:g}Oe, or 1.050"
    return f"{name} {text} is out of range; expected 0.950 to 1.200, e.g. 1.050, 22Bx or 90Oe"
