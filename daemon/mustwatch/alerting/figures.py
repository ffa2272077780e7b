"""Numbers of the evidence as the cellar's people read them: their units, their clock, no more digits than count."""

import math
from dataclasses import dataclass

from mustwatch.alerting.alert import Evidence
from mustwatch.alerting.rules import Units
from mustwatch.cellar.instant import from_ms
from mustwatch.must.bounds import GRAVITY_HIGH, GRAVITY_LOW
from mustwatch.must.sugar import brix_from_gravity

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

MINUS = "\N{MINUS SIGN}"


def moment(at_ms: int, units: Units) -> str:
    """Return an instant by the clock on the cellar's wall: ``Tue 3 Sep, 05:50``."""
    local = from_ms(at_ms).astimezone(units.zone)
    return f"{DAYS[local.weekday()]} {local.day} {MONTHS[local.month - 1]}, {local:%H:%M}"


def span(from_instant_ms: int, until_ms: int, units: Units) -> str:
    """Return two instants as ``Tue 3 Sep, 23:10 to 03:40``; the second day is named only if it is another night."""
    begin, end = moment(from_instant_ms, units), moment(until_ms, units)
    is_short = until_ms - from_instant_ms < 18 * 3_600_000
    return f"{begin} to {end.rpartition(', ')[2] if is_short else end}"


def hours(value: float) -> str:
    """Return a span of hours in words: ``90 minutes``, ``5 hours``, ``3 days``."""
    if value < 2:
        minutes = max(1, round(value * 60))
        return "1 minute" if minutes == 1 else f"{minutes} minutes"
    if value < 60:
        return f"{round(value)} hours"
    return f"{round(value / 24)} days"


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
        if value is None:
            return None
        brix = self._brix(value)
        return f"{value:.3f}" if brix is None else f"{_signed(brix, 1)} °Bx"

    def gravity_change(self, key: str, at: float | None = None) -> str | None:
        """Return the size of a change of gravity: ``0.012``, or ``3.1 °Bx`` around gravity ``at``."""
        value = self.number(key)
        if value is None:
            return None
        near = self.number("gravity") if at is None else at
        near = 1.0 if near is None else near
        here, there = self._brix(near), self._brix(near + abs(value))
        return f"{abs(value):.3f}" if here is None or there is None else f"{there - here:.1f} °Bx"

    def celsius(self, key: str) -> str | None:
        """Return a temperature: ``21.5 °C``, or ``70.7 °F``."""
        value = self.number(key)
        if value is None:
            return None
        if self.units.temperature == "F":
            return f"{_signed(value * 1.8 + 32, 1)} °F"
        return f"{_signed(value, 1)} °C"

    def celsius_change(self, key: str) -> str | None:
        """Return the size of a change of temperature: ``3.4 °C``, or ``6.1 °F``."""
        value = self.number(key)
        if value is None:
            return None
        return f"{abs(value) * 1.8:.1f} °F" if self.units.temperature == "F" else f"{abs(value):.1f} °C"

    def hours(self, key: str) -> str | None:
        """Return a span of hours in words."""
        value = self.number(key)
        return None if value is None else hours(value)

    def percent(self, key: str) -> str | None:
        """Return a probability: ``3 %``, or ``less than 1 %``."""
        value = self.number(key)
        if value is None:
            return None
        return "less than 1 %" if value < 0.01 else f"{round(100 * value)} %"

    def plain(self, key: str, digits: int = 0) -> str | None:
        """Return a bare number with a fixed count of decimals."""
        value = self.number(key)
        return None if value is None else _signed(value, digits)

    def _brix(self, gravity: float) -> float | None:
        """Return °Brix where the cellar counts in them and the table reaches, else None."""
        if self.units.gravity != "Bx" or not GRAVITY_LOW <= gravity <= GRAVITY_HIGH:
            return None
        return brix_from_gravity(gravity)


def _signed(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    if not float(text):
        text = text.lstrip("-")
    return text.replace("-", MINUS)
