"""One float in one lot: its noise as learnt, whether it swims freely, and what its readings of a slot amount to."""

from dataclasses import InitVar, dataclass, field
from math import log

from mustwatch.watch.constancy import Constancy
from mustwatch.watch.slots import Shown

DAY_MS = 86_400_000

FIRST_NOISE = 0.0015
"""Standard error of one reading before any is known, if its sensor does not state one."""

LEAST_NOISE_VAR = 0.0002**2
"""No float is believed to be better than this, whatever its readings look like."""

MOST_NOISE_VAR = 0.006**2
"""No noise is learnt above this: what is worse is a fault, not noise."""

LEARN = 0.02
"""Share of a slot in the learnt noise: about half a day of memory."""

EXPECTED_WEIGHTED_SQUARE = 0.77
"""Mean of weight times squared standard score for a Gaussian under the weights below (own integration)."""

DEGREES_OF_FREEDOM = 4.0
"""Readings are weighed as from a Student distribution with so many degrees of freedom: a spike of ten standard
errors counts a twentieth, a run of readings that agree with each other is followed."""

HELD_SHARE = 0.3
"""A float held by foam, a wall or the lees still trembles, by about this share of its noise (own estimate)."""

HELD_MOVING = 0.003
"""Per day: only in a wine that falls faster can a held float be told from a wine that stands still."""

HELD_SURE = 6.0
"""Logarithm of the likelihood ratio from which a float counts as held: one in four hundred by chance."""

STANDS = 4.0
"""A float that hangs is this much more common (logarithm) than a wine that stops within hours: so much must a float
that has stopped falling tremble as freely as it swam before the wine is taken to have stopped (own estimate)."""

MOST_GAIN = 3.0
"""No reading says more than this (logarithm) against that a float hangs: spikes happen there too."""

HELD_AT_MOST_MS = 18 * 3_600_000
"""No longer than this is a float taken for held unless its value is constant to the digit: foam falls within a day,
and a wine may really have stopped."""

QUIET_VAR = 0.0012**2
"""A float of less noise than this trembles hardly more swimming than held: its rounding hides the difference."""

HELD_LEAST_VAR = 0.0004**2
"""Variance of a held float's readings beside that: their rounding."""

JUMP = 3.0
"""A slot this many standard errors off is no noise ..."""

JUMP_DOWN, JUMP_UP = 2, 5
"""... and so many of them in a row on one side are a jump that has to be followed: down when foam lets go of a float,
up only if nothing else is left to believe, since no wine rises by itself."""

AGREE = 3.0
"""Slots far off that lie within so many standard errors of each other are one jump; spikes are as long as they like."""

CREDIBLE = 2.0
"""A wine that stood somewhere is not shown more than so many standard errors above that by a float that swims."""

ANYWHERE = 9.0
"""Gravity a wine last stood at while anything may have been done to it: above all there is."""

UPWARD = 2.0
UPWARD_WEIGHT = 0.6
"""A reading this many standard errors above a falling wine weighs this much less: gas lifts, nothing sinks a float."""

COARSE = 0.5
"""A float whose readings equal the one before more often than this is too coarse to be judged by its trembling."""


@dataclass(slots=True)
class FloatTrack:
    """What is known of one float in this lot, beside its offset and coefficient in the filter's state.

    Attributes:
        index: of its offset in the filter's state.
        noise_var: variance of one reading, as learnt.
        anchored: the re-anchoring offset that its gravities carry.
        blank_until_ms: until when it is not believed, whatever it says.
        is_adrift: the last check disagreed with it. may_hide_fall: it showed too much, so that it may creep up while
            the wine falls; one that creeps down can only make a wine that stands look as if it fell.
        standing: logarithm of the likelihood that it swims in a wine that has stopped, against that it hangs.
        held: logarithm of the likelihood that it hangs somewhere against that it swims, from 0 up.
        freed_ms: when it last was held and its trembling told that it does not hang: the wine stands.
        is_held: whether that is sure. ``held_ms``: since when; ``held_at``: where; ``held_count``: how often seen.
        equal_share: how often a reading equals the one before. ``slots``: in how many it was believed.
        jumps: slots in a row far above what was expected, negative: below. ``jumped_to``: the gravity the last showed.
    """

    index: int
    stated_sd: InitVar[float | None] = None
    noise_var: float = field(init=False)
    anchored: float = 0.0
    blank_until_ms: int = 0
    heard_ms: int = 0
    freed_ms: int = -HELD_AT_MOST_MS
    held: float = 0.0
    is_adrift: bool = False
    may_hide_fall: bool = False
    is_held: bool = False
    held_ms: int = 0
    held_at: float = 0.0
    held_count: int = 0
    standing: float = -STANDS
    equal_share: float = 0.0
    slots: int = 0
    jumps: int = 0
    jumped_to: float = 0.0
    constancy: Constancy = field(default_factory=Constancy)

    def __post_init__(self, stated_sd: float | None) -> None:
        first = FIRST_NOISE if stated_sd is None else stated_sd
        self.noise_var = min(max(first * first, LEAST_NOISE_VAR), MOST_NOISE_VAR)

    def is_believed(self, end_ms: int) -> bool:
        """Return whether what it says counts in the slot that ends here."""
        if end_ms <= self.blank_until_ms or self.constancy.is_frozen or self.constancy.is_suspect(end_ms):
            return False
        if self.is_held and end_ms - self.held_ms > HELD_AT_MOST_MS:
            self.is_held = False
            self.held = 0.0
            self.noise_var = max(LEAST_NOISE_VAR, self.noise_var * HELD_SHARE**2)
        return not self.is_held

    def tremble(
        self, readings: list[Shown], mean: float, var: float, rate_per_ms: float, end_ms: int
    ) -> None:
        """Judge from readings in time order whether the float swims or is held.

        Compares, reading by reading, that it repeats where it has been with little noise against that it follows
        ``mean`` at ``end_ms`` (variance ``var``) and the rate.
        """
        if rate_per_ms * -DAY_MS <= HELD_MOVING and not self.is_held:
            self._swim(readings)
            return
        noise = self.noise_var
        held_var = HELD_SHARE * HELD_SHARE * noise + HELD_LEAST_VAR
        surer = 0.5 * log(noise / held_var) if held_var < noise else 0.0
        is_moving = rate_per_ms * -DAY_MS > HELD_MOVING
        constancy = self.constancy
        for value, at_ms, said in readings:
            if not self.is_held:  # hanging, it repeats itself without being coarse
                self.equal_share += 0.01 * ((1.0 if said == constancy.value else 0.0) - self.equal_share)
            constancy.take(said, at_ms)
            apart = value - self.held_at
            free = value - mean + rate_per_ms * (end_ms - at_ms)
            gain = surer - 0.5 * apart * apart / held_var + 0.5 * min(free * free / (noise + var), 4.0)
            if gain < -MOST_GAIN:
                gain = -MOST_GAIN
            held = self.held + gain
            freely = 0.5 * apart * apart * (1.0 / held_var - 1.0 / noise) - surer
            standing = self.standing + (freely if freely < MOST_GAIN else MOST_GAIN)
            if standing > 0.0:
                held = 0.0
                if self.is_held:
                    self.freed_ms = at_ms
            self.standing = standing if standing > -2.0 * STANDS else -2.0 * STANDS
            if held <= 0.0 or not (is_moving or self.is_held) or self.equal_share > COARSE:
                self.held = 0.0
                self.is_held = False
                self.held_ms = at_ms
                self.held_at = value
                self.held_count = 1
                self.standing = -STANDS
                continue
            self.held = held if held < 1.5 * HELD_SURE else 1.5 * HELD_SURE
            if gain > 0.0:
                self.held_count += 1
                self.held_at += apart / min(self.held_count, 8)
            if held > HELD_SURE:
                self.is_held = True

    def _swim(self, readings: list[Shown]) -> None:
        """Note readings of a float in a wine that hardly moves: nothing can be told from its trembling."""
        constancy, equal_share = self.constancy, self.equal_share
        for _, at_ms, said in readings:
            equal_share += 0.01 * ((1.0 if said == constancy.value else 0.0) - equal_share)
            constancy.take(said, at_ms)
        self.equal_share = equal_share
        self.held = 0.0
        self.held_at, self.held_ms, _ = readings[-1]
        self.held_count = 1
        self.standing = -STANDS

    def weigh(
        self,
        readings: list[Shown],
        mean: float,
        var: float,
        rate_per_ms: float,
        end_ms: int,
        highest: tuple[float, float] = (ANYWHERE, 0.0),
    ) -> tuple[float, float]:
        """Return the residual of a slot's readings against the expected mean, and the variance of its noise.

        ``readings`` are in time order; each is carried to the slot's end at the current rate.
        A reading far from what is expected counts little (Student weights), so one spike moves nothing. ``highest`` is
        where the wine last stood, as a residual against the mean, and the variance of that: what shows far more is
        taken to show little more, since no wine rises by itself.
        """
        noise = self.noise_var
        spread = noise + var
        limit = highest[0] + CREDIBLE * (noise + highest[1]) ** 0.5
        doubtful = UPWARD * spread**0.5 if rate_per_ms * -DAY_MS > HELD_MOVING else 1.0
        total = weight = squares = beyond = 0.0
        for value, at_ms, _ in readings:
            e = value - mean + rate_per_ms * (end_ms - at_ms)
            w = (DEGREES_OF_FREEDOM + 1.0) / (DEGREES_OF_FREEDOM + e * e / spread)
            if w > 1.0:
                w = 1.0
            elif e > doubtful:
                w *= UPWARD_WEIGHT
            if e > limit:
                beyond += w * (e - limit)
                e = limit
            weight += w
            total += w * e
            squares += w * e * e
        noise += LEARN * (squares / (EXPECTED_WEIGHTED_SQUARE * len(readings)) - var - noise)
        if noise < LEAST_NOISE_VAR:
            noise = LEAST_NOISE_VAR
        elif noise > MOST_NOISE_VAR:
            noise = MOST_NOISE_VAR
        self.noise_var = noise
        residual = total / weight
        self._count_jumps(residual + beyond / weight, mean, spread)
        if self.jumps >= JUMP_UP:
            residual += beyond / weight
        return residual, noise / weight

    def _count_jumps(self, residual: float, mean: float, spread: float) -> None:
        """Count slots in a row that lie far off on one side, negative below, and agree with each other."""
        if residual * residual < JUMP * JUMP * spread:
            self.jumps = 0
            return
        agrees = abs(mean + residual - self.jumped_to) < AGREE * self.noise_var**0.5
        self.jumped_to = mean + residual
        if residual < 0.0:
            self.jumps = min(self.jumps, 0) - 1 if agrees else -1
        else:
            self.jumps = max(self.jumps, 0) + 1 if agrees else 1

    def has_jumped(self) -> bool:
        """Return whether what it shows has moved away for good; says so once."""
        if -JUMP_DOWN < self.jumps < JUMP_UP:
            return False
        self.jumps = 0
        return True
