"""Days still to come and spans between them, as people type them: ``2027-03-01``, ``sat``, ``6 weeks``."""

import re
from datetime import date, timedelta

DAY_EXPECTED = "a day such as 2027-03-01, tomorrow, sat or 'in 3 weeks'"
SPAN_EXPECTED = "a span such as '6 weeks', '10 days', '2 months' or 'year'"
_SPAN = re.compile(r"(\d{1,3})?\s*(day|week|month|year|d|w)s?")
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_DAYS = {"D": 1, "W": 7, "M": 30, "Y": 365}


def span(name: str, text: str) -> str:
    """Return a span as an ISO 8601 duration: ``6 weeks`` is ``P6W``.

    Raises:
        ValueError: it cannot be read; the line names where it was typed and what was expected.
    """
    match = _SPAN.fullmatch(" ".join(text.casefold().split()))
    if match is None or (match[1] is not None and int(match[1]) == 0):
        raise ValueError(f"{name} {text!r} cannot be read; expected {SPAN_EXPECTED}")
    return f"P{int(match[1] or 1)}{match[2][0].upper()}"


def day_ahead(name: str, text: str, today: date) -> date:
    """Return a day that was typed, from today on; a weekday is the next one.

    Raises:
        ValueError: it cannot be read; the line names where it was typed and what was expected.
    """
    plain = " ".join(text.casefold().split())
    if plain in ("today", "tomorrow"):
        return today + timedelta(days=plain == "tomorrow")
    weekdays = [n for n, day in enumerate(_WEEKDAYS) if len(plain) >= 3 and day.startswith(plain)]
    if len(weekdays) == 1:
        return today + timedelta(days=(weekdays[0] - today.weekday() - 1) % 7 + 1)
    if plain.startswith("in "):
        every = span(name, plain.removeprefix("in "))
        return today + timedelta(days=int(every[1:-1]) * _DAYS[every[-1]])
    try:
        return date.fromisoformat(plain)
    except ValueError:
        raise ValueError(f"{name} {text!r} cannot be read; expected {DAY_EXPECTED}") from None
