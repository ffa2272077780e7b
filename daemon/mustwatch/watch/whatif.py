"""When racking is due and the ferment ends: as the must is kept now, or at another temperature from now on.

One model answers both: warmth quickens what is left of the lot's own curve, or of its tail. How much it does so, and
how soon the must comes to the new temperature, is not known exactly; the intervals say so.

Source: own derivation, watch/MODEL.md; the quickening is that of the sugar uptake in Coleman, Fish and Block 2007.
"""

from math import exp, hypot
from typing import NamedTuple

from mustwatch.watch.curve import DAY_MS, NINETY, SOONER, Curve, Forecast
from mustwatch.watch.estimate import Expected
from mustwatch.watch.gravity_filter import QUICKENING
from mustwatch.watch.lot_estimator import NEVER, LotEstimator

COLDEST_C, WARMEST_C = 11.0, 32.0
"""Between these the law holds that warmth quickens a ferment: Coleman et al. 2007 fermented at 11 to 35 °C, and from
about 34 °C on yeast dies within hours (trade guidance)."""

CAUTION = (
    "Warmth costs aroma and may kill yeast, and a must in full ferment warms itself by some degrees: "
    "change it slowly, and keep to the yeast's own sheet."
)
"""What goes with every answer. Common practice, no source."""

QUICKENING_SD = 0.02
"""1/K: how much musts and yeasts differ in it (own estimate)."""

COMES_DAYS = 0.25
"""Time constant with which a must comes to the temperature of where it was put, days: between a carboy's in a water
bath and a bucket's in a cool room (own estimate) ..."""
COMES_SD = 0.5
"""... and its standard error, as a share of it."""


class Kept(NamedTuple):
    """How warm a must is now and was over the last day, °C, and how warm it is kept from now on (None: as it was)."""

    now_c: float
    day_c: float
    from_now_c: float | None = None

    @property
    def warmer_k(self) -> float:
        """Return by how many kelvin it is moved."""
        return 0.0 if self.from_now_c is None else self.from_now_c - self.day_c

    @property
    def faster(self) -> float:
        """Return the factor from the rate now to the one it is kept at."""
        return exp(QUICKENING * (self.day_c + self.warmer_k - self.now_c))

    @property
    def spread(self) -> float:
        """Return the standard deviation of the logarithm of that factor."""
        return QUICKENING_SD * abs(self.warmer_k)

    def arrive(self, at_ms: int, at_once: Expected | None) -> Expected | None:
        """Return an instant with the coming to its temperature added to what it would be without.

        With x = QUICKENING · warmer_k the rate is at first short by 1 - exp(-x exp(-t / COMES_DAYS)) of the new one;
        the integral over all time is COMES_DAYS (x - x²/4 + x³/18 - x⁴/96 ...), the entire exponential integral.
        """
        x = QUICKENING * self.warmer_k
        if at_once is None or not x:
            return at_once
        lost = COMES_DAYS * x * (1.0 - x / 4.0 + x * x / 18.0 - x**3 / 96.0)
        days = []
        for (
            instant
        ) in at_once:  # neither faster than the faster of the two temperatures nor slower than the other
            day = (instant - at_ms) / DAY_MS
            low, high = sorted((day, day * exp(x)))
            days.append(min(max(day + lost, low), high))
        middle, early, late = days
        unsure = NINETY * COMES_SD * lost
        days = [middle, middle - hypot(middle - early, unsure), middle + hypot(late - middle, unsure)]
        return Expected(*(at_ms + max(0, round(day * DAY_MS)) for day in days))


def foresee(
    at_ms: int, estimator: LotEstimator, racking_gravity: float | None, kept: Kept | None
) -> Forecast:
    """Return when racking is due (not asked for without a gravity) and the ferment ends, as far as the data carry it.

    ``kept`` is None where nobody knows how warm the must is: it is then taken to stay so.
    """
    filter_, first, end = estimator.filter, estimator.first_gravity, estimator.end_gravity
    if filter_ is None or first is None or end is None or estimator.onset_ms == NEVER or first <= end:
        return Forecast()
    if estimator.p_falling is not None and estimator.p_falling < 0.5:
        return Forecast()
    kept = kept or Kept(0.0, 0.0)
    x, p, faster, spread = filter_.x, filter_.p, kept.faster, kept.spread
    rate, rate_sd = x[1] * faster, p[1][1] ** 0.5 * faster
    curve = Curve(at_ms, x[0], p[0][0] ** 0.5, rate, rate_sd, first, end, spread)
    rack = None if racking_gravity is None else curve.reach(racking_gravity)
    # Its end is where as little is left as in a settled one at the temperature now: warmth moves the instant alone.
    tail_days = estimator.tail.days_until(estimator.settled_rate)
    if tail_days is None:
        finish = curve.slow_to(estimator.settled_rate * faster)
    else:
        early, middle, late = (days / faster for days in tail_days)
        apart = NINETY * spread * middle
        low = middle - hypot(middle - SOONER * early, apart / (1.0 + NINETY * spread))
        days = (middle, max(0.0, low), middle + hypot(late - middle, apart))
        finish = Expected(*(at_ms + round(day * DAY_MS) for day in days))
    return Forecast(kept.arrive(at_ms, rack), kept.arrive(at_ms, finish))
