"""Rack due: the wine has come down to the gravity at which the profile racks it."""

from collections.abc import Iterable
from dataclasses import dataclass

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.quantities import Gravity, GravityChange, Hours
from mustwatch.watch.detector import NOTHING, OneLatch
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.float_track import HELD_AT_MOST_MS
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.standing import Left, Standing, gravity_of

BACK_ABOVE = 0.004
"""The finding is withdrawn when gravity is this far above the racking gravity again: sugar was added."""

KNOWN_WELL_ENOUGH = 0.004
"""Nothing is said while the estimate's standard error is larger than this."""

LEANING, JUST_BELOW = 1.0, 0.0012
"""While the readings lie so many standard errors above what was expected, the fall may just have stopped: wait until
the estimate is so far below the racking gravity. While none is believed there is nothing to wait for."""

STOPPING, FAR_BELOW = 2.0, 0.005
"""While they lie so far above it, or any float was just found to swim in a wine that stands, it has most likely stopped
and the estimate undershoots: wait, unless it is as far below as this."""

RECKONED_SD = 0.002
"""While a float is not believed the estimate goes on from what it said before, for some hours: as long as its standard
error is no larger than this, it is good enough to be called by."""

HANGS_FOR_MS = 2 * HOUR_MS
HANGS_WITHIN = 0.003
"""So long a float has to hang, and no higher above the racking gravity, before racking is called for without it. Should
it swim after all, in a wine that has stopped, its trembling tells by then; and racking a stuck wine does it harm."""

QUIET_HANGS_WITHIN = 0.001
"""The same for a float that trembles so little that its trembling tells nothing."""


@dataclass(frozen=True, slots=True)
class Near(Standing):
    """How the wine stands to its racking gravity: reached some hours ahead by the forecast, or by what it did before
    no float was believed any more.
    """

    gravity_sd: GravityChange
    racking_gravity: Gravity
    hours_unheard: Hours | None = None
    hours_ahead: Hours | None = None


KIND = FindingKind("rack-due", About.WINE, Near, drawn=Drawn(Curve.GRAVITY, limit="racking_gravity"))


@dataclass(slots=True)
class RackDue(OneLatch):
    """The estimate has reached the profile's racking gravity while the lot is in its primary.

    Raised at the first slot whose estimate is at or below it, or as many hours ahead as the profile asks notice for,
    by the forecast; cleared when the lot is racked or its stage is changed, or gravity is well above again.
    """

    kinds = (KIND,)

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        latch = self.latch
        if view.stage is not Stage.PRIMARY:
            if latch.severity is None:
                return NOTHING
            return latch.clear(view.at_ms, view.subject, Left(gravity_of(view)))
        gravity = view.gravity
        if gravity is None or not (view.heard or self._is_reckoned(view)):
            return NOTHING
        due = view.profile.racking_gravity
        if latch.severity is not None:
            if gravity - 2.0 * view.gravity_sd > due + BACK_ABOVE and not self._foreseen(view):
                return latch.clear(view.at_ms, view.subject, Left(gravity_of(view)))
            return NOTHING
        if view.gravity_sd > KNOWN_WELL_ENOUGH or not (gravity <= due or self._foreseen(view)):
            return NOTHING
        if view.heard and self._may_have_stopped(view, due - gravity):
            return NOTHING
        return latch.set(view.at_ms, view.subject, Severity.NOTICE, self.evidence(view))

    def evidence(self, view: SlotView) -> Evidence:
        """Return how near it is to its racking gravity, or since when it is below."""
        gravity, due = view.gravity, view.profile.racking_gravity
        unheard = ahead = None
        if not view.heard:
            heard_ms = max(view.estimator.heard_float_ms, view.estimator.checked_ms)
            unheard = Hours(round((view.at_ms - heard_ms) / HOUR_MS, 1))
        rack = view.forecast.rack
        if gravity is not None and gravity > due and rack is not None:
            ahead = Hours(round((rack.at_ms - view.at_ms) / HOUR_MS, 1))
        return Near.of(
            view,
            gravity_sd=GravityChange(round(view.gravity_sd, 5)),
            racking_gravity=Gravity(due),
            hours_unheard=unheard,
            hours_ahead=ahead,
        )

    def _may_have_stopped(self, view: SlotView, below: float) -> bool:
        """Return whether the readings hint that the fall stopped before it got so far below the racking gravity."""
        kept = view.estimator.filter
        if kept is None or kept.leans <= LEANING:
            return False
        has_stopped = kept.leans > STOPPING or view.at_ms - view.estimator.freed_ms < HELD_AT_MOST_MS
        return below < (FAR_BELOW if has_stopped else JUST_BELOW)

    def _is_reckoned(self, view: SlotView) -> bool:
        """Return whether the wine is known well enough although no float is believed: foam does not stop the yeast."""
        if self.latch.severity is not None or view.gravity_sd > RECKONED_SD:
            return False
        hangs = view.estimator.hangs()
        if hangs is None:
            return True
        within = QUIET_HANGS_WITHIN if hangs.is_quiet else HANGS_WITHIN
        return (
            view.at_ms - hangs.since_ms >= HANGS_FOR_MS
            and hangs.at_gravity <= view.profile.racking_gravity + within
        )

    def _foreseen(self, view: SlotView) -> bool:
        notice_h = view.profile.racking_notice_hours
        rack = view.forecast.rack
        return notice_h > 0.0 and rack is not None and rack.at_ms - view.at_ms <= notice_h * HOUR_MS
