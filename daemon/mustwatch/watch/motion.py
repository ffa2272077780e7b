"""How gravity, rate and acceleration move with time.

The acceleration is a first-order Markov process. Source: Singer 1970, IEEE Trans. AES 6:473.
"""

from math import exp

ALPHA = 2.0
"""1/d: acceleration is forgotten over half a day."""


class Motion:
    """Transition and noise of (gravity, rate, acceleration) over ``dt`` days, for a unit acceleration variance."""

    __slots__ = ("dt", "f13", "f23", "f33", "q11", "q12", "q13", "q22", "q23", "q33")

    def __init__(self, dt: float) -> None:
        a, u = ALPHA, ALPHA * dt
        e1, e2 = exp(-u), exp(-2 * u)
        self.dt = dt
        self.f13 = (u - 1 + e1) / a**2
        self.f23 = (1 - e1) / a
        self.f33 = e1
        self.q11 = max(0.0, (1 - e2 + 2 * u + 2 * u**3 / 3 - 2 * u**2 - 4 * u * e1) / a**4)
        self.q12 = max(0.0, (e2 + 1 - 2 * e1 + 2 * u * e1 - 2 * u + u**2) / a**3)
        self.q13 = max(0.0, (1 - e2 - 2 * u * e1) / a**2)
        self.q22 = max(0.0, (4 * e1 - 3 - e2 + 2 * u) / a**2)
        self.q23 = max(0.0, (e2 + 1 - 2 * e1) / a)
        self.q33 = 1 - e2


MOTION_OF_A_SLOT = Motion(1 / 96)


def motion(dt: float) -> Motion:
    """Return the motion over ``dt`` days; that of one slot is at hand."""
    return MOTION_OF_A_SLOT if dt == MOTION_OF_A_SLOT.dt else Motion(dt)
