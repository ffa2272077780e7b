"""What too warm and too cold share: the must is outside the band of profile and stage for longer than the dwell."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from mustwatch.cellar.quantities import Celsius, Minutes, rounded
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


@dataclass(frozen=True, slots=True)
class BeyondLimit(Evidence):
    """Where the must is, the limit it has passed, for how long, and the worst of it."""

    celsius: Celsius | None
    limit_celsius: Celsius
    minutes_beyond: Minutes
    worst_celsius: Celsius | None


@dataclass(frozen=True, slots=True)
class BackInside(Evidence):
    """Where the must is when that is over, and the worst it was."""

    celsius: Celsius
    worst_celsius: Celsius


@dataclass(slots=True)
class TemperatureLimit(OneLatch):
    """One side of the band. ``sign`` is +1 above, -1 below; a warning beyond the band, urgent beyond its edge.

    Raised once the must has been outside for the profile's dwell; made urgent when it has been beyond the urgent
    limit as long; cleared when it has surely been half a degree inside as long. A single slot back at the edge does not
    begin the dwell anew, one well inside does.
    """

    sign: ClassVar[float]
    beyond_ms: int = NEVER
    urgent_ms: int = NEVER
    inside_ms: int = NEVER
    began_ms: int = NEVER
    worst_c: float | None = None

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
        if beyond <= 0.0:
            if self.beyond_ms == NEVER and latch.severity is None:
                return NOTHING
            return self._inside(view, celsius, beyond)
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
        if (
            self.urgent_ms != NEVER
            and at_ms - self.urgent_ms >= dwell_ms
            and latch.severity is not Severity.URGENT
        ):
            return self._raise(view, Severity.URGENT, self.urgent_ms)
        if latch.severity is None and at_ms - self.beyond_ms >= dwell_ms:
            return self._raise(view, Severity.WARNING, self.beyond_ms)
        return NOTHING

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
        )

    def _inside(self, view: SlotView, celsius: float, beyond: float) -> Iterable[Transition]:
        self.urgent_ms = NEVER
        if beyond > -BACK_INSIDE_C:
            if self.latch.severity is None and beyond < -WELL_INSIDE_C:
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
        worst_c = celsius if self.worst_c is None else self.worst_c
        cleared = BackInside(Celsius(round(celsius, 2)), Celsius(round(worst_c, 2)))
        return self.latch.clear(view.at_ms, view.subject, cleared)
