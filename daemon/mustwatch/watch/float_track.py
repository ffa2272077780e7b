"""One float in one lot: its noise as learnt, its health, and what its readings of a slot amount to."""

from typing import Any

from mustwatch.watch.constancy import Constancy

DAY_MS = 86_400_000

FIRST_NOISE = 0.0015
"""Standard error of one reading before any is known, if its sensor does not state one."""

LEAST_NOISE = 0.0002
"""No float is believed to be better than this, whatever its readings look like."""

MOST_NOISE = 0.006
"""No noise is learnt above this: what is worse is a fault, not noise."""

LEARN = 0.02
"""Share of a slot in the learnt noise: about half a day of memory."""

EXPECTED_WEIGHTED_SQUARE = 0.80
"""Mean of weight times squared standard score for a Gaussian under the weights below (own integration)."""

DEGREES_OF_FREEDOM = 4.0
"""Readings are weighed as from a Student distribution with so many degrees of freedom: a spike of ten standard
errors counts a twentieth, a run of readings that agree with each other is followed."""


class FloatTrack:
    """What is known of one float in this lot, beside its offset and coefficient in the filter's state."""

    __slots__ = (
        "anchored",
        "blank_until_ms",
        "constancy",
        "drifting",
        "heard_ms",
        "index",
        "noise_var",
        "roughness",
        "stated_var",
    )

    def __init__(self, index: int) -> None:
        self.index = index
        self.noise_var = FIRST_NOISE**2
        self.stated_var: float | None = None
        self.roughness = 1.0
        self.drifting = 0.0
        self.blank_until_ms = 0
        self.anchored = 0.0
        self.heard_ms = 0
        self.constancy = Constancy()

    def weigh(
        self, readings: list[tuple[float, int]], mean: float, var: float, rate_per_ms: float, end_ms: int
    ) -> tuple[float, float]:
        """Return the residual of a slot's readings against the expected mean, and the variance of its noise.

        ``readings`` are (gravity, instant) in sorted order; each is carried to the slot's end at the current rate.
        A reading far from what is expected counts little (Student weights), so one spike moves nothing.
        """
        noise = self.noise_var
        spread = noise + var
        total = weight = squares = 0.0
        for value, at_ms in readings:
            e = value - mean + rate_per_ms * (end_ms - at_ms)
            z2 = e * e / spread
            w = 5.0 / (DEGREES_OF_FREEDOM + z2)
            if w > 1.0:
                w = 1.0
            weight += w
            total += w * e
            squares += w * e * e
        n = len(readings)
        learnt = squares / (EXPECTED_WEIGHTED_SQUARE * n) - var
        noise += LEARN * (learnt - noise)
        floor = LEAST_NOISE * LEAST_NOISE
        self.noise_var = noise if noise > floor else floor
        if noise > MOST_NOISE * MOST_NOISE:
            self.noise_var = MOST_NOISE * MOST_NOISE
        return total / weight, self.noise_var / weight

    def snapshot(self) -> list[Any]:
        """Return the state as a JSON-able list."""
        return [
            self.index,
            self.noise_var,
            self.stated_var,
            self.roughness,
            self.drifting,
            self.blank_until_ms,
            self.anchored,
            self.heard_ms,
            self.constancy.snapshot(),
        ]

    @classmethod
    def restore(cls, state: list[Any]) -> "FloatTrack":
        """Return the track a snapshot described."""
        kept = cls(state[0])
        (
            _,
            kept.noise_var,
            kept.stated_var,
            kept.roughness,
            kept.drifting,
            kept.blank_until_ms,
            kept.anchored,
            kept.heard_ms,
            constancy,
        ) = state
        kept.constancy.load(constancy)
        return kept
