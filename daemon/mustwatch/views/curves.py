"""A lot's curves in a window, as pages and API show them: few points that keep every extreme, whatever is stored.

A window of more than two days is answered from the rolled-up readings, a shorter one reading by reading (where the
readings are still kept), so that the cost of opening grows with what is shown.
"""

from collections.abc import Iterable, Iterator
from heapq import merge
from operator import itemgetter
from typing import Any, NamedTuple

from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.strength import checks
from mustwatch.config.plan import CellarPlan
from mustwatch.evaluation.placing import Placer
from mustwatch.store.rollup import Quantity, Rolled, quarter_ms, series, thinned_until_ms
from mustwatch.store.store import Store
from mustwatch.views.chart_fan import Fan, Foreseen, fan
from mustwatch.views.series import Point, Track, m4, thinned
from mustwatch.watch.curve import expected_end
from mustwatch.watch.estimate import Estimate

RAW_WINDOW_MS = 2 * DAY_MS
"""A window up to this long is answered from the readings themselves."""
MOST_POINTS = 2_000
FEWEST_POINTS = 40
SPAN_MS = 14 * DAY_MS
"""How much of a history is read at a time: a year of readings at once would be tens of megabytes."""
AROUND_MS = HOUR_MS
"""Readings this long before the window are looked at too: a float's temperature may have come a little earlier."""


class Window(NamedTuple):
    """What is shown: [from, until), milliseconds since the epoch."""

    from_ms: int
    until_ms: int


class SensorCurve(NamedTuple):
    """What one sensor said of a lot: gravity 20/20 and °C, corrected, reduced; None where the line is broken."""

    sensor: str
    kind: str
    gravity: list[Point]
    celsius: list[Point | None]


def whole_of(lot: LotHistory, now_ms: int) -> Window:
    """Return a lot's life so far."""
    return Window(
        lot.started_ms, max(now_ms, lot.started_ms + HOUR_MS) if lot.ended_ms is None else lot.ended_ms
    )


def sensor_curves(
    store: Store, plan: CellarPlan, lot: LotHistory, window: Window, most: int
) -> list[SensorCurve]:
    """Return what every sensor said of a lot in a window, each curve of at most ``most`` points."""
    placer = Placer(store, plan)
    found = []
    for sensor in placer.history.sensor_stays:
        gravity, celsius = _said(store, placer, lot.lot, sensor, window)
        if gravity or celsius:
            configured = plan.sensors.get(sensor)
            kind = configured.kind.value if configured is not None else ("float" if gravity else "probe")
            found.append(SensorCurve(sensor, kind, m4(gravity, most), thinned(celsius, most)))
    return found


def room_curves(
    store: Store, plan: CellarPlan, window: Window, most: int
) -> Iterator[tuple[str, list[Point | None]]]:
    """Yield each sensor of the room with its temperatures in a window, °C, at most ``most`` points."""
    raw = _is_raw(store, window)
    for sensor in plan.sensors.values():
        if not sensor.room:
            continue
        rows = series(store.database, sensor.id, Quantity.CELSIUS, window.from_ms, window.until_ms, raw=raw)
        said = Track(
            (at_ms, value + sensor.temperature_offset_c) for row in rows for at_ms, value in _extremes(row)
        )
        if said:
            yield sensor.id, thinned(said, most)


def _is_raw(store: Store, window: Window) -> bool:
    """Say whether a window is answered reading by reading."""
    is_short = window.until_ms - window.from_ms <= RAW_WINDOW_MS
    return is_short and window.from_ms >= thinned_until_ms(store.database)


def _said(store: Store, placer: Placer, lot: str, sensor: str, window: Window) -> tuple[Track, Track]:
    """Return a sensor's gravities and temperatures of a lot in a window, corrected.

    A rolled-up quarter gives its lowest and highest; each gravity is corrected with the temperature that its sensor
    said last before, which is then of the same quarter of an hour: the must moves by a few tenths of a degree in it,
    0.0001 of gravity.
    """
    gravity, celsius = Track(), Track()
    raw = _is_raw(store, window)
    for begin_ms, end_ms in _stays(placer, lot, sensor, window):
        for reading in _readings(store, sensor, begin_ms, end_ms, raw=raw):
            said = placer.observation(reading, "")
            if not begin_ms <= reading.observed_ms < end_ms:
                continue
            gravity.note(said.at_ms, said.gravity)
            celsius.note(said.at_ms, said.temperature_c)
    return gravity, celsius


def _stays(placer: Placer, lot: str, sensor: str, window: Window) -> Iterator[tuple[int, int]]:
    """Yield the spans of a window in which a sensor was with a lot."""
    at_ms = window.from_ms
    while at_ms < window.until_ms:
        placement = placer.history.place(sensor, at_ms)
        until_ms = min(placement.until_ms, window.until_ms)
        if placement.lot == lot:
            yield at_ms, until_ms
        at_ms = max(until_ms, at_ms + 1)


def _readings(store: Store, sensor: str, from_ms: int, until_ms: int, *, raw: bool) -> Iterable[Reading]:
    """Yield a sensor's statements as readings in time order, temperatures before gravities of the same instant."""
    begin_ms = from_ms - AROUND_MS
    while begin_ms < until_ms:
        # Where a quarter of an hour begins, so that none is cut and given twice.
        end_ms = min(quarter_ms(begin_ms + SPAN_MS), until_ms)
        yield from _readings_of_span(store, sensor, begin_ms, end_ms, raw=raw)
        begin_ms = end_ms


def _readings_of_span(
    store: Store, sensor: str, from_ms: int, until_ms: int, *, raw: bool
) -> Iterable[Reading]:
    parts = []
    for order, quantity in ((0, Quantity.CELSIUS), (1, Quantity.GRAVITY), (2, Quantity.INCLINATION)):
        rows = series(store.database, sensor, quantity, from_ms, until_ms, raw=raw)
        parts.append([(at_ms, order, value) for row in rows for at_ms, value in _extremes(row)])
    for at_ms, order, value in merge(*parts, key=itemgetter(0, 1)):
        yield Reading(
            sensor,
            at_ms,
            at_ms,
            value if order == 1 else None,
            value if order == 2 else None,
            value if order == 0 else None,
        )


def _extremes(row: Rolled) -> list[tuple[int, float]]:
    """Return a quarter's lowest and highest in the order they came."""
    if row.n == 1 or row.low_ms == row.high_ms:
        return [(row.low_ms, row.low)]
    return sorted([(row.low_ms, row.low), (row.high_ms, row.high)])


class EstimateCurves(NamedTuple):
    """A lot's estimates as curves: gravity 20/20, its standard error at the same instants, and °C."""

    gravity: list[Point]
    gravity_sd: list[float | None]
    celsius: list[Point | None]


def estimate_curves(estimates: Iterable[Estimate], most: int) -> EstimateCurves:
    """Return estimates given in time order as curves of at most ``most`` points, every extreme among them."""
    gravity, spread, celsius = Track(), Track(), Track()
    for estimate in estimates:
        gravity.note(estimate.at_ms, estimate.gravity)
        spread.note(estimate.at_ms, estimate.gravity_sd)
        celsius.note(estimate.at_ms, estimate.temperature_c)
    kept = m4(gravity, most)
    shown = {point.at_ms for point in kept}
    spreads = {at_ms: sd for at_ms, sd in spread if at_ms in shown}
    return EstimateCurves(kept, [spreads.get(point.at_ms) for point in kept], thinned(celsius, most))


def forecast_fan(lot: LotHistory, now: dict[str, Any], profile: Profile) -> Fan | None:
    """Return a lot's forecast as a fan, or None while there is no forecast."""
    gravity, at_ms, start = now.get("gravity"), now.get("at_ms"), lot.starting_gravity()
    if gravity is None or at_ms is None:
        return None
    foreseen = []
    if now.get("rack"):
        foreseen.append(Foreseen(profile.racking_gravity, *now["rack"]))
    if now.get("finish"):
        end = min(expected_end(start if start is not None else gravity), gravity - 0.0005)
        foreseen.append(Foreseen(end, *now["finish"]))
    return fan(at_ms, gravity, foreseen)


def check_points(lot: LotHistory, window: Window) -> list[Point]:
    """Return the hydrometer's words in a window."""
    return [Point(*c) for c in checks(lot) if window.from_ms <= c[0] < window.until_ms]
