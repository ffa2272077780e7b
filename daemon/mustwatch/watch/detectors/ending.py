"""How a ferment ends: settled at dryness (finished), settled above it (stuck), or moving again (refermenting)."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import ClassVar

from mustwatch.cellar.profile import Stage
from mustwatch.watch.detectors.detector import NOTHING, Evidence, Latch, OneLatch
from mustwatch.watch.detectors.slot_view import SlotView
from mustwatch.watch.finding import FindingKind, Severity, Transition
from mustwatch.watch.lot_estimator import LEFT_GRAVITY, NEVER
from mustwatch.watch.slots import SLOT_MS

HOUR_MS = 3_600_000

FINISHED_LEFT = 0.025
"""Probability, over all paces of the tail, that more than 0.002 is still to fall: below it, ..."""

FINISHED_LEFT_IN_DOUBT = 0.015
"""... or below this after heat that kills yeast, when slow tails are common, and in a wine that has fermented again
after it was finished, when nobody can say how much has come alive, and ..."""

IN_DOUBT_FOR_MS = 18 * HOUR_MS
"""In such a wine both have to hold for so long in a row: a few odd hours make no end. Elsewhere once will do."""

FINISHED_MOVING = 0.3
"""... with the probability that the wine has not settled below this, and the filter's own rate, which knows nothing of
paces, slower than the settled rate, it is finished. The tail is asked once an hour; waiting on top of that costs an
hour and saves no slow tail that a lower chance does not save at less."""

AT_DRYNESS = 0.0005
"""An estimate that hovers around dryness does not begin anew to wait for ``stuck``, until it is this far below."""

STUCK_LEFT = 0.7
STUCK_MOVING = 0.55
"""The same for a wine above dryness, which is stuck when it does not move, whatever is left of a fall that slow; more
time is given instead: ..."""

STUCK_FOR_MS = 12 * HOUR_MS
"""... a cold night is not a stuck ferment (common practice: unchanged for more than a day)."""

OVER_FOR_MS = 3 * HOUR_MS
"""``stuck`` is over when a float shows that for so long: one that was not believed for hours is soon put right."""

NEAR_DRY = 0.003
STUCK_NEAR_DRY_MS = 72 * HOUR_MS
"""This near above dryness nobody can tell stuck from dry by a float, which may have drifted so far since its last
check: it is said only after three days."""

MOVED = 0.0025
"""After ``finished`` a fall of this much is movement if the rate agrees."""

MOVED_FOR_MS = 24 * HOUR_MS
"""A wine that has moved again is not called finished within a day of that."""

MOVING_RATE = 0.0015
"""... and so is a rate clearly above this a day."""

BY_HAND_SHARE = 0.9
"""Equal checks count as settled from this share of the settled hours on: people come at about the same hour."""

Facts = dict[str, float | int | str | None]


def _evidence(view: SlotView) -> Facts:
    end = view.estimator.end_gravity
    return {
        "gravity": None if view.gravity is None else round(view.gravity, 4),
        "gravity_sd": round(view.gravity_sd, 5),
        "rate_per_day": round(view.rate, 5),
        "rate_sd_per_day": round(view.rate_sd, 5),
        "dry_gravity": view.profile.dry_gravity,
        "expected_end_gravity": None if end is None else round(end, 4),
        "celsius": None if view.celsius is None else round(view.celsius, 1),
    }


def _settled_by_hand(view: SlotView) -> bool:
    equal_h = view.equal_checks_hours
    return equal_h is not None and equal_h >= BY_HAND_SHARE * view.profile.settled_hours


@dataclass(slots=True)
class Ended:
    """Finished and refermenting: two sides of one question, so that they never hold together.

    ``finished`` is raised when gravity has settled at or below dryness with nothing of note left to fall by any tail
    the data allow; it asks for a hydrometer check and says that bottling waits for it. It is cleared when sugar is
    given to living yeast, which has to ferment first. When gravity moves again ``finished`` is cleared and
    ``refermenting`` raised (urgent once bottled), until gravity has settled anew.
    """

    kinds: ClassVar[tuple[FindingKind, ...]] = (FindingKind.FINISHED, FindingKind.REFERMENTING)
    finished: Latch = field(default_factory=lambda: Latch(FindingKind.FINISHED))
    refermenting: Latch = field(default_factory=lambda: Latch(FindingKind.REFERMENTING))
    at_gravity: float = 0.0
    is_by_float: bool = False
    since_ms: int = NEVER

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        if self.finished.severity is not None and view.fed_ms >= self.finished.since_ms:
            return self.finished.clear(view.at_ms, view.subject, _evidence(view))
        gravity = view.gravity
        if gravity is None or not view.heard:
            return NOTHING
        if self.finished.severity is None:
            return self._settled(view, gravity)
        drop = self.at_gravity - gravity
        estimator = view.estimator
        if estimator.is_adrift and estimator.checked_ms != view.at_ms:
            return NOTHING  # creeping down it looks like a wine that falls: the next check tells
        if drop > 0.0:
            fall = -view.rate
            is_far = drop > MOVED and fall > max(2.0 * view.rate_sd, estimator.settled_rate)
            if is_far or (drop > 0.5 * MOVED and fall - 2.5 * view.rate_sd > MOVING_RATE):
                return self._moving(view, drop)
        elif gravity - 2.0 * view.gravity_sd > view.profile.dry_gravity + MOVED:
            return self.finished.clear(view.at_ms, view.subject, _evidence(view))
        return NOTHING

    def _settledness(self, view: SlotView) -> Facts:
        """Return by what the wine counts as settled: the chance that it is not, or since when its checks are equal."""
        left = view.estimator.p_unfinished
        if self.is_by_float and left is not None:
            return {"probability_unfinished": round(left, 3), "unfinished_gravity": LEFT_GRAVITY}
        return {"hours_settled": round(view.equal_checks_hours or 0.0, 1)}

    def figures(self, view: SlotView) -> Iterable[tuple[FindingKind, str | None, Evidence]]:
        """Return what is to be said now of what holds."""
        if self.finished.severity is not None:
            yield FindingKind.FINISHED, None, _evidence(view) | self._settledness(view)
        if self.refermenting.severity is not None and view.gravity is not None:
            fall = {"fall_since_finished_gravity": round(self.at_gravity - view.gravity, 4)}
            yield FindingKind.REFERMENTING, None, _evidence(view) | fall

    def _moving(self, view: SlotView, drop: float) -> tuple[Transition, ...]:
        evidence = _evidence(view)
        evidence["fall_since_finished_gravity"] = round(drop, 4)
        severity = Severity.URGENT if view.stage is Stage.BOTTLED else Severity.WARNING
        return self.finished.clear(view.at_ms, view.subject, evidence) + self.refermenting.set(
            view.at_ms, view.subject, severity, evidence
        )

    def _settled(self, view: SlotView, gravity: float) -> tuple[Transition, ...]:
        since_ms, self.since_ms = self.since_ms, NEVER
        if view.estimator.no_lower_than(gravity) > view.profile.dry_gravity:
            return NOTHING
        p_unfinished, p_falling = view.estimator.p_unfinished, view.estimator.p_falling
        moved = self.refermenting
        is_doubtful = view.estimator.heat.is_harmful or moved.severity is not None
        enough = FINISHED_LEFT_IN_DOUBT if is_doubtful else FINISHED_LEFT
        by_tail = (
            p_unfinished is not None
            and p_falling is not None
            and p_unfinished < enough
            and p_falling < FINISHED_MOVING
        )
        by_float = by_tail and -view.rate < view.estimator.settled_rate
        if by_float:
            self.since_ms = view.at_ms if since_ms == NEVER else since_ms
            by_float = not is_doubtful or view.at_ms - self.since_ms >= IN_DOUBT_FOR_MS
        if not by_float and not _settled_by_hand(view):
            return NOTHING
        if moved.severity is not None and view.at_ms - moved.since_ms < MOVED_FOR_MS:
            return NOTHING
        self.at_gravity = gravity
        self.since_ms = NEVER
        evidence = _evidence(view)
        self.is_by_float = by_float
        evidence |= self._settledness(view)
        evidence["next"] = "check with a hydrometer; bottling waits for that check"
        return self.refermenting.clear(view.at_ms, view.subject, evidence) + self.finished.set(
            view.at_ms, view.subject, Severity.NOTICE, evidence
        )

    def open_findings(self) -> Iterable[tuple[FindingKind, str | None, int]]:
        """Return what holds."""
        for latch in (self.finished, self.refermenting):
            if latch.severity is not None:
                yield latch.kind, None, latch.since_ms


@dataclass(slots=True)
class Stuck(OneLatch):
    """Fermentation began and has stopped above dryness.

    Raised when gravity has been settled for long enough while it is above dryness; never from a float that is frozen,
    held, blanked or silent, because such slots are not heard. Cleared when it falls below where it stood, or turns
    out dry.
    """

    kinds: ClassVar[tuple[FindingKind, ...]] = (FindingKind.STUCK,)
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
            not (is_still or _settled_by_hand(view))
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
        if view.at_ms - self.still_ms < needed_ms and not (is_clear and _settled_by_hand(view)):
            return NOTHING
        self.at_gravity = gravity
        return self.latch.set(view.at_ms, view.subject, Severity.WARNING, self.evidence(view))

    def evidence(self, view: SlotView) -> Evidence:
        """Return where it stands now, and for how long."""
        return _evidence(view) | {"hours_settled": round((view.at_ms - self.still_ms) / HOUR_MS, 1)}

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
        return self.latch.clear(view.at_ms, view.subject, _evidence(view))
