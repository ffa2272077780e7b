"""Sluggish: a fall that has become slow."""

from collections.abc import Iterable
from dataclasses import dataclass

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.quantities import Hours
from mustwatch.watch.detector import NOTHING, OneLatch
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.lot_estimator import NEVER
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.standing import Left, Standing, gravity_of, rate_of

SLOW_HIGH = 0.005
"""Sluggish above ``SLOW_LEVEL``: less than this a day. Source: Pambianchi, Modern Home Winemaking."""

SLOW_LOW = 0.002
"""Sluggish below it: less than this a day. Source: Pambianchi, Modern Home Winemaking."""

SLOW_LEVEL = 1.005

SLOW_FOR_MS = 24 * HOUR_MS
"""A day and a night of it: what one cold night did is gone by the next evening (common practice)."""

GATHERING_MS = 48 * HOUR_MS
"""So soon after its onset a ferment is not called slow even if it looked fast at first: the onset itself looks like a
leap, and what comes after a leap looks slow."""

SETTLED = 0.5
"""A wine that has settled with more than this probability is finished or stuck, not slow."""

ENDED = 0.05
"""One that may move with less than this has ended, well or badly: another finding says which."""

FAR_FROM_END = 0.006
"""What is nearly done may be slow: nothing is said within this of the expected end (common practice)."""


@dataclass(frozen=True, slots=True)
class Slow(Standing):
    """How the wine stands, and for how long it has been slow."""

    hours_slow: Hours


KIND = FindingKind("sluggish", About.WINE, Slow, drawn=Drawn(Curve.GRAVITY, beside="racking_gravity"))


@dataclass(slots=True)
class Sluggish(OneLatch):
    """The ferment goes on, but slowly: under 0.005 a day above 1.005, under 0.002 a day below it, for a day.

    Judged after the steepest fall only and away from the expected end, with the rate's standard error against it;
    cleared when the rate is clearly above again, or when the ferment ends one way or the other.
    """

    kinds = (KIND,)
    slow_ms: int = NEVER

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        gravity = view.gravity
        if gravity is None or not view.heard or view.estimator.onset_ms == NEVER:
            return NOTHING
        limit = SLOW_HIGH if gravity > SLOW_LEVEL else SLOW_LOW
        fall, sd = -view.rate, view.rate_sd
        end = view.estimator.end_gravity
        if end is None:
            end = view.profile.dry_gravity
        near_end = gravity - end < FAR_FROM_END
        if self.latch.severity is not None:
            p_falling = view.estimator.p_falling
            if fall - 2.0 * sd > limit or near_end or (p_falling is not None and p_falling < ENDED):
                self.slow_ms = NEVER
                return self.latch.clear(view.at_ms, view.subject, Left(gravity_of(view), rate_of(view)))
            return NOTHING
        is_settled = view.estimator.p_falling is not None and view.estimator.p_falling < SETTLED
        if fall - sd > limit or near_end or is_settled or view.stage not in (Stage.PRIMARY, Stage.SECONDARY):
            self.slow_ms = NEVER
            return NOTHING
        # Before it has gathered way a ferment is slow by nature; the onset hours give it that time.
        has_run = -view.estimator.lowest_rate >= limit
        gathering_ms = GATHERING_MS if has_run else view.profile.onset_hours * HOUR_MS
        if view.at_ms - view.estimator.onset_ms < gathering_ms:
            return NOTHING
        if self.slow_ms == NEVER:
            self.slow_ms = view.at_ms
        if view.at_ms - self.slow_ms < SLOW_FOR_MS or fall + 0.5 * sd > limit:
            return NOTHING
        return self.latch.set(view.at_ms, view.subject, Severity.NOTICE, self.evidence(view))

    def evidence(self, view: SlotView) -> Evidence:
        """Return how slow it is now, and since when."""
        return Slow.of(view, hours_slow=Hours(round((view.at_ms - self.slow_ms) / HOUR_MS, 1)))
