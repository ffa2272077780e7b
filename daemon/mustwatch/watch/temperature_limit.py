"""What too warm and too cold share: the must is outside the band of profile and stage for longer than the dwell."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from mustwatch.cellar.quantities import Celsius, Count, Minutes, rounded
from mustwatch.watch.detector import NOTHING, OneLatch
from mustwatch.watch.finding import Evidence, Severity, Transition
from mustwatch.watch.lot_estimator import NEVER
from mustwatch.watch.slot_view import SlotView

THERMOMETER_C = 0.2
"""How wrong the thermometer of a float or a probe may be (common practice)."""

BACK_INSIDE_C = 0.5 + THERMOMETER_C
"""An excursion is over when the must is half a degree inside the band again, for the dwell (common practice): truly so,
whatever the thermometer's error. Else a must that comes back by just that much is told twice of one excursion."""

WELL_INSIDE_C = 0.25
"""Before anything is told, a slot this far inside begins the dwell anew."""

MINUTE_MS = 60_000
DAY_MS = 86_400_000

OVER_MS = 2 * DAY_MS
"""An excursion that comes back within two days inside the band is the same one: afternoons of one warm week ..."""

SPEAKS_FOR_MS = 4 * 3_600_000
"""... of which a slot stands for no longer than this: what was not observed is not good news."""


@dataclass(frozen=True, slots=True)
class BeyondLimit(Evidence):
    """Where the must is, the limit it has passed, for how long, the worst of it, and on how many days of how many."""

    celsius: Celsius | None
    limit_celsius: Celsius
    minutes_beyond: Minutes
    worst_celsius: Celsius | None
    days_beyond: Count | None = None
    of_days: Count | None = None


@dataclass(frozen=True, slots=True)
class BackInside(Evidence):
    """Where the must is when that is over, the worst it was, on how many days, and for how long it has been inside."""

    celsius: Celsius
    worst_celsius: Celsius
    days_beyond: Count
    minutes_inside: Minutes


@dataclass(slots=True)
class TemperatureLimit(OneLatch):
    """One side of the band. ``sign`` is +1 above, -1 below; a warning beyond the band, urgent beyond its edge.

    Raised once the must has been outside for the profile's dwell; made urgent when it has been beyond the urgent
    limit as long; eased to a notice when it has surely been half a degree inside as long. A single slot back at the
    edge does not begin the dwell anew, one well inside does. It comes back by the same dwell, as the same finding: what
    comes and goes with the days is one episode, with the days on which it was outside counted from ``first_ms``.
    Cleared once two days have been observed inside.
    """

    sign: ClassVar[float]
    beyond_ms: int = NEVER
    urgent_ms: int = NEVER
    inside_ms: int = NEVER
    began_ms: int = NEVER
    worst_c: float | None = None
    first_ms: int = NEVER
    days: int = 0
    last_day: int = 0
    back_ms: int = NEVER
    calm_ms: int = 0
    seen_ms: int = NEVER

    def _limits(self, view: SlotView) -> tuple[float, float]:
        raise NotImplementedError

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        celsius = view.celsius
        if celsius is None:
            return NOTHING
        limit, urgent = self._limits(view)
        beyond = self.sign * (celsius - limit)
        latch = self.latch
        since_ms, self.seen_ms = min(view.at_ms - self.seen_ms, SPEAKS_FOR_MS), view.at_ms
        if beyond <= 0.0:
            if self.beyond_ms == NEVER and latch.severity is None:
                return NOTHING
            return self._inside(view, celsius, beyond, since_ms)
        self.inside_ms = NEVER
        at_ms = view.at_ms
        if self.beyond_ms == NEVER:
            self.beyond_ms = at_ms
            if latch.severity is None:
                self.worst_c = None
        if self.worst_c is None or self.sign * (celsius - self.worst_c) > 0.0:
            self.worst_c = celsius
        if self.sign * (celsius - urgent) > 0.0:
            if self.urgent_ms == NEVER:
                self.urgent_ms = at_ms
        else:
            self.urgent_ms = NEVER
        dwell_ms = view.profile.dwell_minutes * MINUTE_MS
        if at_ms - self.beyond_ms >= dwell_ms:
            self._count(at_ms)
        if (
            self.urgent_ms != NEVER
            and at_ms - self.urgent_ms >= dwell_ms
            and latch.severity is not Severity.URGENT
        ):
            return self._raise(view, Severity.URGENT, self.urgent_ms)
        if latch.severity in (None, Severity.NOTICE) and at_ms - self.beyond_ms >= dwell_ms:
            return self._raise(view, Severity.WARNING, self.beyond_ms)
        return NOTHING

    def _count(self, at_ms: int) -> None:
        """Count a day of the episode on which the must was outside."""
        if self.latch.severity is None:
            self.first_ms, self.days, self.last_day = self.beyond_ms, 0, -1
        self.calm_ms, self.back_ms = 0, NEVER
        day = (at_ms - self.first_ms) // DAY_MS
        if day != self.last_day:
            self.last_day = day
            self.days += 1

    def _raise(self, view: SlotView, severity: Severity, began_ms: int) -> Iterable[Transition]:
        self.began_ms = began_ms
        return self.latch.set(view.at_ms, view.subject, severity, self._evidence(view, severity))

    def evidence(self, view: SlotView) -> Evidence:
        """Return where the must is now, how long this has lasted, and the worst of it."""
        return self._evidence(view, self.latch.severity)

    def _evidence(self, view: SlotView, severity: Severity | None) -> Evidence:
        limit, urgent = self._limits(view)
        return BeyondLimit(
            celsius=rounded(Celsius, view.celsius, 2),
            limit_celsius=Celsius(urgent if severity is Severity.URGENT else limit),
            minutes_beyond=Minutes((view.at_ms - self.began_ms) // MINUTE_MS),
            worst_celsius=rounded(Celsius, self.worst_c, 2),
            days_beyond=Count(self.days),
            of_days=Count((view.at_ms - self.first_ms) // DAY_MS + 1),
        )

    def _inside(self, view: SlotView, celsius: float, beyond: float, since_ms: int) -> Iterable[Transition]:
        self.urgent_ms = NEVER
        if beyond > -BACK_INSIDE_C:
            if self.latch.severity in (None, Severity.NOTICE) and beyond < -WELL_INSIDE_C:
                self.beyond_ms = NEVER
            self.inside_ms = NEVER
            return NOTHING
        self.beyond_ms = NEVER
        if self.latch.severity is None:
            return NOTHING
        if self.inside_ms == NEVER:
            self.inside_ms = view.at_ms
        if view.at_ms - self.inside_ms < view.profile.dwell_minutes * MINUTE_MS:
            return NOTHING
        if self.back_ms == NEVER:
            self.back_ms = self.inside_ms
        self.calm_ms += since_ms
        if self.calm_ms < OVER_MS:
            return self.latch.set(view.at_ms, view.subject, Severity.NOTICE, self.evidence(view))
        worst_c = celsius if self.worst_c is None else self.worst_c
        cleared = BackInside(
            Celsius(round(celsius, 2)),
            Celsius(round(worst_c, 2)),
            Count(self.days),
            Minutes((view.at_ms - self.back_ms) // MINUTE_MS),
        )
        return self.latch.clear(view.at_ms, view.subject, cleared)
