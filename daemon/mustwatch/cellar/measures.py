"""How one cellar's people say quantities: the only place where a number becomes words in their units, by their clock.

Values come in as the core holds them (gravity 20/20, °C, litres, grams, milliseconds; instants also as ISO text) and go
out as text with the unit, with no more digits than count; what is not known is a dash. Whoever shows something to a
person asks ``Measures``; nobody else writes a unit.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Literal

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, from_ms
from mustwatch.must.bounds import GRAVITY_HIGH, GRAVITY_LOW
from mustwatch.must.sugar import brix_from_gravity

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
"""Independent of the machine's language."""
MINUS = "\N{MINUS SIGN}"
UNKNOWN = "–"
SHORT_NIGHT_MS = 18 * HOUR_MS
"""Of a stretch that lasts less, the second day is not named."""
At = int | str
"""An instant: milliseconds since the epoch, or ISO text, of which a date is its midnight on the cellar's wall."""


@dataclass(frozen=True, slots=True)
class Measures:
    """The units of one cellar, and the clock on its wall."""

    gravity_unit: Literal["SG", "Bx"] = "SG"
    temperature_unit: Literal["C", "F"] = "C"
    zone: tzinfo = UTC

    # --- gravity -------------------------------------------------------------------------------------------

    def gravity(self, value: float | None, digits: int = 3) -> str:
        """Return a gravity 20/20: ``1.010`` by its number of decimals, or ``2.6 °Bx``."""
        if value is None:
            return UNKNOWN
        if self.gravity_unit == "SG":
            return f"{value:.{digits}f}"
        return f"{self.gravity_text(value)} °Bx"

    def gravity_text(self, value: float, digits: int = 3) -> str:
        """Return the same without its unit, for a column or an axis that names it."""
        if self.gravity_unit == "SG":
            return f"{value:.{digits}f}"
        return signed(self.gravity_number(value), 1)

    def gravity_number(self, value: float) -> float:
        """Return a gravity in the cellar's unit as a number, for drawings; beyond the tables their end."""
        if self.gravity_unit == "SG":
            return value
        return brix_from_gravity(min(max(value, GRAVITY_LOW), GRAVITY_HIGH))

    def gravity_change(
        self, change: float, at: float | None = None, digits: int = 3, *, sign: bool = False
    ) -> str:
        """Return the size of a change of gravity: ``0.012``, or ``3.1 °Bx`` around the gravity ``at``.

        With ``sign`` it says whether it rose: ``+0.0032``, ``−0.8 °Bx``.
        """
        mark = "" if not sign else MINUS if change < 0 else "+"
        if self.gravity_unit == "SG":
            return f"{mark}{abs(change):.{digits}f}"
        low = min(max(1.0 if at is None else at, GRAVITY_LOW), GRAVITY_HIGH - abs(change))
        size = self.gravity_number(low + abs(change)) - self.gravity_number(low)
        return f"{mark}{size:.{max(1, digits - 2)}f} °Bx"

    # --- temperature ---------------------------------------------------------------------------------------

    @property
    def degree(self) -> str:
        """Return the temperature's unit: ``°C`` or ``°F``."""
        return f"°{self.temperature_unit}"

    def temperature(self, celsius: float | None, digits: int = 1) -> str:
        """Return a temperature: ``21.5 °C``, or ``70.7 °F``."""
        return UNKNOWN if celsius is None else f"{self.temperature_text(celsius, digits)} {self.degree}"

    def temperature_text(self, celsius: float, digits: int = 1) -> str:
        """Return the same without its unit."""
        return signed(self.temperature_number(celsius), digits)

    def temperature_number(self, celsius: float) -> float:
        """Return a temperature in the cellar's unit as a number, for drawings."""
        return celsius * 1.8 + 32.0 if self.temperature_unit == "F" else celsius

    def celsius(self, number: float) -> float:
        """Return a temperature that is given as a number in the cellar's unit, °C."""
        return (number - 32.0) / 1.8 if self.temperature_unit == "F" else number

    def band(self, low_c: float, high_c: float) -> str:
        """Return a range of temperatures: ``15 to 26 °C``."""
        return f"{self.temperature_text(low_c, 0)} to {self.temperature(high_c, 0)}"

    def warmth(self, kelvin: float | None, digits: int = 1) -> str:
        """Return a difference of temperatures, signed where it falls: ``3.4 °C``, or ``6.1 °F``."""
        return UNKNOWN if kelvin is None else f"{signed(self.warmth_number(kelvin), digits)} {self.degree}"

    def warmth_number(self, kelvin: float) -> float:
        """Return a difference of temperatures in the cellar's unit as a number."""
        return kelvin * 1.8 if self.temperature_unit == "F" else kelvin

    # --- the rest ------------------------------------------------------------------------------------------

    def volume(self, litres: float | None) -> str:
        """Return a volume: ``22.5 L``, ``375 mL``."""
        if litres is None:
            return UNKNOWN
        return f"{litres:.4g} L" if litres >= 1.0 or not litres else f"{litres * 1000:.3g} mL"

    def mass(self, grams: float) -> str:
        """Return a mass: ``1.5 kg``, ``500 g``, ``1.25 g``."""
        return f"{grams / 1000:.4g} kg" if abs(grams) >= 1000 else f"{grams:.4g} g"

    def span(self, ms: float) -> str:
        """Return a span of time: ``90 minutes``, ``5 hours``, ``3 days``."""
        minutes = ms / MINUTE_MS
        if minutes < 120:
            return counted(max(1, round(minutes)), "minute")
        if ms < 60 * HOUR_MS:
            return counted(round(ms / HOUR_MS), "hour")
        return counted(round(ms / DAY_MS), "day")

    def minutes(self, minutes: float) -> str:
        """Return a span to the minute, for a night: ``40 min``, ``3 h 20``."""
        whole = round(minutes)
        return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d}"

    def chance(self, probability: float) -> str:
        """Return a probability: ``3 %``, ``less than 1 %``."""
        if probability < 0.01:
            return "less than 1 %"
        return "more than 99 %" if probability > 0.99 else f"{round(100 * probability)} %"

    # --- instants ------------------------------------------------------------------------------------------

    def local(self, at: At) -> datetime:
        """Return an instant as the clock on the cellar's wall shows it."""
        if isinstance(at, int):
            return from_ms(at).astimezone(self.zone)
        told = datetime.fromisoformat(at)
        return told.replace(tzinfo=self.zone) if told.tzinfo is None else told.astimezone(self.zone)

    def moment(self, at: At | None) -> str:
        """Return an instant: ``Tue 3 Sep, 05:50``."""
        return UNKNOWN if at is None else f"{self.day(at)}, {self.clock(at)}"

    def day(self, at: At | None) -> str:
        """Return an instant's day: ``Tue 3 Sep``."""
        return UNKNOWN if at is None else f"{DAYS[self.local(at).weekday()]} {self.date(at)}"

    def date(self, at: At) -> str:
        """Return an instant's day without its name: ``3 Sep``."""
        local = self.local(at)
        return f"{local.day} {MONTHS[local.month - 1]}"

    def full_day(self, at: At | None) -> str:
        """Return an instant's day for what is kept for years: ``Tue 3 Sep 2026``."""
        return UNKNOWN if at is None else f"{self.day(at)} {self.local(at).year}"

    def clock(self, at: At | None) -> str:
        """Return an instant's time of day: ``05:50``."""
        return UNKNOWN if at is None else f"{self.local(at):%H:%M}"

    def written(self, at_ms: int) -> str:
        """Return an instant as ``--at`` takes it, for what somebody may type again: ``2026-09-03 05:50``."""
        return f"{self.local(at_ms):%Y-%m-%d %H:%M}"

    def stretch(self, begin_ms: int, end_ms: int) -> str:
        """Return two instants: ``Tue 3 Sep, 23:10 to 03:40``; the second day only if it is another night."""
        is_short = end_ms - begin_ms < SHORT_NIGHT_MS
        return f"{self.moment(begin_ms)} to {self.clock(end_ms) if is_short else self.moment(end_ms)}"


PLAIN = Measures()
"""Specific gravity, °C and UTC: what is said where nobody's likings are known."""


def signed(value: float, digits: int) -> str:
    """Return a number with a fixed count of decimals and a minus sign; nothing is below zero by rounding."""
    text = f"{value:.{digits}f}"
    if not float(text):
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def counted(number: int, what: str) -> str:
    """Return a count of things: ``1 day``, ``3 days``."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
