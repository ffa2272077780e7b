"""Where a formula holds: the error raised outside, and the checks that raise it."""

from typing import Final

GRAVITY_LOW: Final = 0.95
GRAVITY_HIGH: Final = 1.20
"""What must and wine can show. A dry wine of 16 % vol is about 0.98; 45 °Bx is 1.20 (ICUMSA). Common
practice."""


class OutOfRangeError(ValueError):
    """A value lies where the formula does not hold. The message is one line: what, the value, what was
    expected."""


def require_within(name: str, value: float, low: float, high: float, unit: str = "") -> None:
    """Raise OutOfRangeError unless low <= value <= high; a NaN is never within.

    Args:
        name: what the value is, as the user calls it (``"temperature"``).
        unit: written after the numbers, as ``" °C"``.
    """
    if not low <= value <= high:
        raise OutOfRangeError(f"{name} {value:g}{unit} is out of range; expected {low:g} to {high:g}{unit}")


def require_gravity(name: str, gravity: float, low: float = GRAVITY_LOW, high: float = GRAVITY_HIGH) -> None:
    """Raise OutOfRangeError unless the gravity can be one of must or wine, guessing at a lost decimal
    point."""
    if low <= gravity <= high:
        return
    meant = meant_gravity(gravity, low, high)
    hint = f"; did you mean {meant:.3f}?" if meant is not None else ""
    raise OutOfRangeError(f"{name} {gravity:g} is out of range; expected {low:.3f} to {high:.3f}{hint}")


def meant_gravity(gravity: float, low: float = GRAVITY_LOW, high: float = GRAVITY_HIGH) -> float | None:
    """Return the gravity that 105, 1050 or 10500 was probably meant to be (1.050), or None."""
    for power in (100.0, 1_000.0, 10_000.0):
        if low <= gravity / power <= high:
            return gravity / power
    return None
