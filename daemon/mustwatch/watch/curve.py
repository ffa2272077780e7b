"""The lot's own curve: where it should end, and when it reaches a gravity.

Sugar is taken up as A u / (u + kappa), u being the share of the fall that is left: nearly constant while there is
plenty, then fading out. From the rate now the time to any lower gravity follows in closed form.

Source: Monod's saturation in the sugar uptake of Coleman, Fish and Block 2007 (AEM 73:5875); the integral is own
derivation, DEVELOPERS.md.
"""

from math import log, sqrt
from typing import Any, NamedTuple

from mustwatch.watch.estimate import Expected

DAY_MS = 86_400_000

END_AT, END_SLOPE, END_SD = 0.9934, -0.145, 0.0025
"""Where a must of gravity 1.0768 ends, how that changes with the start, and how much wines differ.
Source: dry wine of 10.7 to 14.3 % vol from the alcohol tables with 20 to 22 g/L extract (OIML R 22)."""

KAPPA = 0.08
"""Share of the fall at which uptake has halved, before the lot's own tail is known."""

SETTLED_RATE = 0.0008
"""Per day: a wine that falls no faster than this has ended (1.6 in the third place over two days)."""

RATE_SPREAD = 0.15
"""How much the mean rate to come differs from what the shape says (standard deviation of its logarithm)."""


def expected_end(first_gravity: float) -> float:
    """Return where a must of this gravity ends when it ferments to dryness."""
    return END_AT + END_SLOPE * (first_gravity - 1.0768)


class Curve:
    """What the curve of one lot has shown: where it began, how steeply it fell at most."""

    __slots__ = ("first", "kappa")

    def __init__(self) -> None:
        self.first: float | None = None
        self.kappa = KAPPA

    def end(self) -> float | None:
        """Return the expected end, or None before the first gravity."""
        return None if self.first is None else expected_end(self.first)

    def reach(
        self, at_ms: int, gravity: float, rate: float, rate_sd: float, target: float
    ) -> Expected | None:
        """Return when the lot falls to ``target``, or None while its rate does not carry a forecast."""
        first = self.first
        if first is None or rate >= 0.0 or -rate < 3.0 * rate_sd:
            return None
        end = expected_end(first)
        whole = first - end
        left, aim = (gravity - end) / whole, (target - end) / whole
        if not (0.0 < aim < left <= 1.05):
            return None
        kappa = self.kappa
        speed = -rate / whole * (left + kappa) / left
        days = (left - aim + kappa * log(left / aim)) / speed
        return _interval(at_ms, days, sqrt((rate_sd / rate) ** 2 + RATE_SPREAD**2))

    def settle(self, at_ms: int, gravity: float, rate: float, rate_sd: float) -> Expected | None:
        """Return when the rate falls under ``SETTLED_RATE``, or None while that can't be told."""
        first = self.first
        if first is None or rate >= 0.0 or -rate < 3.0 * rate_sd:
            return None
        end = expected_end(first)
        whole = first - end
        left = (gravity - end) / whole
        if left <= 0.0:
            return None
        speed = -rate / whole * (left + self.kappa) / left
        share = SETTLED_RATE / (speed * whole)
        if share >= 1.0:
            return None
        return self.reach(at_ms, gravity, rate, rate_sd, end + whole * self.kappa * share / (1.0 - share))

    def snapshot(self) -> list[Any]:
        """Return the state as a JSON-able list."""
        return [self.first, self.kappa]

    def load(self, state: list[Any]) -> None:
        """Take over the state a snapshot described."""
        self.first, self.kappa = state


class Forecast(NamedTuple):
    """When racking is due and when the ferment ends, each None while the data can't carry it."""

    rack: Expected | None = None
    finish: Expected | None = None


def _interval(at_ms: int, days: float, spread: float) -> Expected:
    low = days / (1.0 + 1.645 * spread) - 1 / 24
    high = days * (1.0 + 1.645 * spread) + 1 / 24
    return Expected(
        at_ms + round(days * DAY_MS), at_ms + max(0, round(low * DAY_MS)), at_ms + round(high * DAY_MS)
    )
