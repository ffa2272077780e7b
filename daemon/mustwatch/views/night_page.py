"""The night as the page shows it: the night's document with each place's curve and the seven nights before."""

from collections.abc import Mapping
from datetime import date, timedelta
from heapq import merge
from statistics import median
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from mustwatch.cellar.history import CellarHistory
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.config.plan import plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.rollup import Quantity, series
from mustwatch.store.store import Store
from mustwatch.views.lot import columns
from mustwatch.views.night import night_view, the_night
from mustwatch.views.night_review import Night, Sample, night_of, review
from mustwatch.views.series import Track, thinned

AROUND_MS = 3 * HOUR_MS
"""How much of the evening before and the morning after is shown beside the night."""
NIGHTS_BEFORE = 7
CURVE_POINTS = 400


class _Place(NamedTuple):
    """Where a temperature was taken: in a vessel, or by a probe of the room."""

    vessel: str | None
    sensor: str | None


def night_page(store: Store, settings: Settings, now_ms: int, day: date | None) -> dict[str, Any]:
    """Return the document of ``mustwatch night --json``; each row with its ``curve`` and ``earlier`` nights.

    ``previous`` and ``next`` name the neighbouring nights; ``next`` is None for the newest.
    """
    document = night_view(store, settings, now_ms, day)
    night = the_night(settings, now_ms, day)
    newest = the_night(settings, now_ms, None)
    earlier = _nights_before(settings, night.date)
    samples = _samples(store, plan_of(settings).sensors, store.book.history(), earlier[-1], night)
    window = (night.from_ms - AROUND_MS, min(night.until_ms + AROUND_MS, max(now_ms, night.from_ms)))
    for row in document["vessels"]:
        of_place = samples.get(_Place(row["vessel"], row["sensor"]), Track())
        shown = [point for point in of_place if window[0] <= point.at_ms < window[1]]
        row["curve"] = columns(thinned(shown, CURVE_POINTS), 2)
        row["earlier"] = [_brief(of_place, one) for one in earlier]
        swings = [one["swing"] for one in row["earlier"] if one["swing"] is not None]
        row["usual_swing"] = round(median(swings), 2) if swings else None
    return {
        **document,
        "shown_from_ms": night.from_ms - AROUND_MS,
        "shown_until_ms": night.until_ms + AROUND_MS,
        "from_ms": night.from_ms,
        "until_ms": night.until_ms,
        "previous": (night.date - timedelta(days=1)).isoformat(),
        "next": (night.date + timedelta(days=1)).isoformat() if night.date < newest.date else None,
    }


def _nights_before(settings: Settings, day: date) -> list[Night]:
    """Return the seven nights before one, the latest first."""
    zone = ZoneInfo(settings.cellar.timezone)
    begins, ends = settings.cellar.night_begins, settings.cellar.night_ends
    return [night_of(day - timedelta(days=n), begins, ends, zone) for n in range(1, NIGHTS_BEFORE + 1)]


def _brief(said: Track, night: Night) -> dict[str, Any]:
    """Return an earlier night's extremes."""
    of_night = [Sample(*point) for point in said if night.from_ms <= point.at_ms < night.until_ms]
    found = review(of_night, night, None).public()
    return {"night": night.date.isoformat()} | {k: found[k] for k in ("minimum", "maximum", "swing")}


def _samples(
    store: Store, sensors: Mapping[str, Sensor], history: CellarHistory, first: Night, night: Night
) -> dict[_Place, Track]:
    """Return the temperatures of the nights by place, from the rolled-up readings, in time order.

    As in the night's document, a vessel's probes are heard where it has any, else its floats.
    """
    by_place: dict[tuple[_Place, bool], dict[str, Track]] = {}
    begin_ms, end_ms = first.from_ms - AROUND_MS, night.until_ms + AROUND_MS
    for name in history.sensor_stays:
        sensor = sensors.get(name)
        offset = 0.0 if sensor is None else sensor.temperature_offset_c
        is_probe = sensor is not None and sensor.kind is SensorKind.PROBE
        is_room = sensor is not None and sensor.room
        placement = history.place(name, begin_ms)
        for row in series(store.database, name, Quantity.CELSIUS, begin_ms, end_ms):
            for at_ms, value in sorted({(row.low_ms, row.low), (row.high_ms, row.high)}):
                if not placement.from_ms <= at_ms < placement.until_ms:
                    placement = history.place(name, at_ms)
                if placement.vessel is None and not is_room:
                    continue
                place = _Place(None, name) if is_room else _Place(placement.vessel, None)
                by_place.setdefault((place, is_probe), {}).setdefault(name, Track()).note(
                    at_ms, value + offset
                )
    places = {place for place, _ in by_place}
    return {p: Track(merge(*(by_place.get((p, True)) or by_place[p, False]).values())) for p in places}
