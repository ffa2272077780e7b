"""How one tail may go on: at one pace to its end, or at a slower one once the fast fall has faded.

Each is a Kalman filter over a level and what is left to fall to it, with the logarithm of how well it foretold what
came. ``tail`` weighs them against each other.

Source: own derivation of the states, watch/MODEL.md. A knee and a slow fall after it: one of the two densely sampled
CO2 curves of wine ferments that could be found has them.
"""

from dataclasses import dataclass, field
from math import erfc, exp, log, sqrt
from typing import NamedTuple

RATE_MISFIT = 0.3
"""How far the first rate may be from what one pace says, as a share of it."""

SURPRISE_MOST = 12.0
"""No single gravity speaks louder than this against a model (squared standard score): spikes happen."""

PACE_CHANGES = 0.05
"""An amplitude may depart from its exponential by this share in a root day: yeast dies, nights are cold."""

LEVEL_WALK = 0.0001
"""The level may move by this much in a root day: the float, not the wine."""

LEAST_VAR = 1e-10
"""No amplitude is known better than to 0.00001: after months its variance would round to nothing."""

GONE = 1e-24
"""Variance of an amplitude that has faded away. A pace of one a day brings it to zero within a year, in floating point
exactly so: a lot may mature for longer than that."""

FIRST_PACE_PER_DAY = 1.5
"""Of the fall before a knee: it has faded within a day or two, whatever its pace was exactly."""

POOL_SD = 0.006
"""What is left for a second phase is half a Gaussian of this standard deviation (own estimate)."""


class Now(NamedTuple):
    """Where the tail begins: gravity and rate per day with their standard errors."""

    gravity: float
    gravity_sd: float
    rate: float
    rate_sd: float

    @property
    def rate_var(self) -> float:
        """Return the variance of the rate against what one pace says."""
        return self.rate_sd * self.rate_sd + (RATE_MISFIT * self.rate) ** 2


def _beyond(limit: float, mean: float, variance: float) -> float:
    """Return the probability that a Gaussian lies above a limit, given that it lies above nothing."""
    sd = sqrt(2.0 * (variance if variance > LEAST_VAR else LEAST_VAR))
    whole = erfc(-mean / sd)
    return erfc((limit - mean) / sd) / whole if whole > 1e-9 else 0.0


def _fading_days(pace: float, amplitude: float, rate_per_day: float) -> float:
    """Return in how many days an exponential of this pace falls more slowly than a rate."""
    fall = pace * amplitude
    return log(fall / rate_per_day) / pace if fall > rate_per_day else 0.0


@dataclass(slots=True)
class TailModel:
    """One pace: level and amplitude with their covariance, and the logarithm of its weight."""

    pace: float
    prior: float
    weight: float = 0.0
    level: float = 0.0
    amplitude: float = 0.0
    p11: float = 0.0
    p12: float = 0.0
    p22: float = 0.0

    @property
    def level_var(self) -> float:
        """Return the variance of the level."""
        return self.p11

    @property
    def first_pace(self) -> float:
        """Return the pace at which it begins."""
        return self.pace

    @property
    def credence(self) -> float:
        """Return a factor on its weight for what its states take for granted: nothing here."""
        return 1.0

    def begin(self, level: float, level_sd: float, now: Now) -> None:
        """Begin between an expected level and the gravity now, at its rate."""
        spread = level_sd * level_sd
        self.level = level
        self.amplitude = now.gravity - level
        self.p11, self.p12, self.p22 = spread, -spread, spread + now.gravity_sd**2
        # What the rate says of the amplitude at this pace.
        residual = -now.rate - self.pace * self.amplitude
        h1, h2 = self.pace * self.p12, self.pace * self.p22
        self._gain(h1, h2, self.pace * h2 + now.rate_var, residual)

    def advance(self, days: float) -> None:
        """Let the amplitude fade for so long."""
        fade = exp(-self.pace * days)
        self.amplitude *= fade
        self.p11 += LEVEL_WALK * LEVEL_WALK * days
        self.p12 *= fade
        self.p22 = self.p22 * fade * fade + (PACE_CHANGES * self.amplitude) ** 2 * days

    def update(self, gravity: float, variance: float) -> None:
        """Take in one gravity."""
        h1, h2 = self.p11 + self.p12, self.p12 + self.p22
        self._gain(h1, h2, h1 + h2 + variance, gravity - self.level - self.amplitude)

    def shift(self, gravity: float) -> None:
        """Move the level."""
        self.level += gravity

    def _gain(self, h1: float, h2: float, s: float, residual: float) -> None:
        k1, k2 = h1 / s, h2 / s
        self.level += k1 * residual
        self.amplitude += k2 * residual
        self.p11 -= k1 * h1
        self.p12 -= k1 * h2
        self.p22 -= k2 * h2
        self.weight -= 0.5 * (log(s) + min(residual * residual / s, SURPRISE_MOST))

    def above(self, amplitude: float) -> float:
        """Return the probability that more than this is left to fall, given that a wine does not rise."""
        if self.p22 < GONE:  # faded for a season: nothing is left, and nothing to divide by
            return 0.0
        return _beyond(amplitude, self.amplitude, self.p22)

    def faster(self, rate_per_day: float) -> float:
        """Return the probability that it falls faster than a rate, given that a wine does not rise."""
        return self.above(rate_per_day / self.pace)

    def days_until(self, rate_per_day: float, deviations: float) -> float:
        """Return in how many days it falls more slowly than a rate, its amplitude so many deviations from its mean."""
        amplitude = self.amplitude + deviations * sqrt(max(self.p22, LEAST_VAR))
        return _fading_days(self.pace, amplitude, rate_per_day)


@dataclass(slots=True)
class KneeModel:
    """A fast phase that fades, then one of its own pace: level, first and second amplitude, and the log of its weight.

    ``p`` holds the upper half of the covariance, row by row. The second amplitude is taken to be half of a Gaussian:
    what the readings make of its being above nothing belongs to the weight (``credence``).
    """

    pace: float
    prior: float
    weight: float = 0.0
    x: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    p: list[float] = field(default_factory=lambda: [0.0] * 6)

    @property
    def level(self) -> float:
        """Return the gravity it falls to."""
        return self.x[0]

    @property
    def level_var(self) -> float:
        """Return the variance of the level."""
        return self.p[0]

    @property
    def first_pace(self) -> float:
        """Return the pace at which it begins."""
        return FIRST_PACE_PER_DAY

    @property
    def credence(self) -> float:
        """Return twice the probability of a second phase above nothing: half a Gaussian was taken for granted."""
        return erfc(-self.x[2] / sqrt(2.0 * max(self.p[5], LEAST_VAR)))

    def begin(self, level: float, level_sd: float, now: Now) -> None:
        """Begin between an expected level and the gravity now, at its rate: what is between them is in either phase."""
        spread, pool = level_sd * level_sd, POOL_SD * POOL_SD
        self.x = [level, now.gravity - level, 0.0]
        self.p = [spread, -spread, 0.0, spread + pool + now.gravity_sd**2, -pool, pool]
        self._learn((0.0, FIRST_PACE_PER_DAY, self.pace), -now.rate, now.rate_var)

    def advance(self, days: float) -> None:
        """Let both amplitudes fade for so long."""
        fast, slow = exp(-FIRST_PACE_PER_DAY * days), exp(-self.pace * days)
        x, (a, b, c, d, e, f) = self.x, self.p
        self.x = [x[0], x[1] * fast, x[2] * slow]
        self.p = [
            a + LEVEL_WALK * LEVEL_WALK * days,
            b * fast,
            c * slow,
            d * fast * fast + (PACE_CHANGES * self.x[1]) ** 2 * days + LEAST_VAR * days,
            e * fast * slow,
            f * slow * slow + (PACE_CHANGES * self.x[2]) ** 2 * days + LEAST_VAR * days,
        ]

    def update(self, gravity: float, variance: float) -> None:
        """Take in one gravity."""
        self._learn((1.0, 1.0, 1.0), gravity, variance)

    def shift(self, gravity: float) -> None:
        """Move the level."""
        self.x[0] += gravity

    def _learn(self, of: tuple[float, float, float], said: float, variance: float) -> None:
        """Take in a weighed sum of level and amplitudes."""
        (u, v, w), (a, b, c, d, e, f), x = of, self.p, self.x
        h0, h1, h2 = a * u + b * v + c * w, b * u + d * v + e * w, c * u + e * v + f * w
        s = u * h0 + v * h1 + w * h2 + variance
        residual = said - u * x[0] - v * x[1] - w * x[2]
        k0, k1, k2 = h0 / s, h1 / s, h2 / s
        self.x = [x[0] + k0 * residual, x[1] + k1 * residual, x[2] + k2 * residual]
        self.p = [a - k0 * h0, b - k0 * h1, c - k0 * h2, d - k1 * h1, e - k1 * h2, f - k2 * h2]
        self.weight -= 0.5 * (log(s) + min(residual * residual / s, SURPRISE_MOST))

    def above(self, amplitude: float) -> float:
        """Return the probability that more than this is left to fall, given that a wine does not rise."""
        _, _, _, d, e, f = self.p
        return _beyond(amplitude, self.x[1] + self.x[2], d + 2.0 * e + f)

    def faster(self, rate_per_day: float) -> float:
        """Return the probability that it falls faster than a rate, given that a wine does not rise."""
        _, _, _, d, e, f = self.p
        fast, slow = FIRST_PACE_PER_DAY, self.pace
        variance = fast * fast * d + 2.0 * fast * slow * e + slow * slow * f
        return _beyond(rate_per_day, fast * self.x[1] + slow * self.x[2], variance)

    def days_until(self, rate_per_day: float, deviations: float) -> float:
        """Return in how many days both phases fall more slowly than a rate, the second so many deviations off."""
        second = self.x[2] + deviations * sqrt(max(self.p[5], LEAST_VAR))
        return max(
            _fading_days(FIRST_PACE_PER_DAY, self.x[1], rate_per_day),
            _fading_days(self.pace, second, rate_per_day),
        )
