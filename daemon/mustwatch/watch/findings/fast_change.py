"""Fast change: the must's temperature changes by more than the profile allows within an hour."""

from collections.abc import Iterable
from dataclasses import dataclass

from mustwatch.cellar.quantities import Celsius, KelvinPerHour, rounded
from mustwatch.watch.detector import NOTHING, OneLatch
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.lot_estimator import NEVER
from mustwatch.watch.slot_view import HANDLED_MS, SlotView
from mustwatch.watch.standing import Left


@dataclass(frozen=True, slots=True)
class Change(Evidence):
    """Where the must is, how fast that changes now, and changed at its fastest; rising above zero."""

    celsius: Celsius | None
    celsius_per_hour: KelvinPerHour | None
    steepest_celsius_per_hour: KelvinPerHour


KIND = FindingKind("fast-change", About.WINE, Change, drawn=Drawn(Curve.TEMPERATURE))

AT_ONCE = 1.3
"""A change this many times over the limit needs no second slot: a sensor that speaks once an hour has none."""

CALM_SHARE = 0.6
"""A fast change is over when the change per hour stays under this share of the limit ..."""

CALM_MS = 3_600_000
"""... for an hour."""


@dataclass(slots=True)
class FastChange(OneLatch):
    """The must's temperature changes by more than the profile allows within an hour.

    Raised when two slots in a row show it, or one far beyond the limit; cleared after a calm hour. Within four
    hours of a racking or an addition nothing is raised.
    """

    kinds = (KIND,)
    seen: int = 0
    calm_ms: int = NEVER
    steepest: float = 0.0

    def evidence(self, view: SlotView) -> Evidence:
        """Return how fast the temperature changes now, and changed at its fastest."""
        return Change(
            celsius=rounded(Celsius, view.celsius, 2),
            celsius_per_hour=rounded(KelvinPerHour, view.change_per_hour, 2),
            steepest_celsius_per_hour=KelvinPerHour(round(self.steepest, 2)),
        )

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
        return self.latch.clear(
            view.at_ms, view.subject, Left(celsius_per_hour=KelvinPerHour(round(change, 2)))
        )
