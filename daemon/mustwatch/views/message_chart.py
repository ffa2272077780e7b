"""The small chart that goes with a message: from what the watch knows of a lot to what is to be drawn, unit by unit.

Nothing is drawn here and nothing is asked of the store: estimates, limits and instants come in; a ``Chart`` in the
cellar's units and by its clock goes out.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from mustwatch.alerting.rules import Units
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, from_ms, to_ms
from mustwatch.cellar.measures import DAYS
from mustwatch.must.bounds import GRAVITY_HIGH, GRAVITY_LOW
from mustwatch.must.sugar import brix_from_gravity
from mustwatch.views.series import Point, broken, hole_ms
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Curve

SPREAD_SDS = 2.0
"""Half the width of the gravity's band in standard errors, about 95 %, as on the lot's page."""
USUAL_MS = {Curve.GRAVITY: 7 * DAY_MS, Curve.TEMPERATURE: 3 * DAY_MS}
"""How much is shown: long enough to see a ferment slow down, short enough to see an hour's fall of temperature."""
BEFORE_MS = {Curve.GRAVITY: 3 * DAY_MS, Curve.TEMPERATURE: DAY_MS}
"""So much before the finding is shown even when it is old…"""
MOST_MS = {Curve.GRAVITY: 21 * DAY_MS, Curve.TEMPERATURE: 7 * DAY_MS}
"""…unless the picture would become longer than this."""
AFTER_END_MS = {Curve.GRAVITY: 2 * DAY_MS, Curve.TEMPERATURE: 12 * HOUR_MS}
SHORTEST_MS = 6 * HOUR_MS
LEAST_HEIGHT = {"SG": 0.006, "Bx": 1.5, "C": 4.0, "F": 7.2}
"""A plane is never less high than this, in its unit: the noise of a settled wine must look flat."""
HOURS_BY_LENGTH = ((30 * HOUR_MS, 3), (4 * DAY_MS, 12))
"""Up to such a length, a tick every so many hours of the clock; a longer picture has room for days only."""
MOST_DAYS_NAMED = 6
STEPS = {
    "SG": (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1),
    "Bx": (0.5, 1.0, 2.0, 5.0, 10.0, 20.0),
    "C": (1.0, 2.0, 5.0, 10.0, 20.0, 50.0),
    "F": (1.0, 2.0, 5.0, 10.0, 20.0, 50.0),
}
MOST_VALUES_NAMED = 5


class Window(NamedTuple):
    """What is shown: [from, until), milliseconds since the epoch."""

    from_ms: int
    until_ms: int


class Limit(NamedTuple):
    """A line across the plane: a gravity 20/20 or °C, what it is called, and whether it must be in the picture."""

    value: float
    name: str
    must_show: bool = False


class Strip(NamedTuple):
    """The temperature band over a span of time; in a ``Chart`` in the cellar's unit, before that in °C."""

    from_ms: int
    until_ms: int
    low: float
    high: float


class Spread(NamedTuple):
    """Between what a value lies at an instant."""

    at_ms: int
    low: float
    high: float


class Tick(NamedTuple):
    """A place on an axis and what stands there; a line without words has none."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class Known:
    """What is known around a finding, in SG 20/20 and °C.

    Attributes:
        lot: whose wine it is.
        quantity: what is shown of it.
        window: the span that is shown.
        caption: when it was, in words; ``marks``: the instants it speaks of (event time).
        estimates: the lot's, in time order, in the window.
        checks: what the hydrometer said in the window.
        strips: the temperature bands that held in the window.
        limits: lines to draw where they fit.
    """

    lot: str
    quantity: Curve
    window: Window
    caption: str
    marks: Sequence[int]
    estimates: Sequence[Estimate]
    checks: Sequence[Point] = ()
    strips: Sequence[Strip] = ()
    limits: Sequence[Limit] = ()


@dataclass(frozen=True, slots=True)
class Chart:
    """What is to be drawn: values in the cellar's unit over instants in milliseconds since the epoch.

    Attributes:
        heading: what is shown, with its unit; ``lot``: of which wine.
        caption: when it was, in words, to stand over ``marks``.
        low, high: the plane's bounds.
        curve: the runs that a line joins; ``spread``: the band around them, run by run.
        last: the end of the curve, as text.
        marks: the instants that are marked, of those in the window.
        levels: lines across, with their names.
    """

    quantity: Curve
    heading: str
    lot: str
    caption: str
    window: Window
    low: float
    high: float
    curve: list[list[Point]]
    spread: list[list[Spread]]
    checks: list[Point]
    strips: list[Strip]
    levels: list[Tick]
    marks: list[int]
    last: str
    values: list[Tick]
    times: list[Tick]


def window_of(quantity: Curve, begins_ms: int, ends_ms: int | None, told_ms: int, lot_from_ms: int) -> Window:
    """Return the days to show of a finding that is told at an instant: the last ones, its beginning among them."""
    until = told_ms if ends_ms is None else min(told_ms, ends_ms + AFTER_END_MS[quantity])
    until = max(until, begins_ms, ends_ms or begins_ms) + 1
    begin = min(until - USUAL_MS[quantity], begins_ms - BEFORE_MS[quantity])
    begin = max(begin, until - MOST_MS[quantity], min(lot_from_ms, begins_ms))
    return Window(min(begin, until - SHORTEST_MS), until)


def message_chart(known: Known, units: Units) -> Chart | None:
    """Return the chart of a finding, or None where there is no curve to show."""
    unit = units.gravity if known.quantity is Curve.GRAVITY else units.temperature
    points = [Point(s.at_ms, (s.low + s.high) / 2) for s in _spreads(known, unit)]
    if len(points) < 2:
        return None
    longer_than_ms = hole_ms([p.at_ms for p in points])
    spread = _joined(list(_spreads(known, unit)), longer_than_ms)
    checks = [Point(p.at_ms, _shown(p.value, unit)) for p in known.checks]
    low, high = _bounds(
        known, unit, [v for s in _spreads(known, unit) for v in s[1:]] + [p.value for p in checks]
    )
    step = next((s for s in STEPS[unit] if (high - low) / s <= MOST_VALUES_NAMED), STEPS[unit][-1])
    return Chart(
        quantity=known.quantity,
        heading={"SG": "Gravity", "Bx": "Gravity, °Bx", "C": "Temperature, °C", "F": "Temperature, °F"}[unit],
        lot=known.lot,
        caption=known.caption,
        window=known.window,
        low=low,
        high=high,
        curve=broken(points, longer_than_ms),
        spread=spread if known.quantity is Curve.GRAVITY else [],
        checks=checks,
        strips=[s._replace(low=_shown(s.low, unit), high=_shown(s.high, unit)) for s in known.strips],
        levels=[
            Tick(value, limit.name)
            for limit in known.limits
            if low < (value := _shown(limit.value, unit)) < high
        ],
        marks=[at for at in known.marks if known.window.from_ms <= at <= known.window.until_ms],
        last=_written(points[-1].value, unit, fine=True),
        values=list(_value_ticks(low, high, step, unit)),
        times=list(_time_ticks(known.window, units)),
    )


def limit_text(value: float, quantity: Curve, units: Units) -> str:
    """Return a limit as it is written beside its line."""
    unit = units.gravity if quantity is Curve.GRAVITY else units.temperature
    shown = _shown(value, unit)
    return _written(shown, unit, fine=unit in ("C", "F") and round(shown, 1) != round(shown))


def _spreads(known: Known, unit: str) -> Iterator[Spread]:
    """Yield the curve with its band; a temperature's band is as thin as its line."""
    for e in known.estimates:
        value = e.gravity if known.quantity is Curve.GRAVITY else e.temperature_c
        if value is None:
            continue
        sd = (e.gravity_sd or 0.0) if known.quantity is Curve.GRAVITY else 0.0
        centre = _shown(value, unit)
        half = abs(_shown(value + SPREAD_SDS * sd, unit) - centre)
        yield Spread(e.at_ms, centre - half, centre + half)


def _joined(spreads: Sequence[Spread], longer_than_ms: float) -> list[list[Spread]]:
    """Return the band in the runs in which its curve is drawn."""
    by_ms = {s.at_ms: s for s in spreads}
    runs = broken([Point(s.at_ms, s.low) for s in spreads], longer_than_ms)
    return [[by_ms[p.at_ms] for p in run] for run in runs]


def _shown(value: float, unit: str) -> float:
    """Return a gravity 20/20 or °C in the cellar's unit."""
    if unit == "Bx":
        return brix_from_gravity(min(max(value, GRAVITY_LOW), GRAVITY_HIGH))
    return value * 1.8 + 32.0 if unit == "F" else value


def _written(value: float, unit: str, *, fine: bool = False) -> str:
    """Return a value of the axis (``fine``: of the curve) as text, the hyphen for a minus as every font has it."""
    digits = {"SG": 3, "Bx": 1}.get(unit, 1 if fine else 0)
    text = f"{value:.{digits}f}"
    text = text if float(text) else text.lstrip("-")
    return f"{text}°" if unit in ("C", "F") else text


def _bounds(known: Known, unit: str, values: Sequence[float]) -> tuple[float, float]:
    """Return the plane's bounds: around the curve, and around a limit as long as that does not flatten the curve."""
    low, high = min(values), max(values)
    least = LEAST_HEIGHT[unit]
    for limit in sorted(known.limits, key=lambda one: not one.must_show):
        value = _shown(limit.value, unit)
        wider = min(low, value), max(high, value)
        if limit.must_show or wider[1] - wider[0] <= max(1.6 * (high - low), least):
            low, high = wider
    middle, half = (low + high) / 2, max(high - low, least) / 2
    return middle - 1.14 * half, middle + 1.14 * half


def _value_ticks(low: float, high: float, step: float, unit: str) -> Iterator[Tick]:
    for n in range(math.ceil(low / step), math.floor(high / step) + 1):
        yield Tick(n * step, _written(n * step, unit))


def _time_ticks(window: Window, units: Units) -> Iterator[Tick]:
    """Yield every local midnight with its day, as many names as there is room for, and hours if there is room."""
    length_ms = window.until_ms - window.from_ms
    first = from_ms(window.from_ms).astimezone(units.zone).date()
    every = max(1, math.ceil(length_ms / DAY_MS / MOST_DAYS_NAMED))
    step = next((hours for longest_ms, hours in HOURS_BY_LENGTH if length_ms <= longest_ms), 24)
    for days in range(math.ceil(length_ms / DAY_MS) + 2):
        day = first + timedelta(days=days)
        for hour in range(0, 24, step):
            at_ms = to_ms(datetime(day.year, day.month, day.day, hour, tzinfo=units.zone))
            if window.from_ms <= at_ms < window.until_ms:
                name = (
                    f"{DAYS[day.weekday()]} {day.day}"
                    if hour == 0
                    else "noon"
                    if step == 12
                    else f"{hour}:00"
                )
                yield Tick(at_ms, name if day.toordinal() % every == 0 else "")


def finding_caption(begins_ms: int, ends_ms: int | None, window: Window, units: Units) -> str:
    """Return when a finding held, in words: its instant while it holds, else from when until when."""
    if ends_ms is not None and ends_ms > begins_ms:
        return units.measures.stretch(begins_ms, ends_ms)
    text = units.measures.moment(begins_ms)
    return text if begins_ms >= window.from_ms else f"since {text}"


def night_caption(low_c: float, low_ms: int, high_c: float, high_ms: int, units: Units) -> str:
    """Return a night's extremes in words: ``lowest 12.3° at 05:50, highest 20.1° at 18:10``."""
    unit = units.temperature
    low, high = (_written(_shown(value, unit), unit, fine=True) for value in (low_c, high_c))
    at_low, at_high = (f"{from_ms(ms).astimezone(units.zone):%H:%M}" for ms in (low_ms, high_ms))
    return f"lowest {low} at {at_low}, highest {high} at {at_high}"
