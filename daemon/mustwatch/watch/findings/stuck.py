"""Stuck: fermentation began and has stopped above dryness."""

from collections.abc import Iterable
from dataclasses import dataclass

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.quantities import Hours
from mustwatch.watch.detector import NOTHING, OneLatch
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.lot_estimator import NEVER
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.slots import SLOT_MS
from mustwatch.watch.standing import MOVED, MOVING_RATE, AtTheEnd, is_settled_by_hand

AT_DRYNESS = 0.0005
"""An estimate that hovers around dryness does not begin anew to wait for ``stuck``, until it is this far below."""

STUCK_LEFT = 0.7
STUCK_MOVING = 0.55
"""Probabilities that more than 0.002 is still to fall, and that the wine falls: with less than both, above dryness, it
is stuck, whatever is left of a fall that slow. Compared with a finished wine more time is given: ..."""

STUCK_FOR_MS = 12 * HOUR_MS
"""... a cold night is not a stuck ferment (common practice: unchanged for more than a day)."""

OVER_FOR_MS = 3 * HOUR_MS
"""``stuck`` is over when a float shows that for so long: one that was not believed for hours is soon put right."""

NEAR_DRY = 0.003
STUCK_NEAR_DRY_MS = 72 * HOUR_MS
"""This near above dryness nobody can tell stuck from dry by a float, which may have drifted so far since its last
check: it is said only after three days."""


@dataclass(frozen=True, slots=True)
class Stopped(AtTheEnd):
    """How the wine stands, and for how long it has not moved."""

    hours_settled: Hours


KIND = FindingKind("stuck", About.WINE, Stopped, drawn=Drawn(Curve.GRAVITY, limit="dry_gravity"))


@dataclass(slots=True)
class Stuck(OneLatch):
    """Fermentation began and has stopped above dryness.

    Raised when gravity has been settled for long enough while it is above dryness; never from a float that is frozen,
    held, blanked or silent, because such slots are not heard. Cleared when it falls below where it stood, or turns
    out dry.
    """

    kinds = (KIND,)
    at_gravity: float | None = None
    still_ms: int = NEVER
    over_ms: int = NEVER

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        gravity = view.gravity
        if view.estimator.reanchored or view.at_ms - view.disturbed_ms <= SLOT_MS:
            self.at_gravity = None  # where it stands after what was done to it is not yet known
        if gravity is None or not view.heard or view.estimator.onset_ms == NEVER:
            return NOTHING
        dry = view.profile.dry_gravity
        if self.latch.severity is not None:
            return self._goes_on(view, gravity)
        p_unfinished, p_falling = view.estimator.p_unfinished, view.estimator.p_falling
        is_still = (
            p_unfinished is not None
            and p_falling is not None
            and p_unfinished < STUCK_LEFT
            and p_falling < STUCK_MOVING
        )
        if (
            not (is_still or is_settled_by_hand(view))
            or gravity <= dry - AT_DRYNESS
            or view.stage
            not in (
                Stage.PRIMARY,
                Stage.SECONDARY,
            )
        ):
            self.still_ms = NEVER
            return NOTHING
        if self.still_ms == NEVER:
            self.still_ms = view.at_ms
        is_clear = gravity - max(view.gravity_sd, NEAR_DRY) > dry
        needed_ms = STUCK_FOR_MS if is_clear else STUCK_NEAR_DRY_MS
        if view.at_ms - self.still_ms < needed_ms and not (is_clear and is_settled_by_hand(view)):
            return NOTHING
        self.at_gravity = gravity
        return self.latch.set(view.at_ms, view.subject, Severity.WARNING, self.evidence(view))

    def evidence(self, view: SlotView) -> Evidence:
        """Return where it stands now, and for how long."""
        return Stopped.of(view, hours_settled=Hours(round((view.at_ms - self.still_ms) / HOUR_MS, 1)))

    def _goes_on(self, view: SlotView, gravity: float) -> tuple[Transition, ...]:
        """Clear it once the wine has fallen below where it stood, or turns out dry; a check decides at once.

        Where it stood is what was known when it was told, or when something was done to it; only a check may raise
        that. A float that was lifted and comes back falls from where the wine never was.
        """
        is_checked = view.estimator.checked_ms == view.at_ms
        if self.at_gravity is None or (is_checked and gravity > self.at_gravity):
            self.at_gravity = gravity
        drop = self.at_gravity - gravity
        is_falling = drop > MOVED and -view.rate - 2.0 * view.rate_sd > MOVING_RATE
        if not is_falling and drop <= 2 * MOVED and gravity > view.profile.dry_gravity - view.gravity_sd:
            self.over_ms = NEVER
            return NOTHING
        if self.over_ms == NEVER:
            self.over_ms = view.at_ms
        if view.at_ms - self.over_ms < OVER_FOR_MS and not is_checked:
            return NOTHING
        self.still_ms = self.over_ms = NEVER
        return self.latch.clear(view.at_ms, view.subject, AtTheEnd.of(view))
