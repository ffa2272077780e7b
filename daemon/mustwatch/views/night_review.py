"""The overnight review: how far and how fast a vessel's temperature swung, and how long it was outside its band."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any, NamedTuple

from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS, from_ms, iso, to_ms
from mustwatch.cellar.profile import Band

HOLDS_MS = 45 * MINUTE_MS
"""A temperature stands for the time until the next one, but for no longer than this: longer is a gap. Own choice:
a full carboy in a cold shed moves by less than half a degree in it."""
BIN_MS = 15 * MINUTE_MS
"""Steepness is taken between means over this, so that a sensor's last digit does not look like a plunge."""


class Sample(NamedTuple):
    """A temperature at an instant."""

    at_ms: int
    celsius: float


class Night(NamedTuple):
    """The local hours of one night, named by the date on which it begins."""

    date: date
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class NightReview:
    """One vessel's (or the room's) night; temperatures in °C, instants in ms, durations in minutes.

    ``coverage`` is the share of the night (0 to 1) for which there is a temperature.
    """

    minimum: float | None = None
    minimum_ms: int | None = None
    maximum: float | None = None
    maximum_ms: int | None = None
    swing: float | None = None
    steepest_per_hour: float | None = None
    steepest_ms: int | None = None
    minutes_above: float = 0.0
    first_above_ms: int | None = None
    minutes_below: float = 0.0
    first_below_ms: int | None = None
    coverage: float = 0.0

    def public(self) -> dict[str, Any]:
        """Return it as ``mustwatch night --json`` shows it."""

        def rounded(value: float | None, digits: int = 2) -> float | None:
            return None if value is None else round(value, digits)

        return {
            "minimum": rounded(self.minimum),
            "minimum_at": iso(self.minimum_ms),
            "maximum": rounded(self.maximum),
            "maximum_at": iso(self.maximum_ms),
            "swing": rounded(self.swing),
            "steepest_per_hour": rounded(self.steepest_per_hour),
            "steepest_at": iso(self.steepest_ms),
            "minutes_above": round(self.minutes_above),
            "above_at": iso(self.first_above_ms),
            "minutes_below": round(self.minutes_below),
            "below_at": iso(self.first_below_ms),
            "coverage": round(self.coverage, 3),
        }


def night_of(day: date, begins: time, ends: time, zone: tzinfo) -> Night:
    """Return the night that begins on a date; its length follows daylight saving (14, 15 or 16 hours, say)."""
    last = day if ends > begins else day + timedelta(days=1)
    return Night(day, to_ms(datetime.combine(day, begins, zone)), to_ms(datetime.combine(last, ends, zone)))


def last_night(now_ms: int, begins: time, ends: time, zone: tzinfo) -> Night:
    """Return the night that is on, or else the one that ended last."""
    today = from_ms(now_ms).astimezone(zone).date()
    for days in (0, 1, 2):
        night = night_of(today - timedelta(days=days), begins, ends, zone)
        if night.from_ms <= now_ms:
            return night
    raise AssertionError("a night began within the last two days")


def review(
    samples: Sequence[Sample], night: Night, band: Band | None, until_ms: int | None = None
) -> NightReview:
    """Review one night's temperatures, in time order; of a night not over yet, give the present as ``until_ms``.

    Minutes outside the band are time, not readings: each temperature counts until the next one, at most
    ``HOLDS_MS``. Without a band nothing is outside.
    """
    end_ms = min(night.until_ms, until_ms) if until_ms is not None else night.until_ms
    inside = [s for s in samples if night.from_ms <= s.at_ms < end_ms]
    if not inside or end_ms <= night.from_ms:
        return NightReview()
    lowest = min(inside, key=lambda s: s.celsius)
    highest = max(inside, key=lambda s: s.celsius)
    above = below = covered = 0
    first_above: int | None = None
    first_below: int | None = None
    for position, sample in enumerate(inside):
        next_ms = inside[position + 1].at_ms if position + 1 < len(inside) else end_ms
        held = min(next_ms - sample.at_ms, HOLDS_MS)
        covered += held
        if band is not None and sample.celsius > band.high_c:
            above += held
            first_above = sample.at_ms if first_above is None else first_above
        elif band is not None and sample.celsius < band.low_c:
            below += held
            first_below = sample.at_ms if first_below is None else first_below
    covered += min(inside[0].at_ms - night.from_ms, HOLDS_MS)
    slope, slope_ms = _steepest(inside)
    return NightReview(
        minimum=lowest.celsius,
        minimum_ms=lowest.at_ms,
        maximum=highest.celsius,
        maximum_ms=highest.at_ms,
        swing=highest.celsius - lowest.celsius,
        steepest_per_hour=slope,
        steepest_ms=slope_ms,
        minutes_above=above / MINUTE_MS,
        first_above_ms=first_above,
        minutes_below=below / MINUTE_MS,
        first_below_ms=first_below,
        coverage=min(1.0, covered / (end_ms - night.from_ms)),
    )


def _steepest(samples: Sequence[Sample]) -> tuple[float | None, int | None]:
    """Return the largest change over an hour (signed, °C per hour) and when that hour began."""
    means: list[Sample] = []
    begin = 0
    while begin < len(samples):
        of_bin = samples[begin].at_ms // BIN_MS
        end = begin
        while end < len(samples) and samples[end].at_ms // BIN_MS == of_bin:
            end += 1
        of = samples[begin:end]
        means.append(Sample(sum(s.at_ms for s in of) // len(of), sum(s.celsius for s in of) / len(of)))
        begin = end
    steepest: tuple[float | None, int | None] = (None, None)
    instants = [m.at_ms for m in means]
    for position, mean in enumerate(means):
        after = bisect_left(instants, mean.at_ms + HOUR_MS - BIN_MS // 2, position)
        if after >= len(means) or means[after].at_ms - mean.at_ms > HOUR_MS + HOLDS_MS:
            continue
        slope = (means[after].celsius - mean.celsius) * HOUR_MS / (means[after].at_ms - mean.at_ms)
        if steepest[0] is None or abs(slope) > abs(steepest[0]):
            steepest = (slope, mean.at_ms)
    return steepest
