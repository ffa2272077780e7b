"""Temperature that moves: too fast within an hour, too far within a night."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from mustwatch.watch.detectors.detector import NOTHING, Evidence, OneLatch
from mustwatch.watch.detectors.slot_view import SlotView
from mustwatch.watch.finding import FindingKind, Severity, Transition
from mustwatch.watch.lot_estimator import NEVER

AT_ONCE = 1.3
"""A change this many times over the limit needs no second slot: a sensor that speaks once an hour has none."""

CALM_SHARE = 0.6
"""A fast change is over when the change per hour stays under this share of the limit ..."""

CALM_MS = 3_600_000
"""... for an hour."""

HANDLED_MS = 4 * 3_600_000
"""After a racking or an addition the change of temperature is what was done, not what happened."""


@dataclass(slots=True)
class FastChange(OneLatch):
    """The must's temperature changes by more than the profile allows within an hour.

    Raised when two slots in a row show it, or one far beyond the limit; cleared after a calm hour. Within four
    hours of a racking or an addition nothing is raised.
    """

    kinds: ClassVar[tuple[FindingKind, ...]] = (FindingKind.FAST_CHANGE,)
    seen: int = 0
    calm_ms: int = NEVER
    steepest: float = 0.0

    def evidence(self, view: SlotView) -> Evidence:
        """Return how fast the temperature changes now, and changed at its fastest."""
        change = view.change_per_hour
        return {
            "celsius": None if view.celsius is None else round(view.celsius, 2),
            "celsius_per_hour": None if change is None else round(change, 2),
            "steepest_celsius_per_hour": round(self.steepest, 2),
        }

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        change = view.change_per_hour
        if change is None:
            return NOTHING
        limit = view.profile.fast_change_c_per_hour
        size = abs(change)
        if size >= limit:
            self.calm_ms = NEVER
            if self.seen == 0 and self.latch.severity is None:
                self.steepest = 0.0
            if size > abs(self.steepest):
                self.steepest = change
            if self.latch.severity is not None or view.at_ms - view.disturbed_ms < HANDLED_MS:
                return NOTHING
            self.seen += 1
            if self.seen < 2 and size < AT_ONCE * limit:
                return NOTHING
            return self.latch.set(view.at_ms, view.subject, Severity.NOTICE, self.evidence(view))
        self.seen = 0
        if self.latch.severity is None:
            return NOTHING
        if size > CALM_SHARE * limit:
            self.calm_ms = NEVER
            return NOTHING
        if self.calm_ms == NEVER:
            self.calm_ms = view.at_ms
        if view.at_ms - self.calm_ms < CALM_MS:
            return NOTHING
        return self.latch.clear(view.at_ms, view.subject, {"celsius_per_hour": round(change, 2)})


@dataclass(slots=True)
class NightSwing(OneLatch):
    """Between evening and morning the must's temperature swings further than the profile allows.

    Raised in the night in which it happens, as soon as it has; cleared at the end of the first night that stays under
    the limit. The night is the cellar's own (18:00 to 09:00 unless configured).
    """

    kinds: ClassVar[tuple[FindingKind, ...]] = (FindingKind.NIGHT_SWING,)
    lowest_c: float | None = None
    highest_c: float | None = None
    slots: int = 0
    odd_low_c: float = 0.0
    odd_high_c: float = 0.0
    worst_c: float = 0.0

    def evidence(self, view: SlotView) -> Evidence:
        """Return the newest night that swung too far, as far as it has come, and the largest swing so far."""
        return {**_swung(self.odd_low_c, self.odd_high_c), "worst_swing_celsius": round(self.worst_c, 2)}

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        celsius = view.celsius
        if not view.is_night:
            return NOTHING if self.lowest_c is None else self._morning(view)
        if celsius is None:
            return NOTHING
        if self.lowest_c is None or self.highest_c is None:
            self.lowest_c = self.highest_c = celsius
        self.slots += 1
        if celsius < self.lowest_c:
            self.lowest_c = celsius
        elif celsius > self.highest_c:
            self.highest_c = celsius
        else:
            return NOTHING
        swing = self.highest_c - self.lowest_c
        if swing < view.profile.night_swing_c or view.at_ms - view.disturbed_ms < HANDLED_MS:
            return NOTHING
        self.odd_low_c, self.odd_high_c = self.lowest_c, self.highest_c
        self.worst_c = swing if self.latch.severity is None else max(swing, self.worst_c)
        return self.latch.set(view.at_ms, view.subject, Severity.NOTICE, self.evidence(view))

    def _morning(self, view: SlotView) -> Iterable[Transition]:
        low, high = self.lowest_c or 0.0, self.highest_c or 0.0
        swing, evidence = high - low, _swung(low, high)
        observed = self.slots
        self.lowest_c = self.highest_c = None
        self.slots = 0
        # A night hardly observed clears nothing: no data is not good news.
        if observed < 30 or swing >= view.profile.night_swing_c:
            return NOTHING
        return self.latch.clear(view.at_ms, view.subject, evidence)


def _swung(low: float, high: float) -> dict[str, float]:
    return {
        "swing_celsius": round(high - low, 2),
        "lowest_celsius": round(low, 2),
        "highest_celsius": round(high, 2),
    }
