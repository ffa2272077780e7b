"""What a number is a number of, as a type: whoever shows it knows its unit and need not guess it from a name.

At run time each is the number itself.
"""

from collections.abc import Callable, Mapping
from typing import NewType, TypeVar

from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.cellar.measures import Measures, signed

Gravity = NewType("Gravity", float)
"""20/20 °C."""
GravityChange = NewType("GravityChange", float)
"""A difference of two gravities, or a standard error of one."""
GravityPerDay = NewType("GravityPerDay", float)
Celsius = NewType("Celsius", float)
Kelvin = NewType("Kelvin", float)
"""A difference of two temperatures."""
KelvinPerHour = NewType("KelvinPerHour", float)
Hours = NewType("Hours", float)
Minutes = NewType("Minutes", float)
Instant = NewType("Instant", float)
"""Milliseconds since the epoch."""
Probability = NewType("Probability", float)
Volts = NewType("Volts", float)
Megabytes = NewType("Megabytes", float)
Count = NewType("Count", float)

Quantity = TypeVar("Quantity")


def rounded(of: Callable[[float], Quantity], value: float | None, digits: int) -> Quantity | None:
    """Return a value as a quantity with a fixed number of decimals; None stays None."""
    return None if value is None else of(round(value, digits))


SAID: Mapping[object, Callable[[Measures, float, float], str]] = {
    Gravity: lambda m, value, near: m.gravity(value),
    GravityChange: lambda m, value, near: m.gravity_change(value, near),
    GravityPerDay: lambda m, value, near: f"{m.gravity_change(value, near)} a day",
    Celsius: lambda m, value, near: m.temperature(value),
    Kelvin: lambda m, value, near: m.warmth(abs(value)),
    KelvinPerHour: lambda m, value, near: f"{m.warmth(abs(value))} an hour",
    Hours: lambda m, value, near: m.span(value * HOUR_MS),
    Minutes: lambda m, value, near: m.span(value * MINUTE_MS),
    Instant: lambda m, value, near: m.moment(round(value)),
    Probability: lambda m, value, near: m.chance(value),
    Volts: lambda m, value, near: f"{signed(value, 2)} V",
    Megabytes: lambda m, value, near: f"{signed(value, 0)} MB",
    Count: lambda m, value, near: signed(value, 0),
}
"""How each is said in a cellar's units, changes by their size; ``near``: the gravity around which one of gravity is."""
