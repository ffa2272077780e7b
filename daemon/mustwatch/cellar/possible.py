"""Values that no wine, vessel or hand could have: slips of the finger, caught before they reach the book."""

import math
import re
from collections.abc import Callable, Iterator
from datetime import date

from mustwatch.cellar.additions import Purpose
from mustwatch.cellar.analysis import KINDS, faults, quantities_of
from mustwatch.cellar.book import (
    Act,
    Addition,
    Attended,
    BottlesTaken,
    Bottling,
    Entry,
    Malic,
    Measurement,
    Note,
    OwnReminder,
    Racking,
    Reanchor,
    Start,
    Tasting,
    Transfer,
)
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.reading import GRAVITY_RANGE, TEMPERATURE_RANGE_C
from mustwatch.cellar.refusal import Reason, Refusal, wrong

TEXT_LIMIT = 4000
FIRST_YEAR, LAST_YEAR = 2000, 2200
EVERY = re.compile(r"P([1-9]\d{0,2})([DWMY])")
"""An ISO 8601 duration of one unit, up to 999 of it."""


Say = Callable[[float], str]
Asked = tuple[str, float | None, float, float, Say, str]
"""A number of an entry: its name, itself, least, greatest, how such numbers are said, and one as an example."""


def _numbers(entry: Entry, measures: Measures) -> Iterator[Asked]:
    """Yield every number of an entry with the range it must lie in."""
    what = entry.what
    gravity = (*GRAVITY_RANGE, measures.gravity, f"a gravity such as {measures.gravity(1.050)}")
    celsius = (
        *TEMPERATURE_RANGE_C,
        measures.temperature,
        f"a temperature such as {measures.temperature(19)}",
    )
    litres = (0.0, 1e6, measures.volume)
    if isinstance(what, Start | Measurement | Racking):
        yield "gravity", what.gravity, *gravity
        yield "temperature", what.temperature_c, *celsius
        yield "gravity as read", what.gravity_as_read, *gravity
        usual = ", ".join(map(measures.temperature, (15.0, 15.56))) + f" or {measures.temperature(20.0)}"
        yield "calibration temperature", what.calibrated_at_c, 0.0, 40.0, measures.temperature, usual
    if isinstance(what, Measurement):
        for kind in KINDS.values():
            value = getattr(what, kind.field)
            if not isinstance(value, Malic):
                yield kind.words, value, kind.low, kind.high, _bare, kind.example
    if isinstance(what, Start):
        yield "target gravity", what.target_gravity, *gravity
        yield "yeast's lowest temperature", what.yeast_low_c, *celsius
        yield "yeast's highest temperature", what.yeast_high_c, *celsius
    if isinstance(what, Start | Racking | Addition):
        yield "volume", what.litres, *litres, "litres such as 23"
    if isinstance(what, Racking):
        yield "headspace", what.headspace_litres, *litres, "litres such as 0.5"
        yield "lees", what.lees_litres, *litres, "litres such as 1.5"
    if isinstance(what, Addition):
        yield "amount", what.amount, 0.0, 1e6, _bare, "an amount of 0 or more"
        yield "sugar", what.sugar_g, 0.0, 1e6, measures.mass, "grams of 0 or more"
    if isinstance(what, Bottling):
        yield "bottles", what.bottles, 1, 100_000, _bare, "a count such as 28"
        yield "bottle size", what.bottle_ml, 50.0, 30_000.0, _bare, "millilitres such as 750"
        yield "sugar", what.sugar_g_per_l, 0.0, 500.0, _bare, "grams per litre such as 2"
    if isinstance(what, BottlesTaken):
        yield "bottles", what.bottles, 1, 100_000, _bare, "a count such as 1"
    if isinstance(what, Transfer):
        for pour in what.pours:
            yield "volume", pour.litres, *litres, "litres such as 23"
    if isinstance(what, Reanchor):
        yield "offset", what.offset, -0.1, 0.1, _bare, "a difference of gravity such as -0.003"


def _bare(value: float) -> str:
    return f"{value:g}"


def _texts(entry: Entry) -> Iterator[tuple[str, str | None]]:
    what = entry.what
    yield "reason", entry.despite
    if isinstance(what, Start):
        yield from (("must", what.must), ("yeast", what.yeast))
    if isinstance(what, Addition):
        yield from (("what", what.what), ("unit", what.unit), ("why", what.why))
    if isinstance(what, Transfer):
        yield "why", what.why
    if isinstance(what, Note | Tasting | OwnReminder):
        yield "text", what.text
    if isinstance(what, Measurement):
        yield "method", what.method
    if isinstance(what, BottlesTaken):
        yield "note", what.text
    if isinstance(what, Bottling):
        yield "closure", what.closure


def _hint(name: str, value: float) -> str:
    """Return what a gravity of 105 or 1050 was meant to be, as a question, or nothing."""
    if "gravity" in name and 950 <= value <= 1200:
        return f"; did you mean {value / 1000:.3f}?"
    if "gravity" in name and 95 <= value <= 120:
        return f"; did you mean {value / 100:.3f}?"
    return ""


def bad_values(entry: Entry, measures: Measures = PLAIN) -> Iterator[Refusal]:
    """Yield what is wrong with the values of an entry as they stand."""
    for name, value, low, high, say, expected in _numbers(entry, measures):
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            # A gravity beyond any table cannot be said in another unit: it is shown as it came.
            said = _bare(value) if say == measures.gravity or not math.isfinite(value) else say(value)
            line = (
                f"{name} {said}: expected {expected}, between {say(low)} and {say(high)}{_hint(name, value)}"
            )
            yield wrong(Reason.BAD_VALUE, line)
    for name, text in _texts(entry):
        if text is None:
            continue
        if not text.strip() or len(text) > TEXT_LIMIT:
            line = f"{name}: expected some words, at most {TEXT_LIMIT} characters, got {len(text)}"
            yield wrong(Reason.BAD_VALUE, line)
        elif any(not c.isprintable() and c not in "\n\t" for c in text):
            yield wrong(Reason.BAD_VALUE, f"{name}: contains a control character; type it anew")
    what = entry.what
    if isinstance(what, Measurement):
        yield from _bad_analysis(what)
    if isinstance(what, Start):
        low_c, high_c = what.yeast_low_c, what.yeast_high_c
        if low_c is not None and high_c is not None and low_c >= high_c:
            yield wrong(
                Reason.BAD_VALUE, f"the yeast's band {measures.band(low_c, high_c)} is upside down: low first"
            )
    if isinstance(what, OwnReminder):
        yield from _bad_day("on", what.on)
        if what.every is not None and EVERY.fullmatch(what.every) is None:
            line = f"every {what.every!r}: expected days, weeks, months or years such as P6W"
            yield wrong(Reason.BAD_VALUE, line)
    if isinstance(what, Bottling):
        yield from _bad_day("drink from", what.drink_from)
        yield from _bad_day("drink until", what.drink_until)
        if what.drink_from and what.drink_until and what.drink_from > what.drink_until:
            line = f"to drink from {what.drink_from} until {what.drink_until}: the earlier day first"
            yield wrong(Reason.BAD_VALUE, line)
    if isinstance(what, Attended) and (what.act is Act.PUT_OFF) != (what.until_ms is not None):
        yield wrong(
            Reason.BAD_VALUE, "put off until when? give --until a day; what is done or dropped has none"
        )
    if isinstance(what, Addition) and what.purpose is not None and what.purpose not in list(Purpose):
        line = f"purpose {what.purpose!r}: expected one of {', '.join(Purpose)}"
        yield wrong(Reason.BAD_VALUE, line)


def _bad_analysis(what: Measurement) -> Iterator[Refusal]:
    if what.gravity is None and what.temperature_c is None and not any(quantities_of(what)):
        line = "nothing measured: give at least --gravity, --celsius, --ph or --free-so2, or another analysis"
        yield wrong(Reason.BAD_VALUE, line)
    yield from (wrong(Reason.BAD_VALUE, line) for line in faults(what))


def _bad_day(name: str, text: str | None) -> Iterator[Refusal]:
    try:
        day = None if text is None else date.fromisoformat(text)
    except ValueError:
        day = date.min
    if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
        line = f"{name} {text!r}: expected a date such as 2027-03-01, from {FIRST_YEAR} to {LAST_YEAR}"
        yield wrong(Reason.BAD_VALUE, line)
