"""The filter: gravity, its rate, and what is wrong with each float, estimated together.

State: gravity (20/20), rate per day, acceleration per day², and for every float an offset against the lot's gravity
and a coefficient of gravity per kelvin away from 20 °C. The acceleration is a first-order Markov process (Singer
1970, IEEE Trans. AES 6:473) whose size follows the rate: a fast ferment may change fast, a flat one stays flat. What
is known of every ferment is put in beside it: warmth quickens it, and it fades as its sugar runs out. Offsets and
coefficients are part of the state, so that the standard errors carry what a hydrometer check would remove, and day
and night are told from fermentation by their correlation with temperature.

Source: the linear filter is Kalman 1960; own derivation of the scaling, watch/MODEL.md.
"""

# ruff: noqa: B905 - the rows of one matrix are of one length; ``strict=`` costs a tenth of the filter's time

from collections.abc import Iterable
from dataclasses import InitVar, dataclass, field
from math import exp, sqrt
from typing import Any

from mustwatch.watch.motion import Motion, motion
from mustwatch.watch.one_float import ORDER, carried, informed

REFERENCE_C = 20.0
"""The temperature at which a float's scale is true: gravity is 20/20."""

SCALE_RELATIVE = 0.4
"""Acceleration per rate, 1/d, beyond what warmth and fading explain."""

SCALE_FLOOR = 0.0002
"""Acceleration of a flat wine, 1/d²: what lets a refermentation be noticed at all."""

SCALE_BEFORE_ONSET = 0.02
"""The same before fermentation has begun, 1/d²: it is expected to begin, and within a day."""

QUICKENING = 0.077
"""1/K: how much faster a warmer must ferments. Source: sugar uptake in Coleman, Fish and Block 2007."""

HALF_SATURATION = 0.06
"""Share of the whole fall at which uptake has halved for want of sugar. Source: K_S of Coleman et al. 2007 is
10 g/L, of 150 to 250 g/L."""

FADE_LEAST_LEFT = 0.03
"""No less than this share is taken to be left: where a wine ends is not known better."""

FADE_ALWAYS = 0.1
"""1/d: the yeast dies a little all the time."""

FADE_MOST = 4.0
"""1/d: no tail is taken to fade faster."""

LEAN_MEMORY_DAYS = 3.0 / 24.0
"""Memory of the mean of the filter's surprises: long enough for a float that speaks every quarter of an hour."""

LEAN_MOST = 0.3
"""Most weight of one surprise in that mean: a float that speaks once an hour needs three of them."""

LEAN_FREE = 3.0
"""Surprises that lean to one side by more than chance (variances) widen the acceleration: something has changed."""

LEAN_GAIN = 3.0
LEAN_FLOOR = 0.002
"""1/d²: what a surprise widens a flat wine's acceleration by."""

LEAN_LIMIT = 100.0
"""No surprise widens it more than this."""

LEAN_WIDENS = 2.0
"""By how much surprises that lean by more than chance widen what is said of the gravity (variances, of its own
variance): the filter is then wrong by more than it knows. Found on tuning worlds, by the share of gravities in their
90 % band, in the day after a stall and at all times."""

RISING_MOST = 0.001
"""Per day: no wine rises by itself. What looks like more is the filter swinging back after a sudden stop."""

FASTEST = 0.1
"""Per day: no wine falls faster than this; what looks so is a fault and widens nothing."""

LONG_SILENCE_DAYS = 20.0
"""After a silence longer than this nothing is carried over but the floats' errors and, loosely, the gravity."""

SILENCE_SD = 0.05
SILENCE_RATE_SD = 0.01

OFFSET_SD = 0.0007
"""A float's offset before any check: its calibration is worth one hydrometer check (common practice)."""

OFFSET_WALK = 0.00005
"""A float's offset drifts by this much in a root day: residue, yeast, gas on its skin."""

COEFFICIENT_SD = 0.00012
"""Gravity per kelvin a float may be wrong by, before anything is known."""

COEFFICIENT_WALK = 0.000005
"""Its drift in a root day."""

WALKS = (OFFSET_WALK * OFFSET_WALK, COEFFICIENT_WALK * COEFFICIENT_WALK)

FIRST_RATE_SD = 0.002
FIRST_ACCELERATION_SD = 0.004


@dataclass(slots=True)
class GravityFilter:
    """The lot's gravity, rate and acceleration, and each float's offset and temperature coefficient.

    Units: days, gravity 20/20, kelvin from 20 °C. ``p`` is the full symmetric covariance as a list of rows.
    ``leaning`` is the mean of the standardised surprises of late, ``leaning_var`` what chance alone would make of it.
    ``floats`` says where each float's offset stands in the state, ``end`` and ``whole`` where the lot should end and
    how far it falls in all; ``has_begun`` that it ferments.
    """

    gravity: InitVar[float]
    gravity_sd: InitVar[float]
    x: list[float] = field(init=False)
    p: list[list[float]] = field(init=False)
    floats: dict[str, int] = field(default_factory=dict)
    has_begun: bool = False
    leaning: float = 0.0
    leaning_var: float = 1.0
    idle_days: float = 0.0
    end: float = 1.0
    whole: float = 0.0

    def __post_init__(self, gravity: float, gravity_sd: float) -> None:
        self.x = [gravity, 0.0, 0.0]
        self.p = [
            [gravity_sd**2, 0.0, 0.0],
            [0.0, FIRST_RATE_SD**2, 0.0],
            [0.0, 0.0, FIRST_ACCELERATION_SD**2],
        ]

    def add_float(self, sensor: str) -> int:
        """Add a float's offset and coefficient to the state and return the offset's index."""
        n = len(self.x)
        for row in self.p:
            row += [0.0, 0.0]
        self.p.append([0.0] * n + [OFFSET_SD**2, 0.0])
        self.p.append([0.0] * (n + 1) + [COEFFICIENT_SD**2])
        self.x += [0.0, 0.0]
        self.floats[sensor] = n
        return n

    def predict(self, dt: float, warmer_k: float = 0.0) -> None:
        """Advance by ``dt`` days in which the must became warmer by ``warmer_k`` kelvin."""
        if dt > LONG_SILENCE_DAYS:
            self._forget_motion()
            return
        t = motion(dt)
        x = self.x
        faster = self._hasten(dt, warmer_k)
        scale = SCALE_RELATIVE * min(abs(x[1]), FASTEST) + (
            SCALE_FLOOR if self.has_begun else SCALE_BEFORE_ONSET
        )
        v = scale * scale
        self.idle_days += dt
        excess = self.leaning * self.leaning - LEAN_FREE * self.leaning_var
        if excess > 0.0:
            excess = min(excess / self.leaning_var, LEAN_LIMIT)
            v = v * (1.0 + LEAN_GAIN * excess) + (LEAN_FLOOR * LEAN_FLOOR) * excess
        f13, f23, f33 = t.f13, t.f23, t.f33
        x0, x1, x2 = x[0], x[1], x[2]
        x[0] = x0 + dt * x1 + f13 * x2
        x[1] = x1 + f23 * x2
        x[2] = f33 * x2
        if len(x) == ORDER:
            self.p = carried(self.p, dt, faster, t, v, WALKS)
        else:
            self._carry(dt, faster, t, v)

    def _carry(self, dt: float, faster: float, t: Motion, v: float) -> None:
        """Carry the covariance ``dt`` days on, for any number of floats."""
        p = self.p
        if faster != 1.0:
            p[1] = [faster * b for b in p[1]]
            p[2] = [faster * b for b in p[2]]
            for row in p:
                row[1] *= faster
                row[2] *= faster
        f13, f23, f33 = t.f13, t.f23, t.f33
        r0, r1, r2 = p[0], p[1], p[2]
        p[0] = [a + dt * b + f13 * c for a, b, c in zip(r0, r1, r2)]
        p[1] = [b + f23 * c for b, c in zip(r1, r2)]
        p[2] = [f33 * c for c in r2]
        for row in p:
            a, b, c = row[0], row[1], row[2]
            row[0] = a + dt * b + f13 * c
            row[1] = b + f23 * c
            row[2] = f33 * c
        r0, r1, r2 = p[0], p[1], p[2]
        r0[0] += v * t.q11
        q = v * t.q12
        r0[1] += q
        r1[0] += q
        q = v * t.q13
        r0[2] += q
        r2[0] += q
        r1[1] += v * t.q22
        q = v * t.q23
        r1[2] += q
        r2[1] += q
        r2[2] += v * t.q33
        for i in self.floats.values():
            p[i][i] += WALKS[0] * dt
            p[i + 1][i + 1] += WALKS[1] * dt

    def _forget_motion(self) -> None:
        """Forget how gravity moved before a long silence: anything may have happened."""
        p = self.p
        for i in (1, 2):
            self.x[i] = 0.0
            p[i] = [0.0] * len(p)
            for row in p:
                row[i] = 0.0
        p[0][0] += SILENCE_SD**2
        p[1][1] = SILENCE_RATE_SD**2
        p[2][2] = FIRST_ACCELERATION_SD**2
        self.leaning = 0.0
        self.leaning_var = 1.0

    def _hasten(self, dt: float, warmer_k: float) -> float:
        """Quicken the rate by warmth and let it fade by want of sugar; the covariance follows in ``predict``."""
        x = self.x
        x1 = x[1]
        pace = QUICKENING * warmer_k
        if x1 < 0.0 < self.whole:
            left = (x[0] - self.end) / self.whole
            if left < FADE_LEAST_LEFT:
                left = FADE_LEAST_LEFT
            fading = FADE_ALWAYS - HALF_SATURATION * x1 / (self.whole * left * (left + HALF_SATURATION))
            pace -= dt * (fading if fading < FADE_MOST else FADE_MOST)
        if not pace:
            return 1.0
        faster = exp(pace)
        x[1] = x1 * faster
        x[2] *= faster
        return faster

    def expect(self, i: int, warmer_k: float) -> tuple[float, float]:
        """Return what the float whose offset stands at ``i`` should show now, and the variance of that."""
        x, p = self.x, self.p
        r0, ro = p[0], p[i]
        mean = x[0] + x[i] + warmer_k * x[i + 1]
        var = (
            r0[0]
            + ro[i]
            + 2.0 * r0[i]
            + warmer_k * (warmer_k * p[i + 1][i + 1] + 2.0 * (r0[i + 1] + ro[i + 1]))
        )
        return mean, var

    def update_float(self, i: int, warmer_k: float, residual: float, noise_var: float) -> None:
        """Take in what a float showed, as the residual against ``expect``."""
        if len(self.x) == ORDER:
            self.x, self.p, s = informed(self.x, self.p, warmer_k, residual, noise_var)
        else:
            j = i + 1
            h = [row[0] + row[i] + warmer_k * row[j] for row in self.p]
            s = h[0] + h[i] + warmer_k * h[j] + noise_var
            self._gain(h, s, residual)
        if self.has_begun and self.x[1] > RISING_MOST:
            self._forbid_rising()
        share = self.idle_days / LEAN_MEMORY_DAYS
        if share > LEAN_MOST:
            share = LEAN_MOST
        self.idle_days = 0.0
        self.leaning += share * (residual / sqrt(s) - self.leaning)
        self.leaning_var = (1.0 - share) * (1.0 - share) * self.leaning_var + share * share

    def _forbid_rising(self) -> None:
        """Project the state to where the rate is no more than ``RISING_MOST``.

        Source: estimate projection, Simon 2010, IET Control Theory Appl. 4:1303.
        """
        x, p = self.x, self.p
        beyond = (x[1] - RISING_MOST) / p[1][1]
        self.x = [a - row[1] * beyond for a, row in zip(x, p)]

    def update_gravity(self, gravity: float, noise_var: float) -> float:
        """Take in the lot's gravity itself, a hydrometer check; returns by how much the estimate moved."""
        h = [row[0] for row in self.p]
        before = self.x[0]
        self._gain(h, h[0] + noise_var, gravity - before)
        return self.x[0] - before

    def _gain(self, h: list[float], s: float, residual: float) -> None:
        p, x = self.p, self.x
        g = 1.0 / s
        for i, hi in enumerate(h):
            k = hi * g
            x[i] += k * residual
            p[i] = [a - k * b for a, b in zip(p[i], h)]

    def widen(self, index: int, variance: float) -> None:
        """Add variance to one element of the state: it may have stepped."""
        self.p[index][index] += variance

    @property
    def leans(self) -> float:
        """Return by how many standard errors the surprises of late lean upward (negative: downward)."""
        return self.leaning / sqrt(self.leaning_var)

    @property
    def gravity_spread(self) -> float:
        """Return the standard error of the gravity, as wide as the surprises of late ask for.

        Source: the innovations of a filter that is right have the variance it states (Mehra 1970, IEEE Trans. Autom.
        Control 15:175, from memory); own scaling.
        """
        excess = self.leaning * self.leaning / self.leaning_var - 1.0
        return sqrt(self.p[0][0] * (1.0 + LEAN_WIDENS * min(max(0.0, excess), LEAN_LIMIT)))

    def allow_drift(self, i: int, variance: float) -> None:
        """Allow that a float's offset drifted unseen: what it shows stays as sure, the lot's gravity does not."""
        p = self.p
        p[0][0] += variance
        p[i][i] += variance
        p[0][i] -= variance
        p[i][0] -= variance

    def mark(self) -> list[Any]:
        """Return as JSON-able lists what ``come_back`` needs to be again as now."""
        return [list(self.x), [list(row) for row in self.p], self.leaning, self.leaning_var, self.idle_days]

    def come_back(self, mark: list[Any], steps: Iterable[tuple[float, float]]) -> None:
        """Be as when the mark was made, carried on from there by steps of days and kelvin; takes the mark over."""
        self.x, self.p, self.leaning, self.leaning_var, self.idle_days = mark
        for days, warmer_k in steps:
            self.predict(days, warmer_k)
