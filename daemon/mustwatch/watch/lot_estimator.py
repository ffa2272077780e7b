"""The lot's estimator: floats and hydrometer checks in, gravity and rate with their standard errors out.

Beside the filter it keeps what the detectors ask about: when fermentation began, how its tail goes on, and for how
long the wine has been still.
"""

from dataclasses import InitVar, dataclass, field
from operator import itemgetter

from mustwatch.cellar.facts import HYDROMETER_SD, allowance
from mustwatch.watch.curve import END_SD, expected_end
from mustwatch.watch.float_track import ANYWHERE, HELD_AT_MOST_MS, HELD_MOVING, QUIET_VAR, FloatTrack
from mustwatch.watch.gravity_filter import REFERENCE_C, GravityFilter
from mustwatch.watch.hanging import Hanging, Hangs
from mustwatch.watch.heat import Heat
from mustwatch.watch.memory import TRANSIENT
from mustwatch.watch.phases import Now
from mustwatch.watch.slots import Shown
from mustwatch.watch.tail import PRIORS, PRIORS_AFTER_HEAT, Tail

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
NEVER = -(2**62)

FIRST_GRAVITY_SD = 0.003
"""Standard error of the first gravity a float shows, before the filter has seen more."""

WANDER_SD = 0.0002
"""The slow error of floats, correlated over six hours: what more readings in an hour do not remove."""

WANDER_VAR = 9.0 * WANDER_SD**2
"""Variance that goes with an hour's mean for it: hours in a row share it, so that each is given nine times its
variance; the mean of several is given as many times less."""

FIRST_MEMORY_MS = 12 * HOUR_MS
"""Before the onset, where the lot began is the mean over about so long: what its float shows of a still must."""

ONSET_FALL = 0.004
"""Fermentation has begun when gravity has fallen by this much, clearly."""

BEYOND = 9.0
"""A stated variance this many times over what the float's readings scatter by is not noise: its calibration ends."""

JUMP_RATE_SD = 0.008
"""Per day: how far the rate may be off after the float has jumped, which it was not free to show."""

CHECK_WITHIN_MS = 2 * HOUR_MS
"""A check is compared with a float that was believed no longer ago than this ..."""

CHECK_DAYS = 1.0 / 24.0
"""... and is written down an hour early or late, in which a fast ferment falls by as much as a division ..."""

FIRST_SLOTS = 8
"""... and the float has to have spoken in so many slots: one reading is no measure of it."""

ADRIFT = 0.003
"""A float is worth re-anchoring from this much on: one and a half divisions of a common hydrometer. Until it is
re-anchored or agrees again, nothing is concluded from it about the end of the ferment."""

REANCHOR_SD = 0.0005
"""How well a re-anchoring is done, beside what is known of the float (own estimate)."""

TAIL_RATE = 0.006
"""Per day: the tail is followed once the fall is slower than this ..."""

TAIL_SHARE = 0.6
"""... and slower than this share of the steepest fall."""

TAIL_RATE_SD = 0.004
"""Per day: a rate known less well begins no tail."""

TAIL_GRAVITY_SD = 0.0007
"""Standard error of the gravity a tail begins at, offsets apart: they are the same for all of it."""

STILL = 0.1
"""A wine that has settled but for this probability ..."""

LONG_STILL = 0.01
LONG_STILL_MS = 6 * HOUR_MS
"""A wine that has surely settled is asked about its tail four times a day: it stays so for months."""

STIRRING = 2.0
"""... and then clearly falls faster than so many times the settled rate has begun anew."""

TAIL_OVER = 0.008
"""Per day: the tail is forgotten when the fall is clearly faster than this again."""

LEFT_GRAVITY = 0.002
"""What may be left to fall in a finished wine: 5 g of sugar in a litre."""

SETTLED_FALL = 0.0016
"""A wine is settled when it would fall less than this within the profile's settled hours (0.0008 a day for 48 h):
less than two equal readings of a hydrometer can tell."""


_by_instant = itemgetter(1, 0, 2)
"""Of a ``Shown``: its instant, then what tells two of one instant apart."""


@dataclass(slots=True)
class LotEstimator:
    """Estimates one lot.

    Attributes:
        settled_hours: the profile's.
        filter: None before the first gravity.
        floats: what is known of each float.
        first_gravity: where the lot began, raised by sugar; ``end_gravity``: where it should end.
        onset_ms: when fermentation began, or NEVER. ``lowest_rate``: the steepest fall, per day.
        heard: whether a believed float or a check spoke in the slot just closed.
        p_unfinished, p_falling: the chance that more than ``LEFT_GRAVITY`` is left to fall, and that it is not settled;
            None while the tail is not followed.
        checks: by float, float minus hydrometer and the hydrometer's gravity, of a check made in this slot.
        reanchored: floats re-anchored in this slot.
        stood, stood_var: where the wine stood when a float was last believed, with its variance; ANYWHERE after
            anything was done to it: no wine rises by itself.
        hanging: what is to be taken back should the only float turn out to hang. heat: what heat did to the yeast.
        checked_ms, heard_float_ms: when a check, and a believed float, last spoke. checked_gravity: the estimate at
            that check.
    """

    settled_hours: float = field(metadata=TRANSIENT)
    from_ms: InitVar[int]
    filter: GravityFilter | None = None
    floats: dict[str, FloatTrack] = field(default_factory=dict)
    tail: Tail = field(default_factory=Tail)
    first_gravity: float | None = None
    end_gravity: float | None = None
    onset_ms: int = NEVER
    lowest_rate: float = 0.0
    heard: bool = field(metadata=TRANSIENT, default=False)
    p_unfinished: float | None = None
    p_falling: float | None = None
    checks: dict[str, tuple[float, float]] = field(metadata=TRANSIENT, default_factory=dict)
    reanchored: list[str] = field(metadata=TRANSIENT, default_factory=list)
    checked_ms: int = NEVER
    checked_gravity: float = ANYWHERE
    awaited_ms: int = field(init=False)
    heard_float_ms: int = NEVER
    hour_ms: int = NEVER
    hour_sum: float = 0.0
    hour_weight: float = 0.0
    through_ms: int = field(init=False)
    stood: float = ANYWHERE
    stood_var: float = 0.0
    hanging: Hanging = field(default_factory=Hanging)
    heat: Heat = field(default_factory=Heat)

    def __post_init__(self, from_ms: int) -> None:
        self.awaited_ms = self.through_ms = from_ms

    @property
    def settled_rate(self) -> float:
        """Return the fall per day from which on a wine counts as settled, by its profile."""
        return SETTLED_FALL * 24.0 / self.settled_hours

    # -- in -----------------------------------------------------------------------------------------------------

    def advance(self, end_ms: int, celsius: float | None, warmer_k: float) -> None:
        """Advance to the end of a slot in which the must was so warm, warmer by so many kelvin than before."""
        kept, since_ms = self.filter, end_ms - self.through_ms
        if kept is not None and since_ms > 0:
            kept.predict(since_ms / DAY_MS, warmer_k)
            self.hanging.advance(since_ms / DAY_MS, warmer_k)
        if celsius is not None and self.heat.take(celsius, since_ms):
            self.tail.expect(PRIORS_AFTER_HEAT)
        self.through_ms = end_ms
        self.heard = False
        if self.checks:
            self.checks = {}

    def hear(
        self,
        sensor: str,
        readings: list[Shown],
        stated_sd: float | None,
        celsius: float | None,
        end_ms: int,
    ) -> None:
        """Take in the gravities one float showed in the slot, with the must's temperature.

        ``stated_sd`` is the standard error that the float's description or calibration states of one gravity: what
        it begins with, and where its calibration does not reach, what is added to its noise.
        """
        if len(readings) > 1:
            readings.sort(key=_by_instant)
        kept = self.filter
        if kept is None:
            middle = sorted(value for value, _, _ in readings)[len(readings) // 2]
            kept = self.filter = GravityFilter(middle, FIRST_GRAVITY_SD)
        track = self.floats.get(sensor)
        if track is None:
            track = self.floats[sensor] = FloatTrack(kept.add_float(sensor), stated_sd)
        warmer = 0.0 if celsius is None else celsius - REFERENCE_C
        mean, var = kept.expect(track.index, warmer)
        rate_per_ms = kept.x[1] / DAY_MS
        is_settled = self.p_falling is not None and self.p_falling < STILL
        track.constancy.is_resting = self.onset_ms == NEVER or is_settled
        if end_ms > track.blank_until_ms:
            self._watch_hanging(kept, track, readings, (mean, var, rate_per_ms), end_ms)
        if not track.is_believed(end_ms):
            return
        residual, noise = track.weigh(
            readings, mean, var, rate_per_ms, end_ms, (self.stood - kept.x[0], self.stood_var)
        )
        if stated_sd is not None and stated_sd * stated_sd > BEYOND * track.noise_var:
            noise += stated_sd * stated_sd
        if self.tail.models and not track.may_hide_fall:
            self.hour_sum += (kept.x[0] + residual) / noise
            self.hour_weight += 1.0 / noise
        if track.has_jumped():
            kept.widen(0, residual * residual)
            kept.widen(1, JUMP_RATE_SD**2)
        kept.update_float(track.index, warmer, residual, noise)
        if kept.has_begun:
            self.stood, self.stood_var = kept.x[0], kept.p[0][0]
        self.heard = True
        track.heard_ms = end_ms
        if not track.is_adrift:
            self.heard_float_ms = end_ms
        track.slots += 1

    def _watch_hanging(
        self,
        kept: GravityFilter,
        track: FloatTrack,
        readings: list[Shown],
        expected: tuple[float, float, float],
        end_ms: int,
    ) -> None:
        """Let the float's trembling say whether it hangs; what it said since it began to is taken back."""
        since_ms, was_held = track.held_ms, track.is_held
        track.tremble(readings, *expected, end_ms)
        if len(self.floats) > 1 or (not was_held and expected[2] * -DAY_MS <= HELD_MOVING):
            self.hanging.forget()  # what other floats said since is worth more; in a wine that hardly falls none hangs
        elif track.is_held:
            if not was_held and track.held_ms == since_ms and self.hanging.take_back(kept):
                self.stood = ANYWHERE
        elif track.held_ms != since_ms:
            if end_ms - track.freed_ms > HELD_AT_MOST_MS:
                self.hanging.begin(kept)
            else:
                self.hanging.forget()

    def check(self, gravity: float, end_ms: int) -> None:
        """Take in a hydrometer check of the lot."""
        kept = self.filter
        self.hanging.forget()
        if kept is None:
            self.filter = GravityFilter(gravity, HYDROMETER_SD)
        else:
            self._compare(kept, gravity, end_ms)
            moved = kept.update_gravity(gravity, HYDROMETER_SD**2)
            self.tail.shift(moved)
            self.hour_sum += self.hour_weight * moved
        self.heard = True
        self.stood = ANYWHERE
        self.checked_ms = end_ms
        self.checked_gravity = gravity if kept is None else kept.x[0]

    def _compare(self, kept: GravityFilter, gravity: float, end_ms: int) -> None:
        """Compare a check with what each float shows; one that is clearly off has drifted unseen."""
        for sensor, track in self.floats.items():
            if track.heard_ms < end_ms - CHECK_WITHIN_MS or track.slots < FIRST_SLOTS:
                continue
            i, p = track.index, kept.p
            shown_sd = max(0.0, p[0][0] + p[i][i] + 2.0 * p[0][i]) ** 0.5
            apart = kept.x[0] + kept.x[i] - gravity
            meanwhile = CHECK_DAYS * abs(kept.x[1])
            track.is_adrift = abs(apart) > max(ADRIFT, allowance(shown_sd)) + meanwhile
            track.may_hide_fall = track.is_adrift and apart > 0.0
            self.checks[sensor] = (apart, gravity)
            if track.is_adrift:
                kept.allow_drift(i, apart * apart)

    @property
    def is_adrift(self) -> bool:
        """Return whether all there is to go by is a float that a check has shown to be adrift."""
        since_ms = self.through_ms - CHECK_WITHIN_MS
        good = any(not t.is_adrift and t.heard_ms >= since_ms for t in self.floats.values())
        return not good and any(t.is_adrift for t in self.floats.values())

    def hangs(self) -> Hangs | None:
        """Return how the lot's floats hang; None where none does."""
        kept = self.filter
        held = [track for track in self.floats.values() if track.is_held]
        if kept is None or not held:
            return None
        return Hangs(
            max(track.held_ms for track in held),
            max(track.held_at - kept.x[track.index] for track in held),
            any(track.noise_var < QUIET_VAR for track in held),
        )

    @property
    def freed_ms(self) -> int:
        """Return when a float was last found by its trembling to swim after all: the wine stands."""
        return max((track.freed_ms for track in self.floats.values()), default=NEVER)

    def no_lower_than(self, gravity: float) -> float:
        """Return what of an estimate the wine has surely come down to: a float that is adrift shows none by itself."""
        return max(gravity, self.checked_gravity) if self.is_adrift else gravity

    def conclude(self, end_ms: int) -> None:
        """Work out, from what was heard in the slot, where the lot stands."""
        kept = self.filter
        if kept is None:
            return
        gravity, rate = kept.x[0], kept.x[1]
        if self.onset_ms == NEVER:
            self._await_onset(kept, gravity, rate, end_ms)
            return
        if not self.heard:
            return
        if rate < self.lowest_rate:
            self.lowest_rate = rate
        self._follow_tail(end_ms, gravity, rate)

    def _await_onset(self, kept: GravityFilter, gravity: float, rate: float, end_ms: int) -> None:
        """Follow where the lot began, slowly, until it has clearly fallen from there."""
        first = self.first_gravity
        if first is None:
            self._begins_at(gravity)
        elif self.heard:
            share = min(1.0, (end_ms - self.awaited_ms) / FIRST_MEMORY_MS)
            fall = first - gravity
            if fall > ONSET_FALL + kept.p[0][0] ** 0.5 and rate + kept.p[1][1] ** 0.5 < 0.0:
                self.onset_ms = end_ms
                kept.has_begun = True
            elif fall < 0.5 * ONSET_FALL:
                self._begins_at(first - share * fall)
        if self.heard or first is None:
            self.awaited_ms = end_ms

    def _begins_at(self, gravity: float) -> None:
        self.first_gravity = gravity
        self.end_gravity = end = expected_end(gravity)
        if self.filter is not None:
            self.filter.end = end
            self.filter.whole = max(0.0, gravity - end)

    def _follow_tail(self, end_ms: int, gravity: float, rate: float) -> None:
        kept, tail = self.filter, self.tail
        assert kept is not None  # noqa: S101 (called with one only)
        rate_sd = kept.p[1][1] ** 0.5
        if not tail.models:
            if rate > -TAIL_RATE and rate > TAIL_SHARE * self.lowest_rate and rate_sd < TAIL_RATE_SD:
                self._begin_tail(end_ms, gravity, rate, rate_sd)
            return
        is_long_still = self.p_falling is not None and self.p_falling < LONG_STILL
        if end_ms - self.hour_ms < (LONG_STILL_MS if is_long_still else HOUR_MS) or not self.hour_weight:
            return
        if rate + 2.0 * rate_sd < -TAIL_OVER:
            tail.stop()
            self.p_unfinished = self.p_falling = None
            return
        if (
            self.p_falling is not None
            and self.p_falling < STILL
            and rate + 2.0 * rate_sd < -STIRRING * self.settled_rate
        ):
            # It had settled and falls again: what the tail has learnt is of another time.
            self._begin_tail(end_ms, gravity, rate, rate_sd)
            return
        weight, since_ms = self.hour_weight, end_ms - self.hour_ms
        now = Now(gravity, TAIL_GRAVITY_SD, rate, rate_sd)
        wander = (
            WANDER_VAR * HOUR_MS / min(since_ms, LONG_STILL_MS)
        )  # after a silence, no less than that of six hours
        tail.follow(since_ms / DAY_MS, self.hour_sum / weight, 1.0 / weight + wander, now)
        self._empty_hour(end_ms)
        self.p_unfinished, self.p_falling = tail.judge(LEFT_GRAVITY, self.settled_rate)

    def _begin_tail(self, end_ms: int, gravity: float, rate: float, rate_sd: float) -> None:
        end = self.end_gravity if self.end_gravity is not None else gravity
        priors = PRIORS_AFTER_HEAT if self.heat.is_harmful else PRIORS
        self.tail.begin(end_ms, end, END_SD, Now(gravity, TAIL_GRAVITY_SD, rate, rate_sd), priors)
        self.p_unfinished = self.p_falling = None
        self._empty_hour(end_ms)

    def _empty_hour(self, end_ms: int) -> None:
        self.hour_ms = end_ms
        self.hour_sum = self.hour_weight = 0.0

    # -- what people did ------------------------------------------------------------------------------------------

    def forget_checks(self) -> None:
        """Forget where the hydrometer last saw the wine: something was added."""
        self.checked_gravity = ANYWHERE

    def disturb(self, at_ms: int, blank_ms: int, gravity_sd: float) -> None:
        """Allow for a step of about ``gravity_sd``; floats are not believed for ``blank_ms``."""
        self.stood = ANYWHERE
        self.hanging.forget()
        if self.filter is not None:
            self.filter.widen(0, gravity_sd**2)
        for track in self.floats.values():
            track.blank_until_ms = max(track.blank_until_ms, at_ms + blank_ms)

    def add(self, gravity: float) -> None:
        """Take in that something was added which changes gravity by so much: the lot begins anew from there."""
        kept = self.filter
        if kept is None:
            return
        kept.x[0] += gravity
        self.stood = ANYWHERE
        if self.first_gravity is not None:
            self._begins_at(self.first_gravity + gravity)
        self.tail.stop()
        self.p_unfinished = self.p_falling = None

    def repitch(self) -> None:
        """Take in that living yeast was added: what heat did to the old one matters no more."""
        self.heat.begin_anew()
        self.tail.expect(PRIORS)

    def reanchor(self, sensor: str, offset: float, until_ms: int) -> None:
        """Take in that from now on ``offset`` is added to what a float shows."""
        track, kept = self.floats.get(sensor), self.filter
        if track is None or kept is None:
            return
        step = offset - track.anchored
        self.stood = ANYWHERE
        self.hanging.forget()
        kept.x[track.index] += step
        # The winemaker says that the float was wrong: what was concluded from it is in doubt by as much, and the
        # check that goes with this decides.
        kept.widen(0, step * step)
        kept.widen(track.index, step * step)
        kept.widen(track.index, REANCHOR_SD**2)
        track.anchored = offset
        track.is_adrift = track.may_hide_fall = False
        self.reanchored.append(sensor)
        track.blank_until_ms = max(track.blank_until_ms, until_ms)
