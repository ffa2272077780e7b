"""Alcohol so far, potential alcohol and residual sugar from gravities 20/20 °C."""

from mustwatch.must.bounds import require_gravity


def abv_percent(from_gravity: float, to_gravity: float) -> float:
    """Return the alcohol made between two gravities 20/20, % vol; 0 where the gravity has not fallen."""
    require_gravity("gravity", from_gravity)
    require_gravity("gravity", to_gravity)
    return max(0.0, (from_gravity - to_gravity) * 131.25)
