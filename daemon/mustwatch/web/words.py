"""Numbers, instants and states as the pages say them: the cellar's units and clock, no more digits than count."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple
from urllib.parse import quote

from markupsafe import Markup

from mustwatch.cellar.measures import Measures

STILL_PER_DAY = 0.0005
"""A rate that rounds to nothing in the third place of gravity: "still"."""
SHAPES = {"urgent": "M7 0 14 7 7 14 0 7z", "warning": "M7 1 14 13.5H0z", "notice": "M7 2a5 5 0 1 0 .01 0z"}
"""A shape for each severity, so that none is told by colour alone: a diamond, a triangle, a disc."""
OLD_S = 3 * 3600
"""A value older than this is said to be old."""
NUMBERS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


class BandPlace(NamedTuple):
    """Where a temperature is to its band."""

    words: str
    outside: bool


@dataclass(frozen=True, slots=True)
class Words(Measures):
    """Says what the pages say besides quantities, by the same units and clock."""

    @classmethod
    def of(cls, measures: Measures) -> "Words":
        """Return the words for a cellar's measures."""
        return cls(measures.gravity_unit, measures.temperature_unit, measures.zone)

    def gravity_sd(self, sd: float | None, at: float | None) -> str:
        """Return a standard error of gravity at a gravity, with ±."""
        return "" if sd is None or at is None else f"±{self.gravity_change(max(sd, 0.0001), at, 4)}"

    def pace(self, rate: float | None, rate_sd: float | None, at: float | None) -> str:
        """Return how gravity moves in words: ``falls 0.012 a day``, ``still``."""
        if rate is None:
            return ""
        if abs(rate) < max(STILL_PER_DAY, rate_sd or 0.0):
            return "still"
        verb = "falls" if rate < 0 else "rises"
        return f"{verb} {self.gravity_change(rate, at)} a day"

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
        return BandPlace(f"within {self.band(band['low'], band['high'])}", outside=False)

    def year(self, iso_text: str) -> str:
        """Return an instant's year."""
        return str(self.local(iso_text).year)

    def picker(self, iso_text: str) -> str:
        """Return an instant by the cellar's clock as a picker of the browser takes it: ``2026-09-01T18:30``."""
        return f"{self.local(iso_text):%Y-%m-%dT%H:%M}"

    def age(self, begun_iso: str | None, now_iso: str) -> str:
        """Return the day of a lot's life, the first being day 1: ``day 12``."""
        if begun_iso is None:
            return ""
        return f"day {(self.local(now_iso).date() - self.local(begun_iso).date()).days + 1}"

    def is_old(self, iso_text: str | None, now_iso: str) -> bool:
        """Say whether a value is so old that it must be said: silence is not good news."""
        return iso_text is not None and self._seconds(iso_text, now_iso) > OLD_S

    def _seconds(self, from_iso: str, until_iso: str) -> float:
        return (self.local(until_iso) - self.local(from_iso)).total_seconds()

    def count(self, number: int, what: str) -> str:
        """Return a count in words up to twelve: ``one thing``, ``three things``, ``14 things``."""
        named = NUMBERS[number] if number < len(NUMBERS) else str(number)
        return f"{named} {what}" if number == 1 else f"{named} {what}s"

    @staticmethod
    def sentence(text: str) -> str:
        """Return a phrase as the beginning of a sentence, its other capitals and marks of code aside untouched."""
        plain = text.replace("`", "")
        return plain[:1].upper() + plain[1:]

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
        return "" if until_iso is None else self.span(1000 * max(0.0, self._seconds(from_iso, until_iso)))

    def ago(self, iso_text: str | None, now_iso: str) -> str:
        """Return how long ago an instant was: ``4 minutes ago``."""
        if iso_text is None:
            return "never"
        seconds = self._seconds(iso_text, now_iso)
        return "just now" if seconds < 60 else f"{self.span(1000 * seconds)} ago"


def mark(severity: str) -> Markup:
    """Return a severity's shape; the word is always beside it."""
    path = SHAPES.get(severity, SHAPES["notice"])
    return Markup('<svg class="mark" viewBox="0 0 14 14" aria-hidden="true"><path d="{}"/></svg>').format(
        path
    )


def path_part(name: Any) -> str:
    """Return a name as one part of an address, whatever letters it has."""
    return quote(str(name), safe="")
