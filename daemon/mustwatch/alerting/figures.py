"""Numbers of the evidence as the cellar's people read them: their units, their clock, no more digits than count."""

import math
from dataclasses import dataclass

from mustwatch.alerting.alert import Evidence
from mustwatch.alerting.rules import Units
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.measures import PLAIN, signed


def moment(at_ms: int, units: Units) -> str:
    """Return an instant by the clock on the cellar's wall: ``Tue 3 Sep, 05:50``."""
    return units.measures.moment(at_ms)


def span(from_instant_ms: int, until_ms: int, units: Units) -> str:
    """Return two instants as ``Tue 3 Sep, 23:10 to 03:40``; the second day is named only if it is another night."""
    return units.measures.stretch(from_instant_ms, until_ms)


def hours(value: float) -> str:
    """Return a span of hours in words: ``90 minutes``, ``5 hours``, ``3 days``."""
    return PLAIN.span(value * HOUR_MS)


@dataclass(frozen=True, slots=True)
class Figures:
    """The numbers of one piece of evidence, each as text with its unit; None where the evidence lacks it."""

    evidence: Evidence
    units: Units

    def number(self, key: str) -> float | None:
        """Return a finite number of the evidence, or None."""
        value = self.evidence.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return None
        return float(value)

    def text(self, key: str) -> str | None:
        """Return a text of the evidence on one line, or None."""
        value = self.evidence.get(key)
        return " ".join(value.split()) or None if isinstance(value, str) else None

    def gravity(self, key: str) -> str | None:
        """Return a gravity: ``1.010``, or ``2.6 °Bx``."""
        value = self.number(key)
        return None if value is None else self.units.measures.gravity(value)

    def gravity_change(self, key: str, at: float | None = None) -> str | None:
        """Return the size of a change of gravity: ``0.012``, or ``3.1 °Bx`` around gravity ``at``."""
        value = self.number(key)
        near = self.number("gravity") if at is None else at
        return (
            None
            if value is None
            else self.units.measures.gravity_change(value, 1.0 if near is None else near)
        )

    def celsius(self, key: str) -> str | None:
        """Return a temperature: ``21.5 °C``, or ``70.7 °F``."""
        value = self.number(key)
        return None if value is None else self.units.measures.temperature(value)

    def celsius_change(self, key: str) -> str | None:
        """Return the size of a change of temperature: ``3.4 °C``, or ``6.1 °F``."""
        value = self.number(key)
        return None if value is None else self.units.measures.warmth(abs(value))

    def hours(self, key: str) -> str | None:
        """Return a span of hours in words."""
        value = self.number(key)
        return None if value is None else hours(value)

    def percent(self, key: str) -> str | None:
        """Return a probability: ``3 %``, or ``less than 1 %``."""
        value = self.number(key)
        return None if value is None else self.units.measures.chance(value)

    def plain(self, key: str, digits: int = 0) -> str | None:
        """Return a bare number with a fixed count of decimals."""
        value = self.number(key)
        return None if value is None else signed(value, digits)
