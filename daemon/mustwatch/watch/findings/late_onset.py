"""Late onset: no fermentation within the profile's onset hours after the lot began."""

from collections.abc import Iterable
from dataclasses import dataclass

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.quantities import Hours
from mustwatch.watch.detector import NOTHING, OneLatch
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.lot_estimator import NEVER
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.standing import Left, Standing, rate_of

COMING = 0.002
"""Per day: an onset that is on its way is not told ..."""

HAS_COME = 0.0025
"""... nor one that has all but come."""


@dataclass(frozen=True, slots=True)
class NotBegun(Standing):
    """How the must stands, and how long after the start."""

    hours_since_start: Hours


KIND = FindingKind("late-onset", About.WINE, NotBegun, drawn=Drawn(Curve.GRAVITY))


@dataclass(slots=True)
class LateOnset(OneLatch):
    """No fermentation within the profile's onset hours after the lot began.

    Raised when the hours are over, gravity is observed and no fall has been seen; cleared by the onset.
    """

    kinds = (KIND,)

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        if view.estimator.onset_ms != NEVER:
            if self.latch.severity is None:
                return NOTHING
            return self.latch.clear(view.at_ms, view.subject, Left(rate_per_day=rate_of(view)))
        if self.latch.severity is not None or not view.heard or view.gravity is None:
            return NOTHING
        hours = (view.at_ms - view.started_ms) / HOUR_MS
        if hours < view.profile.onset_hours or view.stage is not Stage.PRIMARY:
            return NOTHING
        if view.gravity <= view.profile.racking_gravity:
            return NOTHING
        first = view.estimator.first_gravity
        if view.rate + 0.5 * view.rate_sd < -COMING or (
            first is not None and first - view.gravity > HAS_COME
        ):
            return NOTHING
        return self.latch.set(view.at_ms, view.subject, Severity.WARNING, self.evidence(view))

    def evidence(self, view: SlotView) -> Evidence:
        """Return where it stands now, and how long after the start."""
        return NotBegun.of(view, hours_since_start=Hours(round((view.at_ms - view.started_ms) / HOUR_MS, 1)))
