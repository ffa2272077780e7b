"""The lot's own curve: where it should end, and when it reaches a gravity.

Sugar is taken up as A u / (u + kappa), u being the share of the fall that is left: nearly constant while there is
plenty, then fading out. From the rate now the time to any lower gravity follows in closed form.

Source: Monod's saturation in the sugar uptake of Coleman, Fish and Block 2007 (AEM 73:5875); the integral is own
derivation, watch/MODEL.md.
"""

from math import hypot, log
from typing import NamedTuple

from mustwatch.watch.estimate import Expected

DAY_MS = 86_400_000

END_AT, END_SLOPE, END_SD = 0.9934, -0.145, 0.003
"""Where a must of gravity 1.0768 ends, how that changes with the start, and how much wines differ.
Source: dry wine of 10.7 to 14.3 % vol from the alcohol tables with 20 to 22 g/L extract (OIML R 22)."""

SLOWING = 0.14
"""Share of the fall at which uptake has halved, as the whole fall shows it: the filter's ``HALF_SATURATION`` and the
yeast's dying on the way, which the filter is shown by the readings. MODEL.md says what one value would cost."""

NINETY = 1.645
"""Standard deviations on either side that hold 90 % of a Gaussian."""

RATE_SPREAD = 0.34
"""How much the mean rate to come differs from what the shape says (standard deviation of its logarithm), down to a
gravity on the way. Found, as the next, by the share of times that lie in their intervals, on tuning worlds: ferments of
four families, in rooms that swing and stand, of which none has exactly this shape ..."""

END_SPREAD, END_LATE = 0.5, 0.7
"""... and down to the end of the fall, sooner and later: how a wine ends differs more than how it gets there."""

SOONER = 0.5
"""A tail that is followed may break off sooner than any of its exponentials: the earliest end is this share of
theirs."""


def expected_end(first_gravity: float) -> float:
    """Return where a must of this gravity ends when it ferments to dryness."""
    return END_AT + END_SLOPE * (first_gravity - 1.0768)


class Forecast(NamedTuple):
    """When racking is due and when the ferment ends, each None while the data can't carry it."""

    rack: Expected | None = None
    finish: Expected | None = None


class Curve(NamedTuple):
    """A lot's curve from here on.

    Attributes:
        at_ms: now. gravity, gravity_sd, rate, rate_sd: the estimate, per day.
        first, end: where it began and where it should end.
        warmth_spread: how unsure the rate is besides (standard deviation of its logarithm).
    """

    at_ms: int
    gravity: float
    gravity_sd: float
    rate: float
    rate_sd: float
    first: float
    end: float
    warmth_spread: float = 0.0

    def reach(
        self, target: float, sooner: float = RATE_SPREAD, later: float = RATE_SPREAD
    ) -> Expected | None:
        """Return when the lot falls to ``target``, or None while its rate does not carry a forecast.

        ``sooner`` and ``later`` are the standard deviation of the logarithm of the mean rate on the way, to either
        side, beside the rate's own error.
        """
        rate, rate_sd = self.rate, self.rate_sd
        if rate >= 0.0 or -rate < 3.0 * rate_sd:
            return None
        whole = self.first - self.end
        left, aim = (self.gravity - self.end) / whole, (target - self.end) / whole
        if not (0.0 < aim < left <= 1.05):
            return None
        speed = -rate / whole * (left + SLOWING) / left
        days = (left - aim + SLOWING * log(left / aim)) / speed
        unsure = hypot(rate_sd / rate, self.warmth_spread)
        spreads = hypot(unsure, sooner), hypot(unsure, later)
        return _interval(self.at_ms, days, spreads, self.gravity_sd / -rate)

    def slow_to(self, rate_per_day: float) -> Expected | None:
        """Return when the fall slows down to so much a day, or None while that can't be told."""
        whole = self.first - self.end
        left = (self.gravity - self.end) / whole
        if left <= 0.0 or self.rate >= 0.0:
            return None
        speed = -self.rate / whole * (left + SLOWING) / left
        share = rate_per_day / (speed * whole)
        if share >= 1.0:
            return None
        return self.reach(self.end + whole * SLOWING * share / (1.0 - share), END_SPREAD, END_LATE)


def _interval(at_ms: int, days: float, spreads: tuple[float, float], days_sd: float) -> Expected:
    """Return an instant so many days ahead with its 90 % interval: by the pace's errors, and by what is wrong now."""
    sooner, later = (NINETY * spread for spread in spreads)
    fixed = NINETY * days_sd
    low, high = days - hypot(days * sooner / (1.0 + sooner), fixed), days + hypot(days * later, fixed)
    return Expected(
        at_ms + round(days * DAY_MS), at_ms + max(0, round(low * DAY_MS)), at_ms + round(high * DAY_MS)
    )
