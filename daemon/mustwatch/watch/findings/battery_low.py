"""Battery low: a sensor's battery stands under its limit."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from mustwatch.cellar.quantities import Volts
from mustwatch.watch.detector import NOTHING, Latch
from mustwatch.watch.finding import About, Evidence, FindingKind, Severity, Subject, Transition

LOW_READINGS = 3
"""Readings in a row under the limit before the battery counts as low: a transmission pulls the voltage down."""

RECOVERED_V = 0.15
"""A battery was changed or charged when it stands this far above the limit, as often in a row (common practice)."""


@dataclass(frozen=True, slots=True)
class Voltage(Evidence):
    """What the battery has, and its limit."""

    battery_v: Volts
    limit_v: Volts


KIND = FindingKind("battery-low", About.GEAR, Voltage, is_of_lot=False)


@dataclass(slots=True)
class BatteryLow:
    """Follows one sensor's battery."""

    latch: Latch = field(default_factory=lambda: Latch(KIND))
    _low: int = 0
    _high: int = 0

    def take(self, volts: float, limit: float, at_ms: int, subject: Subject) -> Iterable[Transition]:
        """Take in what the battery has, and its limit."""
        evidence = Voltage(Volts(round(volts, 3)), Volts(limit))
        self._low = self._low + 1 if volts < limit else 0
        self._high = self._high + 1 if volts >= limit + RECOVERED_V else 0
        if self._low >= LOW_READINGS:
            return self.latch.set(at_ms, subject, Severity.NOTICE, evidence)
        if self._high >= LOW_READINGS:
            return self.latch.clear(at_ms, subject, evidence)
        return NOTHING
