"""Numbers, instants and states as the pages say them: the cellar's units and clock, no more digits than count."""

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any, NamedTuple
from urllib.parse import quote

from markupsafe import Markup

from mustwatch.cellar.measures import Measures, counted
from mustwatch.web.cellarhand import Manners

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
NOTHING = "–"
STILL_PER_DAY = 0.0005
"""A rate that rounds to nothing in the third place of gravity: "still"."""
SHAPES = {"urgent": "M7 0 14 7 7 14 0 7z", "warning": "M7 1 14 13.5H0z", "notice": "M7 2a5 5 0 1 0 .01 0z"}
"""A shape for each severity, so that none is told by colour alone: a diamond, a triangle, a disc."""
OLD_S = 3 * 3600.0
"""A value older than this is said to be old."""
NUMBERS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


class BandPlace(NamedTuple):
    """Where a temperature is to its band."""

    words: str
    outside: bool


class Words:
    """Says things the way one cellar likes them."""

    def __init__(self, manners: Manners) -> None:
        """Speak by a cellar's manners."""
        self.manners = manners
        self.measures = Measures(manners.gravity_unit, manners.temperature_unit, manners.zone)

    # --- numbers -------------------------------------------------------------------------------------------

    def gravity(self, value: float | None, digits: int = 3) -> str:
        """Return a gravity in the cellar's unit, without naming SG, which goes without saying."""
        return NOTHING if value is None else self.measures.gravity(value, digits)

    def gravity_sd(self, sd: float | None, at: float | None) -> str:
        """Return a standard error of gravity at a gravity, with ±."""
        return "" if sd is None or at is None else f"±{self.measures.gravity_change(max(sd, 0.0001), at, 4)}"

    def gravity_change(self, change: float, at: float | None = None) -> str:
        """Return a change of gravity around a gravity, with its sign."""
        return self.measures.gravity_change(change, 1.0 if at is None else at, 4, sign=True)

    def gravity_number(self, value: float | None) -> float | None:
        """Return a gravity in the cellar's unit as a number, for charts."""
        if value is None or self.manners.gravity_unit == "SG":
            return value
        return round(self.measures.gravity_number(value), 3)

    def pace(self, rate: float | None, rate_sd: float | None, at: float | None) -> str:
        """Return how gravity moves in words: ``falls 0.012 a day``, ``still``."""
        if rate is None:
            return ""
        if abs(rate) < max(STILL_PER_DAY, rate_sd or 0.0):
            return "still"
        verb = "falls" if rate < 0 else "rises"
        return f"{verb} {self.measures.gravity_change(rate, 1.0 if at is None else at)} a day"

    def temperature_number(self, celsius: float | None) -> float | None:
        """Return a temperature in the cellar's unit as a number, for charts."""
        if celsius is None or self.manners.temperature_unit == "C":
            return celsius
        return round(self.measures.temperature_number(celsius), 2)

    def temperature(self, celsius: float | None) -> str:
        """Return a temperature in the cellar's unit."""
        return NOTHING if celsius is None else self.measures.temperature(celsius)

    def degrees(self, celsius: float | None) -> str:
        """Return a temperature without its letter, for a range whose end names it."""
        return NOTHING if celsius is None else self.measures.temperature_text(celsius, 0)

    def warmth(self, kelvin: float | None) -> str:
        """Return a difference of temperatures in the cellar's unit, signed where it falls."""
        return NOTHING if kelvin is None else self.measures.warmth(kelvin)

    def volume(self, litres: float | None) -> str:
        """Return a volume."""
        return NOTHING if litres is None else self.measures.volume(litres)

    @staticmethod
    def range(bounds: Sequence[float], digits: int) -> str:
        """Return the lowest and highest of a value: ``20 to 28``, or ``26`` where they are the same."""
        low, high = (f"{bound:.{digits}f}" for bound in bounds)
        return low if low == high else f"{low} to {high}"

    def in_band(self, celsius: float | None, band: Mapping[str, float] | None) -> "BandPlace | None":
        """Return where a temperature is to its band, in words, or None without either."""
        if celsius is None or band is None:
            return None
        if celsius > band["high"]:
            return BandPlace(f"{self.warmth(celsius - band['high'])} above its band", outside=True)
        if celsius < band["low"]:
            return BandPlace(f"{self.warmth(band['low'] - celsius)} below its band", outside=True)
        return BandPlace(f"within {self.band(band)}", outside=False)

    def band(self, band: Mapping[str, float]) -> str:
        """Return a band as ``15 to 26 °C``."""
        return f"{self.degrees(band['low'])} to {self.degrees(band['high'])} °{self.manners.temperature_unit}"

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

    def year(self, iso_text: str | None) -> str:
        """Return an instant's year."""
        at = self.at(iso_text)
        return NOTHING if at is None else str(at.year)

    def clock(self, iso_text: str | None) -> str:
        """Return an instant's time of day as ``05:50``."""
        at = self.at(iso_text)
        return NOTHING if at is None else f"{at:%H:%M}"

    def picker(self, iso_text: str) -> str:
        """Return an instant by the cellar's clock as a picker of the browser takes it: ``2026-09-01T18:30``."""
        at = self.at(iso_text)
        return "" if at is None else f"{at:%Y-%m-%dT%H:%M}"

    def full_day(self, iso_text: str | None) -> str:
        """Return an instant's day in full: ``Tuesday, 3 November 2026``."""
        at = self.at(iso_text)
        return NOTHING if at is None else f"{day_name(at)}, {at.day} {month_name(at)} {at.year}"

    def age(self, begun_iso: str | None, now_iso: str) -> str:
        """Return the day of a lot's life, the first being day 1: ``day 12``."""
        begun, now = self.at(begun_iso), self.at(now_iso)
        return "" if begun is None or now is None else f"day {(now.date() - begun.date()).days + 1}"

    def is_old(self, iso_text: str | None, now_iso: str) -> bool:
        """Say whether a value is so old that it must be said: silence is not good news."""
        at, now = self.at(iso_text), self.at(now_iso)
        return at is not None and now is not None and (now - at).total_seconds() > OLD_S

    def count(self, number: int, what: str) -> str:
        """Return a count in words up to twelve: ``one thing``, ``three things``, ``14 things``."""
        named = NUMBERS[number] if number < len(NUMBERS) else str(number)
        return f"{named} {what}" if number == 1 else f"{named} {what}s"

    @staticmethod
    def sentence(text: str) -> str:
        """Return a phrase as the beginning of a sentence, its other capitals and marks of code aside untouched."""
        plain = text.replace("`", "")
        return plain[:1].upper() + plain[1:]

    def minutes(self, minutes: float) -> str:
        """Return a span given in minutes: ``40 min``, ``3 h 20``."""
        whole = round(minutes)
        return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d}"

    def date_day(self, iso_date: str) -> str:
        """Return a date as ``Tue 3 Nov``."""
        day = datetime.fromisoformat(iso_date)
        return f"{day_name(day)[:3]} {day.day} {month_name(day)[:3]}"

    @staticmethod
    def worst_first(rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
        """Return a night's places, those longest outside their band first, else as configured."""
        return sorted(rows, key=lambda row: -(row["minutes_above"] + row["minutes_below"]))

    def night_verdict(self, rows: Sequence[Mapping[str, Any]]) -> str:
        """Return in one sentence how the night was for the vessels that hold a lot."""
        with_lot = [row for row in rows if row["lot"] is not None and row["minimum"] is not None]
        if not with_lot:
            return "No temperatures of a lot were heard."
        outside = [row for row in with_lot if row["minutes_above"] or row["minutes_below"]]
        if not outside:
            most = max(with_lot, key=lambda row: row["swing"])
            swing = self.warmth(most["swing"])
            return f"A quiet night: every lot kept to its band. {most['lot']} swung most, by {swing}."
        said = []
        for row in outside:
            sides = [
                f"{words} for {self.minutes(row[key])}"
                for key, words in (("minutes_below", "too cold"), ("minutes_above", "too warm"))
                if row[key]
            ]
            said.append(f"{row['lot']} was {' and '.join(sides)}")
        return f"{'; '.join(said)}."

    def lasted(self, from_iso: str, until_iso: str | None) -> str:
        """Return how long something lasted, in words."""
        begin, end = self.at(from_iso), self.at(until_iso)
        return "" if begin is None or end is None else span(max(0.0, (end - begin).total_seconds()))

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
        return counted(max(1, round(minutes)), "minute")
    if minutes < 60 * 48:
        return counted(round(minutes / 60), "hour")
    return counted(round(minutes / 1440), "day")


def day_name(at: datetime) -> str:
    """Return the day of the week, independent of the machine's language."""
    return DAYS[at.weekday()]


def month_name(at: datetime) -> str:
    """Return the month, independent of the machine's language."""
    return MONTHS[at.month - 1]


def mark(severity: str) -> Markup:
    """Return a severity's shape; the word is always beside it."""
    path = SHAPES.get(severity, SHAPES["notice"])
    return Markup('<svg class="mark" viewBox="0 0 14 14" aria-hidden="true"><path d="{}"/></svg>').format(
        path
    )


def path_part(name: Any) -> str:
    """Return a name as one part of an address, whatever letters it has."""
    return quote(str(name), safe="")
