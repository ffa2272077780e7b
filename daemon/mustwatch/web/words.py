"""Numbers, instants and states as the pages say them: the cellar's units and clock, no more digits than count."""

from datetime import datetime, tzinfo
from typing import Any
from urllib.parse import quote

from mustwatch.must.bounds import GRAVITY_HIGH, GRAVITY_LOW
from mustwatch.must.sugar import brix_from_gravity
from mustwatch.web.cellarhand import Manners

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
NOTHING = "–"
MINUS = "\N{MINUS SIGN}"
STILL_PER_DAY = 0.0005
"""A rate that rounds to nothing in the third place of gravity: "still"."""
MARKS = {"urgent": "◆", "warning": "▲", "notice": "●"}
"""A shape for each severity, so that none is told by colour alone."""


class Words:
    """Says things the way one cellar likes them."""

    def __init__(self, manners: Manners) -> None:
        """Speak by a cellar's manners."""
        self.manners = manners

    # --- numbers -------------------------------------------------------------------------------------------

    def gravity(self, value: float | None) -> str:
        """Return a gravity in the cellar's unit, without naming SG, which goes without saying."""
        if value is None:
            return NOTHING
        if self._is_brix(value):
            return f"{_signed(brix_from_gravity(value), 1)} °Bx"
        return f"{value:.3f}"

    def gravity_sd(self, sd: float | None, at: float | None) -> str:
        """Return a standard error of gravity at a gravity, with ±."""
        if sd is None or at is None:
            return ""
        if self._is_brix(at) and self._is_brix(at + sd):
            return f"±{brix_from_gravity(at + sd) - brix_from_gravity(at):.1f}"
        return f"±{max(sd, 0.0001):.4f}"

    def gravity_number(self, value: float | None) -> float | None:
        """Return a gravity in the cellar's unit as a number, for charts."""
        if value is None or not self._is_brix(value):
            return value
        return round(brix_from_gravity(value), 3)

    def pace(self, rate: float | None, rate_sd: float | None, at: float | None) -> str:
        """Return how gravity moves in words: ``falls 0.012 a day``, ``still``."""
        if rate is None:
            return ""
        if abs(rate) < max(STILL_PER_DAY, rate_sd or 0.0):
            return "still"
        verb = "falls" if rate < 0 else "rises"
        if at is not None and self._is_brix(at) and self._is_brix(at + abs(rate)):
            return f"{verb} {brix_from_gravity(at + abs(rate)) - brix_from_gravity(at):.1f} °Bx a day"
        return f"{verb} {abs(rate):.3f} a day"

    def _is_brix(self, gravity: float) -> bool:
        return self.manners.gravity_unit == "Bx" and GRAVITY_LOW <= gravity <= GRAVITY_HIGH

    def temperature_number(self, celsius: float | None) -> float | None:
        """Return a temperature in the cellar's unit as a number, for charts."""
        if celsius is None or self.manners.temperature_unit == "C":
            return celsius
        return round(celsius * 1.8 + 32.0, 2)

    def temperature(self, celsius: float | None) -> str:
        """Return a temperature in the cellar's unit."""
        value = self.temperature_number(celsius)
        return NOTHING if value is None else f"{_signed(value, 1)} °{self.manners.temperature_unit}"

    def degrees(self, celsius: float | None) -> str:
        """Return a temperature without its letter, for a range whose end names it."""
        value = self.temperature_number(celsius)
        return NOTHING if value is None else f"{_signed(value, 0)}"

    def warmth(self, kelvin: float | None) -> str:
        """Return a difference of temperatures in the cellar's unit, signed where it falls."""
        if kelvin is None:
            return NOTHING
        fahrenheit = self.manners.temperature_unit == "F"
        return f"{_signed(kelvin * (1.8 if fahrenheit else 1.0), 1)} °{self.manners.temperature_unit}"

    # --- instants ------------------------------------------------------------------------------------------

    def at(self, iso_text: str | None) -> datetime | None:
        """Return an ISO instant by the clock on the cellar's wall."""
        return None if iso_text is None else datetime.fromisoformat(iso_text).astimezone(self.zone)

    @property
    def zone(self) -> tzinfo:
        """Return the cellar's time zone."""
        return self.manners.zone

    def moment(self, iso_text: str | None) -> str:
        """Return an instant as ``Tue 3 Nov, 05:50``."""
        at = self.at(iso_text)
        return NOTHING if at is None else f"{day_name(at)[:3]} {at.day} {month_name(at)[:3]}, {at:%H:%M}"

    def day(self, iso_text: str | None) -> str:
        """Return an instant's day as ``Tue 3 Nov``."""
        at = self.at(iso_text)
        return NOTHING if at is None else f"{day_name(at)[:3]} {at.day} {month_name(at)[:3]}"

    def clock(self, iso_text: str | None) -> str:
        """Return an instant's time of day as ``05:50``."""
        at = self.at(iso_text)
        return NOTHING if at is None else f"{at:%H:%M}"

    def full_day(self, iso_text: str | None) -> str:
        """Return an instant's day in full: ``Tuesday, 3 November 2026``."""
        at = self.at(iso_text)
        return NOTHING if at is None else f"{day_name(at)}, {at.day} {month_name(at)} {at.year}"

    def ago(self, iso_text: str | None, now_iso: str) -> str:
        """Return how long ago an instant was: ``4 minutes ago``."""
        if iso_text is None:
            return "never"
        seconds = (datetime.fromisoformat(now_iso) - datetime.fromisoformat(iso_text)).total_seconds()
        return "just now" if seconds < 60 else f"{span(seconds)} ago"


def span(seconds: float) -> str:
    """Return a span of time in words: ``40 minutes``, ``5 hours``, ``3 days``."""
    minutes = seconds / 60
    if minutes < 90:
        return _counted(max(1, round(minutes)), "minute")
    if minutes < 60 * 48:
        return _counted(round(minutes / 60), "hour")
    return _counted(round(minutes / 1440), "day")


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def day_name(at: datetime) -> str:
    """Return the day of the week, independent of the machine's language."""
    return DAYS[at.weekday()]


def month_name(at: datetime) -> str:
    """Return the month, independent of the machine's language."""
    return MONTHS[at.month - 1]


def _signed(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    if not float(text):
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def mark(severity: str) -> str:
    """Return a severity's shape."""
    return MARKS.get(severity, "●")


def path_part(name: Any) -> str:
    """Return a name as one part of an address, whatever letters it has."""
    return quote(str(name), safe="")
