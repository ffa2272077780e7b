"""Finished, and fermenting again: settled at dryness with nothing of note left to fall, and moving after that."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.quantities import GravityChange, Hours, Probability
from mustwatch.watch.detector import NOTHING, Latch
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.findings.refermenting import KIND as REFERMENTING
from mustwatch.watch.findings.refermenting import Moving
from mustwatch.watch.lot_estimator import LEFT_GRAVITY, NEVER
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.standing import MOVED, MOVING_RATE, AtTheEnd, is_settled_by_hand

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

MOVED_FOR_MS = 24 * HOUR_MS
"""A wine that has moved again is not called finished within a day of that."""


@dataclass(frozen=True, slots=True)
class Settled(AtTheEnd):
    """How the wine stands, and by what it counts as settled: the chance that it is not, or since when its checks agree;
    when it is raised, also what comes next.
    """

    probability_unfinished: Probability | None = None
    unfinished_gravity: GravityChange | None = None
    hours_settled: Hours | None = None
    next: str | None = None


KIND = FindingKind(
    "finished",
    About.WINE,
    Settled,
    drawn=Drawn(Curve.GRAVITY, limit="dry_gravity"),
    is_end_told=True,
    end_said_by=REFERMENTING,
)


@dataclass(slots=True)
class Ended:
    """Finished and refermenting: two sides of one question, so that they never hold together.

    ``finished`` is raised when gravity has settled at or below dryness with nothing of note left to fall by any tail
    the data allow; it asks for a hydrometer check and says that bottling waits for it. It is cleared when sugar is
    given to living yeast, which has to ferment first. When gravity moves again ``finished`` is cleared and
    ``refermenting`` raised (urgent once bottled), until gravity has settled anew.
    """

    kinds = (KIND, REFERMENTING)
    finished: Latch = field(default_factory=lambda: Latch(KIND))
    refermenting: Latch = field(default_factory=lambda: Latch(REFERMENTING))
    at_gravity: float = 0.0
    is_by_float: bool = False
    since_ms: int = NEVER

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        if self.finished.severity is not None and view.fed_ms >= self.finished.since_ms:
            return self.finished.clear(view.at_ms, view.subject, AtTheEnd.of(view))
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
            return self.finished.clear(view.at_ms, view.subject, AtTheEnd.of(view))
        return NOTHING

    def _evidence(self, view: SlotView, next_: str | None = None) -> Settled:
        left = view.estimator.p_unfinished
        if self.is_by_float and left is not None:
            chance, unfinished = Probability(round(left, 3)), GravityChange(LEFT_GRAVITY)
            return Settled.of(view, probability_unfinished=chance, unfinished_gravity=unfinished, next=next_)
        return Settled.of(view, hours_settled=Hours(round(view.equal_checks_hours or 0.0, 1)), next=next_)

    def figures(self, view: SlotView) -> Iterable[tuple[FindingKind, str | None, Evidence]]:
        """Return what is to be said now of what holds."""
        if self.finished.severity is not None:
            yield KIND, None, self._evidence(view)
        if self.refermenting.severity is not None and view.gravity is not None:
            fall = GravityChange(round(self.at_gravity - view.gravity, 4))
            yield REFERMENTING, None, Moving.of(view, fall_since_finished_gravity=fall)

    def _moving(self, view: SlotView, drop: float) -> tuple[Transition, ...]:
        evidence = Moving.of(view, fall_since_finished_gravity=GravityChange(round(drop, 4)))
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
        if not by_float and not is_settled_by_hand(view):
            return NOTHING
        if moved.severity is not None and view.at_ms - moved.since_ms < MOVED_FOR_MS:
            return NOTHING
        self.at_gravity = gravity
        self.since_ms = NEVER
        self.is_by_float = by_float
        evidence = self._evidence(view, "check with a hydrometer; bottling waits for that check")
        return self.refermenting.clear(view.at_ms, view.subject, evidence) + self.finished.set(
            view.at_ms, view.subject, Severity.NOTICE, evidence
        )

    def open_findings(self) -> Iterable[tuple[FindingKind, str | None, int]]:
        """Return what holds."""
        for latch in (self.finished, self.refermenting):
            if latch.severity is not None:
                yield latch.kind, None, latch.since_ms
