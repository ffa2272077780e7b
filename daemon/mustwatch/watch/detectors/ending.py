"""How a ferment ends: settled at dryness (finished), settled above it (stuck), or moving again (refermenting)."""

from collections.abc import Iterable
from typing import Any, ClassVar

from mustwatch.cellar.profile import Stage
from mustwatch.watch.detectors.detector import NOTHING, Evidence, Latch, OneLatch
from mustwatch.watch.detectors.slot_view import NEVER, SlotView
from mustwatch.watch.finding import FindingKind, Severity, Transition

HOUR_MS = 3_600_000

STILL_TO_FALL = 0.002
"""Nothing is finished while more than this may still fall by the lot's own curve: 0.002 of gravity is 5 g of sugar
in a litre, some 1.2 bar in a closed bottle (from 2.5 g of CO2)."""

FINISHED_QUIET_H = 6.0
"""Settled for this long in a row before ``finished`` is said; the settling itself looks back much further."""

STUCK_QUIET_H = 18.0
"""Settled for this long above dryness before ``stuck`` is said: a cold night is not a stuck ferment."""

MOVED = 0.002
"""After ``finished`` a fall of this much is movement, whatever the rate."""

MOVING_RATE = 0.0015
"""... and so is a rate clearly above this a day."""


def _evidence(view: SlotView) -> dict[str, float | int | str | None]:
    return {
        "gravity": None if view.gravity is None else round(view.gravity, 4),
        "gravity_sd": round(view.gravity_sd, 5),
        "rate_per_day": round(view.rate, 5),
        "rate_sd_per_day": round(view.rate_sd, 5),
        "hours_settled": round(view.quiet_hours, 1),
        "dry_gravity": view.profile.dry_gravity,
        "expected_end_gravity": None if view.end_gravity is None else round(view.end_gravity, 4),
        "celsius": None if view.celsius is None else round(view.celsius, 1),
    }


class Ended:
    """Finished and refermenting: two sides of one question, so that they never hold together.

    ``finished`` is raised when gravity has settled at or below dryness with nothing of note left to fall; it asks for
    a hydrometer check and says that bottling waits for it. When gravity moves again ``finished`` is cleared and
    ``refermenting`` raised (urgent once bottled), until gravity has settled anew.
    """

    kinds: ClassVar[tuple[FindingKind, ...]] = (FindingKind.FINISHED, FindingKind.REFERMENTING)
    __slots__ = ("at_gravity", "finished", "refermenting")

    def __init__(self) -> None:
        self.finished = Latch(FindingKind.FINISHED)
        self.refermenting = Latch(FindingKind.REFERMENTING)
        self.at_gravity = 0.0

    def step(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        gravity = view.gravity
        if gravity is None or not view.heard:
            return NOTHING
        if self.finished.severity is None:
            return self._not_finished(view, gravity)
        if gravity < self.at_gravity:
            drop = self.at_gravity - gravity
            moving = drop > MOVED and -view.rate > view.rate_sd
            if moving or -view.rate - 2.5 * view.rate_sd > MOVING_RATE:
                return self._moving(view, drop)
        elif gravity - 2.0 * view.gravity_sd > view.profile.dry_gravity + MOVED:
            return self.finished.clear(view.at_ms, view.subject, _evidence(view))
        return NOTHING

    def _moving(self, view: SlotView, drop: float) -> tuple[Transition, ...]:
        evidence = _evidence(view)
        evidence["fall_since_finished_gravity"] = round(drop, 4)
        severity = Severity.URGENT if view.stage is Stage.BOTTLED else Severity.WARNING
        return self.finished.clear(view.at_ms, view.subject, evidence) + self.refermenting.set(
            view.at_ms, view.subject, severity, evidence
        )

    def _not_finished(self, view: SlotView, gravity: float) -> tuple[Transition, ...]:
        if view.quiet_hours < FINISHED_QUIET_H or gravity > view.profile.dry_gravity:
            return NOTHING
        if view.remaining is None or view.remaining > STILL_TO_FALL:
            return NOTHING
        self.at_gravity = gravity
        evidence = _evidence(view)
        evidence["still_to_fall_gravity"] = round(view.remaining, 4)
        evidence["next"] = "check with a hydrometer; bottling waits for that check"
        settled: Evidence = evidence
        return self.refermenting.clear(view.at_ms, view.subject, settled) + self.finished.set(
            view.at_ms, view.subject, Severity.NOTICE, settled
        )

    def open_findings(self) -> Iterable[tuple[FindingKind, str | None, int]]:
        """Return what holds."""
        for latch in (self.finished, self.refermenting):
            if latch.severity is not None:
                yield latch.kind, None, latch.since_ms

    def snapshot(self) -> list[Any]:
        """Return the state as a JSON-able list."""
        return [self.finished.snapshot(), self.refermenting.snapshot(), self.at_gravity]

    def load(self, state: list[Any]) -> None:
        """Take over the state a snapshot described."""
        finished, refermenting, self.at_gravity = state
        self.finished.load(finished)
        self.refermenting.load(refermenting)


class Stuck(OneLatch):
    """Fermentation began and has stopped above dryness.

    Raised when gravity has been settled for long enough while it is clearly above dryness; never from a float that
    is frozen, suspect, blanked or silent, because such slots are not heard. Cleared when it falls again or is dry.
    """

    kinds: ClassVar[tuple[FindingKind, ...]] = (FindingKind.STUCK,)
    memory = ("at_gravity",)

    def __init__(self) -> None:
        super().__init__()
        self.at_gravity = 0.0

    def step(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        gravity = view.gravity
        if gravity is None or not view.heard:
            return NOTHING
        if self.latch.severity is not None:
            moving = -view.rate - 2.0 * view.rate_sd > MOVING_RATE or self.at_gravity - gravity > 2 * MOVED
            if moving or gravity <= view.profile.dry_gravity - view.gravity_sd:
                return self.latch.clear(view.at_ms, view.subject, _evidence(view))
            if gravity > self.at_gravity:
                self.at_gravity = gravity
            return NOTHING
        if view.quiet_hours < STUCK_QUIET_H or view.onset_ms == NEVER:
            return NOTHING
        if gravity - view.gravity_sd <= view.profile.dry_gravity or view.stage not in (
            Stage.PRIMARY,
            Stage.SECONDARY,
        ):
            return NOTHING
        self.at_gravity = gravity
        return self.latch.set(view.at_ms, view.subject, Severity.WARNING, _evidence(view))
