"""The overnight review as commands, messages and pages show it: assembled from the store by one set of rules."""

from collections.abc import Iterator
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from mustwatch.cellar.instant import HOUR_MS, iso
from mustwatch.cellar.profile import Band
from mustwatch.config.plan import CellarPlan, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.retention import thinned_temperatures
from mustwatch.store.store import Store
from mustwatch.views.night_review import HOLDS_MS, Night, NightReview, Sample, last_night, night_of, review
from mustwatch.views.stages import band_at, spans_of


def the_night(settings: Settings, now_ms: int, day: date | None) -> Night:
    """Return the night that begins on a date, or the present or last one."""
    zone = ZoneInfo(settings.cellar.timezone)
    begins, ends = settings.cellar.night_begins, settings.cellar.night_ends
    return night_of(day, begins, ends, zone) if day is not None else last_night(now_ms, begins, ends, zone)


def samples_by_place(
    store: Store, plan: CellarPlan, night: Night
) -> dict[tuple[str | None, str | None], list[Sample]]:
    """Return the night's temperatures by (vessel, None) and, for the room, by (None, sensor), in time order.

    Where a vessel has a probe, its probes are heard and not the floats: they hang deeper and answer faster.
    """
    history = store.book.history()
    by_sensor: dict[str, list[Sample]] = {}
    from_ms, until_ms = night.from_ms - HOLDS_MS, night.until_ms
    for name, at_ms, celsius in _temperatures(store, from_ms, until_ms):
        sensor = plan.sensors.get(name)
        offset = sensor.temperature_offset_c if sensor is not None else 0.0
        by_sensor.setdefault(name, []).append(Sample(at_ms, celsius + offset))
    found: dict[tuple[str | None, str | None], list[Sample]] = {}
    has_probe: set[str] = set()
    for name, samples in by_sensor.items():
        sensor = plan.sensors.get(name)
        if sensor is not None and sensor.room:
            found[None, name] = samples
            continue
        is_probe = sensor is not None and sensor.kind.value == "probe"
        for sample in samples:
            vessel = history.place(name, sample.at_ms).vessel
            if vessel is None:
                continue
            if is_probe and vessel not in has_probe:
                has_probe.add(vessel)
                found[vessel, None] = []
            if is_probe or vessel not in has_probe:
                found.setdefault((vessel, None), []).append(sample)
    return {key: sorted(samples) for key, samples in found.items()}


def _temperatures(store: Store, from_ms: int, until_ms: int) -> Iterator[tuple[str, int, float]]:
    """Yield what every sensor said of the temperature: sensor, instant, °C. Read an hour at a time: little memory."""
    yield from thinned_temperatures(store.database, from_ms, until_ms)
    for begin_ms in range(from_ms, until_ms, HOUR_MS):
        for reading in store.readings.between(begin_ms, min(begin_ms + HOUR_MS, until_ms)):
            if reading.temperature_c is not None:
                yield reading.sensor, reading.observed_ms, reading.temperature_c


def night_view(store: Store, settings: Settings, now_ms: int, day: date | None = None) -> dict[str, Any]:
    """Return the document of ``mustwatch night --json`` and of the night page."""
    plan = plan_of(settings)
    night = the_night(settings, now_ms, day)
    history = store.book.history()
    samples = samples_by_place(store, plan, night)
    rows = []
    names = [*plan.vessels, *sorted({v for v, _ in samples if v is not None and v not in plan.vessels})]
    for vessel in names:
        stay = history.lot_in(vessel, min(night.until_ms - 1, now_ms))
        lot = history.lots[stay.lot] if stay is not None else None
        until_ms = min(night.until_ms, now_ms)
        band = band_at(spans_of(store, lot, plan.profile_for(lot), until_ms), until_ms) if lot else None
        rows.append(
            _row(
                vessel, None, stay.lot if stay else None, band, samples.get((vessel, None), []), night, now_ms
            )
        )
    for (place, sensor), of in sorted(samples.items(), key=lambda item: str(item[0])):
        if place is None:
            rows.append(_row(None, sensor, None, None, of, night, now_ms))
    return {
        "night": night.date.isoformat(),
        "from": iso(night.from_ms),
        "until": iso(night.until_ms),
        "vessels": rows,
    }


def _row(
    vessel: str | None,
    sensor: str | None,
    lot: str | None,
    band: Band | None,
    samples: list[Sample],
    night: Night,
    now_ms: int,
) -> dict[str, Any]:
    reviewed: NightReview = review(samples, night, band, now_ms)
    return {
        "vessel": vessel,
        "sensor": sensor,
        "lot": lot,
        "band": None if band is None else {"low": band.low_c, "high": band.high_c},
        **reviewed.public(),
    }
