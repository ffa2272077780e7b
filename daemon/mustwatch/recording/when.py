"""When something was done, as people type it: ``18:30``, ``yesterday 18:30``, ``2h ago``, ``Tue 18:30``, ISO 8601."""

import re
from datetime import datetime, time, timedelta, tzinfo

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, from_ms, to_ms

EXPECTED = "18:30, yesterday 18:30, tue 18:30, 2h ago, 2026-09-01 18:30 or 2026-09-01T18:30+02:00"
LATEST_YEAR = 2100
NOON = time(12, 0)
"""The time of a day that was named without one."""

_AGO = re.compile(r"(\d+(?:[.,]\d+)?)\s*(m|min|minutes?|h|hours?|d|days?|w|weeks?)\s+ago")
_UNIT_MS = {"m": MINUTE_MS, "h": HOUR_MS, "d": DAY_MS, "w": 7 * DAY_MS}
_TIME = re.compile(r"([01]?\d|2[0-3])[:.h]([0-5]\d)(?::([0-5]\d))?")
_DAY_AND_TIME = re.compile(r"(today|yesterday|[a-z]{3,9})(?:\s+(?:at\s+)?(\S+))?")
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


class WhenError(ValueError):
    """What was typed is no instant; the message says what was expected."""


def when(text: str, now_ms: int, zone: tzinfo) -> int:
    """Return the instant that was typed, milliseconds since the epoch.

    Args:
        text: an instant without an offset is read in the cellar's zone; a day without a time means noon (or now,
            if noon is still to come today); a weekday is the last one.
        now_ms: the present.
        zone: the cellar's time zone.

    Raises:
        WhenError: it cannot be read, or the clock never showed that time (spring's missing hour).
    """
    plain = " ".join(text.casefold().split())
    now = from_ms(now_ms).astimezone(zone)
    if plain in ("now", ""):
        return now_ms
    ago = _AGO.fullmatch(plain)
    if ago is not None:
        return now_ms - int(float(ago[1].replace(",", ".")) * _UNIT_MS[ago[2][0]])
    if _TIME.fullmatch(plain):
        return _on(now, 0, plain, text, now_ms)
    named = _DAY_AND_TIME.fullmatch(plain)
    if named is not None:
        return _on(now, _days_back(named[1], now, text), named[2], text, now_ms)
    return _iso(text, zone)


def end_of_day(text: str, now_ms: int, zone: tzinfo) -> int:
    """Return the end of a day to come, typed as ``2026-10-12``, or an instant with its time.

    Raises:
        WhenError: it cannot be read, or is over.
    """
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        raise WhenError(f"{text!r} is not a date; expected e.g. 2026-10-12") from None
    if len(text.strip()) <= len("2026-10-12"):
        at = datetime.combine(at.date(), time(23, 59, 59))
    if from_ms(now_ms).year <= at.year < LATEST_YEAR:
        at_ms = to_ms(at if at.tzinfo is not None else at.replace(tzinfo=zone))
        if at_ms > now_ms:
            return at_ms
    raise WhenError(f"{text} is over, or too far ahead; expected a day to come, e.g. 2026-10-12")


def _days_back(word: str, now: datetime, text: str) -> int:
    if word in ("today", "yesterday"):
        return int(word == "yesterday")
    days = [position for position, day in enumerate(_WEEKDAYS) if day.startswith(word)]
    if len(days) != 1:
        raise WhenError(f"--at {text!r} cannot be read; expected {EXPECTED}")
    return (now.weekday() - days[0]) % 7 or 7


def _on(now: datetime, days_back: int, clock: str | None, text: str, now_ms: int) -> int:
    day = now.date() - timedelta(days=days_back)
    if clock is None:
        noon_ms = _local(datetime.combine(day, NOON, now.tzinfo), text)
        return min(noon_ms, now_ms)
    match = _TIME.fullmatch(clock)
    if match is None:
        raise WhenError(f"--at {text!r} cannot be read; expected {EXPECTED}")
    at = time(int(match[1]), int(match[2]), int(match[3] or 0))
    at_ms = _local(datetime.combine(day, at, now.tzinfo), text)
    if days_back == 0 and at_ms > now_ms + HOUR_MS // 12:
        raise WhenError(f"--at {text!r} is still to come today; expected e.g. yesterday {clock}")
    return at_ms


def _iso(text: str, zone: tzinfo) -> int:
    try:
        at = datetime.fromisoformat(text.strip().replace("z", "Z"))
    except ValueError:
        raise WhenError(f"--at {text!r} cannot be read; expected {EXPECTED}") from None
    if at.tzinfo is not None:
        return to_ms(at)
    if len(text.strip()) <= len("2026-09-01"):
        at = datetime.combine(at.date(), NOON)
    return _local(at.replace(tzinfo=zone), text)


def _local(at: datetime, text: str) -> int:
    """Return a local time as an instant; in autumn's double hour the first of the two."""
    at_ms = to_ms(at)
    if from_ms(at_ms).astimezone(at.tzinfo).replace(tzinfo=None) != at.replace(tzinfo=None):
        raise WhenError(
            f"--at {text!r} never was: the clocks were set forward over it; expected another time"
        )
    return at_ms
