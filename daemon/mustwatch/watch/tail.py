"""The tail of a ferment: how much is still to fall, and is it moving at all?

Once the fall has slowed, gravity approaches some level as an exponential whose pace is not known. A handful of paces
is followed side by side, each with its own level and amplitude (a Kalman filter of two states), and weighed by how
well it foretold what came. What is left to fall is the amplitude; both questions are answered by the whole mixture,
so that a slow tail can hide only as long as the data allow it to.

Source: Gaussian sum over a static bank of models (Magill 1965, IEEE Trans. Autom. Control 10:434); own derivation of
the states, watch/MODEL.md.
"""

from dataclasses import dataclass, field
from math import erfc, exp, log, sqrt
from typing import NamedTuple

PACES_PER_DAY = (0.07, 0.1, 0.14, 0.2, 0.28, 0.4, 0.6, 1.0, 1.7, 3.0)
"""Of the approach. The slowest halves what is left in ten days, the fastest in six hours. The slow ones stand close
together: a tail between two of them must look like neither of the faster ones, or it is called finished too soon."""

PRIORS = (0.015, 0.015, 0.03, 0.04, 0.055, 0.075, 0.18, 0.25, 0.2, 0.14)
"""How common these paces are before the lot has shown its own (own estimate from simulated ferments)."""

PRIORS_AFTER_HEAT = (0.03, 0.04, 0.08, 0.12, 0.14, 0.16, 0.16, 0.14, 0.09, 0.04)
"""The same where heat has killed yeast: the cells that are left go on slowly (own estimate, likewise)."""

ENDS_DRY = 0.85
"""Share of ferments that end for want of sugar, near the expected end; the others may stop anywhere."""
LEVEL_ANYWHERE = 0.03
"""Standard deviation of where a ferment stops that does not end dry."""
RATE_MISFIT = 0.3
"""How far the first rate may be from what one pace says, as a share of it."""
SURPRISE_MOST = 12.0
"""No single gravity speaks louder than this against a pace (squared standard score): spikes happen."""

PACE_CHANGES = 0.05
"""An amplitude may depart from its exponential by this share in a root day: yeast dies, nights are cold."""

LEVEL_WALK = 0.0001
"""The level may move by this much in a root day: the float, not the wine."""

RULED_OUT = -8.0
"""Logarithm of a weight (the best has 0) below which a pace is ruled out ..."""

TURNING = -4.0
"""... and that of the chance that the tail turns to it just now."""

LEAST_VAR = 1e-10
"""No amplitude is known better than to 0.00001: after months its variance would round to nothing."""

THREE_POINTS = 3.0**0.5
"""A Gaussian stands for itself as three points, this many standard deviations apart, weighing 1, 4 and 1 sixths."""

FORGET_PER_DAY = 0.25
"""The weights of the paces fade towards each other at this rate, so that the tail may change its pace."""


class Now(NamedTuple):
    """Where the tail begins: gravity and rate per day with their standard errors."""

    gravity: float
    gravity_sd: float
    rate: float
    rate_sd: float


GONE = 1e-24
"""Variance of an amplitude that has faded away. A pace of one a day brings it to zero within a year, in floating point
exactly so: a lot may mature for longer than that."""


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

    def begin(self, level: float, level_sd: float, now: Now) -> None:
        """Begin between an expected level and the gravity now, at its rate."""
        gravity, gravity_var, rate, rate_sd = now.gravity, now.gravity_sd**2, now.rate, now.rate_sd
        spread = level_sd * level_sd
        self.level = level
        self.amplitude = gravity - level
        self.p11, self.p12, self.p22 = spread, -spread, spread + gravity_var
        # What the rate says of the amplitude at this pace.
        residual = -rate - self.pace * self.amplitude
        h1, h2 = self.pace * self.p12, self.pace * self.p22
        s = self.pace * h2 + rate_sd * rate_sd + (RATE_MISFIT * rate) ** 2
        self._gain(h1, h2, s, residual)

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
        sd = sqrt(2.0 * (self.p22 if self.p22 > LEAST_VAR else LEAST_VAR))
        whole = erfc(-self.amplitude / sd)
        if whole < 1e-9:
            return 0.0
        return erfc((amplitude - self.amplitude) / sd) / whole


@dataclass(slots=True)
class Tail:
    """The mixture of all paces. ``None`` models mean that the fall has not slowed yet."""

    models: list[TailModel] = field(default_factory=list)
    since_ms: int = 0
    end: float = 1.0
    end_sd: float = 1.0

    def begin(
        self, at_ms: int, end: float, end_sd: float, now: Now, priors: tuple[float, ...] = PRIORS
    ) -> None:
        """Begin to follow the tail from here; ``end`` is where the lot should end, with its standard deviation.

        ``priors`` says how common each of ``PACES_PER_DAY`` is in such a lot.
        """
        self.since_ms = at_ms
        self.end, self.end_sd = end, end_sd
        self.models = [TailModel(pace, 0.0) for pace in PACES_PER_DAY for _ in ("ends dry", "ends anywhere")]
        self.expect(priors)
        for i in range(len(self.models)):
            self._begin_model(i, now)

    def expect(self, priors: tuple[float, ...]) -> None:
        """From here on take the paces to be as common as this."""
        for i, model in enumerate(self.models):
            changed = log((1.0 - ENDS_DRY if i % 2 else ENDS_DRY) * priors[i // 2])
            model.weight += changed - model.prior
            model.prior = changed

    def _begin_model(self, i: int, now: Now) -> None:
        """Begin one model: of each pace the first ends dry, the second anywhere."""
        model = self.models[i]
        if i % 2 == 0:
            model.begin(self.end, self.end_sd, now)
        else:
            model.begin(now.gravity - max(0.0, -now.rate) / model.pace, LEVEL_ANYWHERE, now)

    def stop(self) -> None:
        """Forget the tail: the wine falls fast again."""
        self.models = []

    def shift(self, gravity: float) -> None:
        """Move every level: the scale was re-anchored."""
        for model in self.models:
            model.level += gravity

    def follow(self, days: float, gravity: float, variance: float, now: Now) -> None:
        """Advance by so many days and take in a gravity.

        A pace that the data have ruled out is begun anew from ``now``, with a small weight: the tail may turn to it.
        """
        keep = exp(-FORGET_PER_DAY * days)
        best = -1e300
        for model in self.models:
            model.advance(days)
            model.update(gravity, variance)
            if model.weight > best:
                best = model.weight
        for i, model in enumerate(self.models):
            model.weight = model.prior + (model.weight - best - model.prior) * keep
            if model.weight < RULED_OUT:
                model.weight = 0.0
                self._begin_model(i, now)
                model.weight = model.prior + TURNING

    def judge(self, amplitude: float, rate_per_day: float) -> tuple[float, float]:
        """Return the probabilities that more than ``amplitude`` is left, and that it falls faster than the rate."""
        p_unfinished = p_falling = whole = 0.0
        for model, weight in self._weighed():
            whole += weight
            p_unfinished += weight * model.above(amplitude)
            p_falling += weight * model.above(rate_per_day / model.pace)
        return p_unfinished / whole, p_falling / whole

    def _weighed(self) -> list[tuple[TailModel, float]]:
        """Return the models with their weights. No wine falls far below where its sugar ends: such weigh less."""
        lowest = self.end - self.end_sd
        spread = self.end_sd * self.end_sd
        return [
            (
                model,
                exp(model.weight) * (1e-6 + erfc((lowest - model.level) / sqrt(2.0 * (model.p11 + spread)))),
            )
            for model in self.models
        ]

    def days_until(self, rate_per_day: float) -> tuple[float, float, float] | None:
        """Return in how many days it falls more slowly than a rate: 5 %, 50 % and 95 % of the mixture, or None."""
        cloud: list[tuple[float, float]] = []
        whole = 0.0
        for model, weight in self._weighed():
            sd = THREE_POINTS * sqrt(max(model.p22, LEAST_VAR))
            for amplitude, share in (
                (model.amplitude - sd, 1 / 6),
                (model.amplitude, 2 / 3),
                (model.amplitude + sd, 1 / 6),
            ):
                fall = model.pace * amplitude
                days = log(fall / rate_per_day) / model.pace if fall > rate_per_day else 0.0
                cloud.append((days, weight * share))
                whole += weight * share
        if not cloud:
            return None
        cloud.sort()
        return _quantile(cloud, 0.05 * whole), _quantile(cloud, 0.5 * whole), _quantile(cloud, 0.95 * whole)


def _quantile(cloud: list[tuple[float, float]], weight: float) -> float:
    """Return the value below which so much of the weight lies, straight between the middles of the points."""
    below = 0.0
    last_at, last = 0.0, cloud[0][0]
    for days, share in cloud:
        at = below + 0.5 * share
        if at >= weight:
            return days if at == last_at else last + (days - last) * (weight - last_at) / (at - last_at)
        below += share
        last_at, last = at, days
    return cloud[-1][0]
