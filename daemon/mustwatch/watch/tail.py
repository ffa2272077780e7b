"""The tail of a ferment: how much is still to fall, and is it moving at all?

Once the fall has slowed, gravity approaches some level as an exponential whose pace is not known. A handful of paces
is followed side by side, and beside them paces of a second phase that may come once the fast fall has faded. Each has
its own level and amplitudes (``phases``) and is weighed by how well it foretold what came. What is left to fall is the
amplitude; both questions are answered by the whole mixture, so that a slow tail can hide only as long as the data allow
it to.

Source: Gaussian sum over a static bank of models (Magill 1965, IEEE Trans. Autom. Control 10:434); own derivation of
the states, watch/MODEL.md.
"""

from dataclasses import dataclass, field
from math import erfc, exp, log, sqrt

from mustwatch.watch.phases import KneeModel, Now, TailModel

PACES_PER_DAY = (0.07, 0.1, 0.14, 0.2, 0.28, 0.4, 0.6, 1.0, 1.7, 3.0)
"""Of the approach. The slowest halves what is left in ten days, the fastest in six hours. The slow ones stand close
together: a tail between two of them must look like neither of the faster ones, or it is called finished too soon."""

PRIORS = (0.015, 0.015, 0.03, 0.04, 0.055, 0.075, 0.18, 0.25, 0.2, 0.14)
"""How common these paces are before the lot has shown its own (own estimate from simulated ferments)."""

PRIORS_AFTER_HEAT = (0.03, 0.04, 0.08, 0.12, 0.14, 0.16, 0.16, 0.14, 0.09, 0.04)
"""The same where heat has killed yeast: the cells that are left go on slowly (own estimate, likewise)."""

KNEE_SHARE = 0.2
"""Share of ferments whose last sugar goes in a second, slower phase (own estimate). How fast it fell before says
nothing of that: only standing still, or a gravity that leaves no room for it, does."""

KNEE_PACES_PER_DAY = (0.08, 0.13, 0.21, 0.35, 0.6)
"""Of the second phase, each as common as the next."""

ENDS_DRY = 0.85
"""Share of ferments that end for want of sugar, near the expected end; the others may stop anywhere."""
LEVEL_ANYWHERE = 0.03
"""Standard deviation of where a ferment stops that does not end dry."""
RULED_OUT = -8.0
"""Logarithm of a weight (the best has 0) below which a pace is ruled out ..."""

TURNING = -4.0
"""... and that of the chance that the tail turns to it just now."""

THREE_POINTS = 3.0**0.5
"""A Gaussian stands for itself as three points, this many standard deviations apart, weighing 1, 4 and 1 sixths."""

FORGET_PER_DAY = 0.25
"""The weights of the paces fade towards each other at this rate, so that the tail may change its pace."""


@dataclass(slots=True)
class Tail:
    """The mixture of all paces, with and without a knee. No models mean that the fall has not slowed yet."""

    models: list[TailModel] = field(default_factory=list)
    knees: list[KneeModel] = field(default_factory=list)
    since_ms: int = 0
    end: float = 1.0
    end_sd: float = 1.0

    def begin(
        self, at_ms: int, end: float, end_sd: float, now: Now, priors: tuple[float, ...] = PRIORS
    ) -> None:
        """Begin to follow the tail from here; ``end`` is where the lot should end, with its standard deviation.

        ``priors`` says how common each of ``PACES_PER_DAY`` is in such a lot.
        """
        self.stop()
        self.since_ms = at_ms
        self.end, self.end_sd = end, end_sd
        self.models = [TailModel(pace, 0.0) for pace in PACES_PER_DAY for _ in ("ends dry", "ends anywhere")]
        self.expect(priors)
        each = KNEE_SHARE / len(KNEE_PACES_PER_DAY)
        for pace in KNEE_PACES_PER_DAY:
            for share in (ENDS_DRY, 1.0 - ENDS_DRY):
                self.knees.append(KneeModel(pace, log(each * share), log(each * share)))
        for i, model in enumerate(self._all()):
            self._begin_model(i, model, now)

    def _all(self) -> list[TailModel | KneeModel]:
        """Return all models; of each two that differ in nothing else the first ends dry, the second anywhere."""
        return [*self.models, *self.knees]

    def expect(self, priors: tuple[float, ...]) -> None:
        """From here on take the paces to be as common as this."""
        for i, model in enumerate(self.models):
            share = (1.0 - KNEE_SHARE) * (1.0 - ENDS_DRY if i % 2 else ENDS_DRY)
            changed = log(share * priors[i // 2])
            model.weight += changed - model.prior
            model.prior = changed

    def _begin_model(self, i: int, model: TailModel | KneeModel, now: Now) -> None:
        if i % 2 == 0:
            model.begin(self.end, self.end_sd, now)
        else:
            model.begin(now.gravity - max(0.0, -now.rate) / model.first_pace, LEVEL_ANYWHERE, now)

    def stop(self) -> None:
        """Forget the tail: the wine falls fast again."""
        self.models = []
        self.knees = []

    def shift(self, gravity: float) -> None:
        """Move every level: the scale was re-anchored."""
        for model in self._all():
            model.shift(gravity)

    def follow(self, days: float, gravity: float, variance: float, now: Now) -> None:
        """Advance by so many days and take in a gravity.

        A pace that the data have ruled out is begun anew from ``now``, with a small weight: the tail may turn to it.
        """
        keep = exp(-FORGET_PER_DAY * days)
        best = -1e300
        every = self._all()
        for model in every:
            model.advance(days)
            model.update(gravity, variance)
            if model.weight > best:
                best = model.weight
        for i, model in enumerate(every):
            model.weight = model.prior + (model.weight - best - model.prior) * keep
            if model.weight < RULED_OUT:
                model.weight = 0.0
                self._begin_model(i, model, now)
                model.weight = model.prior + TURNING

    def judge(self, amplitude: float, rate_per_day: float) -> tuple[float, float]:
        """Return the probabilities that more than ``amplitude`` is left, and that it falls faster than the rate."""
        p_unfinished = p_falling = whole = 0.0
        for model, weight in self._weighed():
            whole += weight
            p_unfinished += weight * model.above(amplitude)
            p_falling += weight * model.faster(rate_per_day)
        return p_unfinished / whole, p_falling / whole

    def _weighed(self) -> list[tuple[TailModel | KneeModel, float]]:
        """Return the models with their weights. No wine falls far below where its sugar ends: such weigh less."""
        lowest = self.end - self.end_sd
        spread = self.end_sd * self.end_sd
        return [
            (
                model,
                exp(model.weight)
                * model.credence
                * (1e-6 + erfc((lowest - model.level) / sqrt(2.0 * (model.level_var + spread)))),
            )
            for model in self._all()
        ]

    def days_until(self, rate_per_day: float) -> tuple[float, float, float] | None:
        """Return in how many days it falls more slowly than a rate: 5 %, 50 % and 95 % of the mixture, or None."""
        cloud: list[tuple[float, float]] = []
        whole = 0.0
        for model, weight in self._weighed():
            for deviations, share in ((-THREE_POINTS, 1 / 6), (0.0, 2 / 3), (THREE_POINTS, 1 / 6)):
                cloud.append((model.days_until(rate_per_day, deviations), weight * share))
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
