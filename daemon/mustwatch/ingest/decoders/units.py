"""Quantities as they come, in the units they may come in, brought to the units a reading has, and checked.

The unit names are those of the configuration's field maps. SenML has its own names and its own table.
"""

import re
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Final, NamedTuple

from mustwatch.cellar.instant import HOUR_MS, iso, to_ms
from mustwatch.cellar.reading import (
    BATTERY_RANGE_V,
    GRAVITY_RANGE,
    INCLINATION_RANGE_DEG,
    SIGNAL_RANGE_DBM,
    TEMPERATURE_RANGE_C,
)
from mustwatch.cellar.sensor import Quantity
from mustwatch.ingest.decoders.outcome import Refusal, RejectReason, UnfitSensorError, shown
from mustwatch.must.density import WATER_20_KG_PER_M3
from mustwatch.must.sugar import LEANEST_BRIX, SWEETEST_BRIX, gravity_from_brix

FUTURE_LIMIT_MS: Final = HOUR_MS
"""A sensor's clock may run ahead of ours by at most this: an hour forgives a clock left on summer time."""
OLDEST_MS: Final = to_ms(datetime.fromisoformat("2020-01-01T00:00:00+00:00"))
"""No reading is older: before this lie only clocks that were never set (1970, 1980, 2000)."""
NEWEST_MS: Final = to_ms(datetime.fromisoformat("2100-01-01T00:00:00+00:00"))
"""The limit while our own clock is known to be wrong and cannot judge: beyond lie only overflows."""

_LONGEST_NUMBER: Final = 32
_LONGEST_TIME: Final = 40
_PLAIN_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_NOT_FINITE: Final = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)

Convert = Callable[[float], float]


class Scale(NamedTuple):
    """How one quantity in one unit is read.

    Attributes:
        name: the quantity, for messages; ``unit``: as it comes.
        position: the quantity's place in a reading's values, see ``POSITION``.
        convert: to the reading's unit, or None where it comes in it.
        low, high: the range the reading allows, in its unit.
    """

    name: str
    unit: str
    position: int
    convert: Convert | None
    low: float
    high: float


_RANGES: Final[Mapping[Quantity, tuple[float, float]]] = {
    Quantity.GRAVITY: GRAVITY_RANGE,
    Quantity.INCLINATION: INCLINATION_RANGE_DEG,
    Quantity.TEMPERATURE: TEMPERATURE_RANGE_C,
    Quantity.BATTERY: BATTERY_RANGE_V,
    Quantity.SIGNAL: SIGNAL_RANGE_DBM,
}
POSITION: Final = {quantity: position for position, quantity in enumerate(_RANGES)}
"""The order of a reading's values."""
EMPTY: Final[tuple[float | None, ...]] = (None,) * len(_RANGES)


def gravity_from_degrees_brix(brix: float) -> float:
    """Return °Bx as gravity 20/20; beyond the sugar formula, what is beyond any wine (0 or 2)."""
    if LEANEST_BRIX <= brix <= SWEETEST_BRIX:
        return gravity_from_brix(brix)
    return 2.0 if brix > 0.0 else 0.0


def gravity_from_density(density_kg_per_m3: float) -> float:
    """Return density as gravity against water at 20 °C."""
    return density_kg_per_m3 / WATER_20_KG_PER_M3


def celsius_from_kelvin(kelvin: float) -> float:
    """Return K as °C."""
    return kelvin - 273.15


def celsius_from_fahrenheit(fahrenheit: float) -> float:
    """Return °F as °C."""
    return (fahrenheit - 32.0) / 1.8


def degrees_from_radians(radians: float) -> float:
    """Return rad as degrees (a multiplication: ``math.degrees`` refuses what overflows, this gives inf)."""
    return radians * 57.29577951308232


def volts_from_millivolts(millivolts: float) -> float:
    """Return mV as V."""
    return millivolts / 1000.0


def dbm_from_dbw(dbw: float) -> float:
    """Return dBW (dB over a watt) as dBm (over a milliwatt)."""
    return dbw + 30.0


CONVERSIONS: Final[Mapping[Quantity, Mapping[str, Convert | None]]] = {
    Quantity.GRAVITY: {"SG": None, "Bx": gravity_from_degrees_brix, "kg/m3": gravity_from_density},
    Quantity.INCLINATION: {"deg": None, "rad": degrees_from_radians},
    Quantity.TEMPERATURE: {"C": None, "F": celsius_from_fahrenheit, "K": celsius_from_kelvin},
    Quantity.BATTERY: {"V": None, "mV": volts_from_millivolts},
    Quantity.SIGNAL: {"dBm": None, "dBW": dbm_from_dbw},
}


def scale_for(quantity: Quantity, unit: str) -> Scale:
    """Return how a quantity is read in one of the configuration's units.

    Raises:
        UnfitSensorError: there is no such unit for it.
    """
    try:
        convert = CONVERSIONS[quantity][unit]
    except KeyError:
        known = ", ".join(CONVERSIONS.get(quantity, ())) or "nothing (a time is no such quantity)"
        raise UnfitSensorError(f"{quantity} in {unit!r}; expected one of {known}") from None
    return scale(quantity, unit, convert)


def scale(quantity: Quantity, unit: str, convert: Convert | None) -> Scale:
    """Return how a quantity is read in a unit, given the conversion to the reading's own."""
    return Scale(quantity.value, unit, POSITION[quantity], convert, *_RANGES[quantity])


def read(by: Scale, value: object) -> float:
    """Return a payload's value in the reading's unit.

    A number written as a string is taken where it is plain (``"1.050"``): many sensors send their numbers so.
    A decimal comma is not: ``"1,050"`` could be either of two gravities.

    Raises:
        Refusal: it is no number, or not finite, or nothing a wine or its sensor can show.
    """
    number = value if type(value) is float else number_from(by.name, value)
    converted = number if by.convert is None else by.convert(number)
    if by.low <= converted <= by.high:
        return converted
    raise _out_of_range(by, number, converted)


def number_from(name: str, value: object) -> float:
    """Return a payload's value as a float, which may be infinite.

    Raises:
        Refusal: it is a boolean, an object, a list, or a string that is no plain number.
    """
    kind = type(value)
    if kind is float or kind is int:
        try:
            return float(value)  # type: ignore[arg-type]
        except OverflowError:
            raise Refusal(RejectReason.NOT_FINITE, f"{name} is {shown(value)}; expected a number") from None
    if kind is str:
        return number_from_text(name, value)  # type: ignore[arg-type]
    raise Refusal(RejectReason.NOT_A_NUMBER, f"{name} is {shown(value)}; expected a number")


def number_from_text(name: str, text: str) -> float:
    """Return a plain decimal number, with or without an exponent.

    Raises:
        Refusal: it is not one.
    """
    plain = text.strip(" \t\r\n")
    if len(plain) <= _LONGEST_NUMBER:
        if _PLAIN_NUMBER.fullmatch(plain):
            return float(plain)
        if _NOT_FINITE.fullmatch(plain):
            raise Refusal(RejectReason.NOT_FINITE, f"{name} is {shown(text)}; expected a number")
    raise Refusal(
        RejectReason.NOT_A_NUMBER, f"{name} is {shown(text)}; expected a plain number such as 1.050"
    )


def _out_of_range(by: Scale, number: float, converted: float) -> Refusal:
    if number - number != 0.0:
        return Refusal(RejectReason.NOT_FINITE, f"{by.name} is {number}; expected a finite number")
    as_read = f"{by.name} {number:g} {by.unit}"
    meaning = "" if by.convert is None else f" (that is {converted:g})"
    return Refusal(
        RejectReason.OUT_OF_RANGE, f"{as_read}{meaning} is out of range; expected {by.low:g} to {by.high:g}"
    )


def _ms_from_seconds(value: object) -> int:
    return _whole_ms(number_from("time", value) * 1000.0, value)


def _ms_from_milliseconds(value: object) -> int:
    if type(value) is int and 0 < value < NEWEST_MS:
        return value
    return _whole_ms(number_from("time", value), value)


def _whole_ms(ms: float, value: object) -> int:
    if ms - ms != 0.0:
        raise Refusal(RejectReason.NOT_FINITE, f"time is {shown(value)}; expected a finite number")
    return round(ms)


def _ms_from_iso(value: object) -> int:
    if type(value) is not str or len(value) > _LONGEST_TIME:
        raise Refusal(RejectReason.BAD_TIME, f"time is {shown(value)}; expected ISO 8601 with an offset")
    try:
        return to_ms(datetime.fromisoformat(value))
    except ValueError:
        raise Refusal(
            RejectReason.BAD_TIME,
            f"time is {shown(value)}; expected ISO 8601 with an offset, e.g. 2026-09-01T18:00:00+02:00",
        ) from None


TIMES: Final[Mapping[str, Callable[[object], int]]] = {
    "iso": _ms_from_iso,
    "epoch_s": _ms_from_seconds,
    "epoch_ms": _ms_from_milliseconds,
}
"""How a payload's time is read, to milliseconds since the epoch, by the configuration's unit names."""


def checked_time(observed_ms: int, received_ms: int, clock_can_judge: bool) -> int:
    """Return a payload's own time if it can be true.

    Raises:
        Refusal: it is more than an hour ahead of our clock (unless that cannot judge), or before 2020.
    """
    latest_ms = received_ms + FUTURE_LIMIT_MS if clock_can_judge else NEWEST_MS
    if OLDEST_MS <= observed_ms <= latest_ms:
        return observed_ms
    if observed_ms < OLDEST_MS:
        raise Refusal(
            RejectReason.TIME_TOO_OLD,
            f"time {_said(observed_ms)} is before 2020; set the sensor's clock, or leave the time out",
        )
    raise Refusal(
        RejectReason.TIME_IN_FUTURE,
        f"time {_said(observed_ms)} is ahead of its arrival at {_said(received_ms)} by more than "
        f"{FUTURE_LIMIT_MS // HOUR_MS} h; set the sensor's clock, or leave the time out",
    )


def _said(ms: int) -> str:
    try:
        return str(iso(ms))
    except OverflowError:
        return f"{float(ms):.3g} ms since 1970"
