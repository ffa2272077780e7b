"""The small chart that goes with a message: from what the watch knows of a lot to what is to be drawn, unit by unit.

Nothing is drawn here and nothing is asked of the store: estimates, limits and instants come in; a ``Chart`` in the
cellar's units and by its clock goes out.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from mustwatch.alerting.rules import Units
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.measures import Measures, signed
from mustwatch.drawing.plane import around
from mustwatch.drawing.ticks import day_ticks, round_values
from mustwatch.views.series import Point, broken, hole_ms
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Curve

SPREAD_SDS = 2.0
"""Half the width of the gravity's band in standard errors, about 95 %, as on the lot's page."""
USUAL_MS = {Curve.GRAVITY: 7 * DAY_MS, Curve.TEMPERATURE: 3 * DAY_MS}
"""How much is shown: long enough to see a ferment slow down, short enough to see an hour's fall of temperature."""
BEFORE_MS = {Curve.GRAVITY: 3 * DAY_MS, Curve.TEMPERATURE: DAY_MS}
"""What is shown before the finding even when it is old…"""
MOST_MS = {Curve.GRAVITY: 21 * DAY_MS, Curve.TEMPERATURE: 7 * DAY_MS}
"""…unless the picture would become longer than this."""
AFTER_END_MS = {Curve.GRAVITY: 2 * DAY_MS, Curve.TEMPERATURE: 12 * HOUR_MS}
SHORTEST_MS = 6 * HOUR_MS
LEAST_HEIGHT = {"SG": 0.006, "Bx": 1.5, "C": 4.0, "F": 7.2}
"""A plane is never less high than this, in its unit: the noise of a settled wine must look flat."""
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
    measures, is_gravity = units.measures, known.quantity is Curve.GRAVITY
    unit, shown = _unit(known.quantity, measures)
    spreads = list(_spreads(known, shown))
    points = [Point(s.at_ms, (s.low + s.high) / 2) for s in spreads]
    if len(points) < 2:
        return None
    longer_than_ms = hole_ms([p.at_ms for p in points])
    checks = [Point(p.at_ms, shown(p.value)) for p in known.checks]
    limits = [(shown(limit.value), limit) for limit in known.limits]
    low, high = _bounds(
        limits, LEAST_HEIGHT[unit], [v for s in spreads for v in s[1:]] + [p.value for p in checks]
    )
    values, digits = round_values(low, high, MOST_VALUES_NAMED)
    digits = max(digits, {"SG": 3, "Bx": 1}.get(unit, 0))
    return Chart(
        quantity=known.quantity,
        heading={"SG": "Gravity", "Bx": "Gravity, °Bx", "C": "Temperature, °C", "F": "Temperature, °F"}[unit],
        lot=known.lot,
        caption=known.caption,
        window=known.window,
        low=low,
        high=high,
        curve=broken(points, longer_than_ms),
        spread=_joined(spreads, longer_than_ms) if is_gravity else [],
        checks=checks,
        strips=[s._replace(low=shown(s.low), high=shown(s.high)) for s in known.strips],
        levels=[Tick(value, limit.name) for value, limit in limits if low < value < high],
        marks=[at for at in known.marks if known.window.from_ms <= at <= known.window.until_ms],
        last=signed(points[-1].value, 3 if unit == "SG" else 1) + ("" if is_gravity else "°"),
        values=[Tick(v, signed(v, digits) + ("" if is_gravity else "°")) for v in values],
        times=[Tick(at, name) for at, name in day_ticks(*known.window, measures)],
    )


def _unit(quantity: Curve, measures: Measures) -> tuple[str, Callable[[float], float]]:
    """Return the cellar's unit of a quantity, and what turns it into that."""
    if quantity is Curve.GRAVITY:
        return measures.gravity_unit, measures.gravity_number
    return measures.temperature_unit, measures.temperature_number


def limit_text(value: float, quantity: Curve, units: Units) -> str:
    """Return a limit as it is written beside its line."""
    if quantity is Curve.GRAVITY:
        return units.measures.gravity_text(value)
    is_whole = not round(units.measures.temperature_number(value), 1) % 1
    return f"{units.measures.temperature_text(value, 0 if is_whole else 1)}°"


def _spreads(known: Known, shown: Callable[[float], float]) -> Iterator[Spread]:
    """Yield the curve with its band; a temperature's band is as thin as its line."""
    for e in known.estimates:
        value = e.gravity if known.quantity is Curve.GRAVITY else e.temperature_c
        if value is None:
            continue
        sd = (e.gravity_sd or 0.0) if known.quantity is Curve.GRAVITY else 0.0
        centre = shown(value)
        half = abs(shown(value + SPREAD_SDS * sd) - centre)
        yield Spread(e.at_ms, centre - half, centre + half)


def _joined(spreads: Sequence[Spread], longer_than_ms: float) -> list[list[Spread]]:
    """Return the band in the runs in which its curve is drawn."""
    by_ms = {s.at_ms: s for s in spreads}
    runs = broken([Point(s.at_ms, s.low) for s in spreads], longer_than_ms)
    return [[by_ms[p.at_ms] for p in run] for run in runs]


def _bounds(
    limits: Sequence[tuple[float, Limit]], least: float, values: Sequence[float]
) -> tuple[float, float]:
    """Return the plane's bounds: around the curve, and around a limit as long as that does not flatten the curve."""
    low, high = min(values), max(values)
    for value, limit in sorted(limits, key=lambda one: not one[1].must_show):
        wider = min(low, value), max(high, value)
        if limit.must_show or wider[1] - wider[0] <= max(1.6 * (high - low), least):
            low, high = wider
    return around([low, high], least, 0.14)


def finding_caption(begins_ms: int, ends_ms: int | None, window: Window, units: Units) -> str:
    """Return when a finding held, in words: its instant while it holds, else from when until when."""
    if ends_ms is not None and ends_ms > begins_ms:
        return units.measures.stretch(begins_ms, ends_ms)
    text = units.measures.moment(begins_ms)
    return text if begins_ms >= window.from_ms else f"since {text}"


def night_caption(low_c: float, low_ms: int, high_c: float, high_ms: int, units: Units) -> str:
    """Return a night's extremes in words: ``lowest 12.3° at 05:50, highest 20.1° at 18:10``."""
    measures = units.measures
    low, high = (
        f"{measures.temperature_text(celsius)}° at {measures.clock(at_ms)}"
        for celsius, at_ms in ((low_c, low_ms), (high_c, high_ms))
    )
    return f"lowest {low}, highest {high}"
