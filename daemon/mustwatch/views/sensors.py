"""Sensors and the quarantine as pages and API show them: assembled from the store by one set of rules."""

from typing import Any

from mustwatch.cellar.history import BEGINNING_MS, CellarHistory
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, iso
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor
from mustwatch.config.plan import CellarPlan
from mustwatch.must.calibration import Calibration, CalibrationError, fit
from mustwatch.store.store import Store

LOOKBACK_MS = 60 * DAY_MS
"""A sensor that said nothing for longer than this counts as never heard."""
TOGETHER_MS = 6 * HOUR_MS
"""A sensor with a topic for each quantity says one at a time: what it said within this counts as said now."""
PAYLOAD_SHOWN = 200
"""Bytes of an unreadable payload that are shown."""


def sensors_view(store: Store, plan: CellarPlan, now_ms: int) -> list[dict[str, Any]]:
    """Return every configured sensor with what it said last, where it is, and how it is calibrated."""
    history = store.book.history()
    return [_sensor(store, sensor, history, now_ms) for sensor in plan.sensors.values()]


def _sensor(store: Store, sensor: Sensor, history: CellarHistory, now_ms: int) -> dict[str, Any]:
    latest = newest_of_each(store, sensor.id, now_ms)
    placement = history.place(sensor.id, now_ms)
    heard_ms = None if latest is None else latest.received_ms
    is_silent = heard_ms is None or now_ms - heard_ms > sensor.silent_after_s * 1000
    battery = None if latest is None else latest.battery_v
    return {
        "sensor": sensor.id,
        "kind": sensor.kind.value,
        "vessel": placement.vessel,
        "lot": placement.lot,
        "room": sensor.room,
        "topic": ", ".join(sensor.topics) or sensor.topic,
        "heard_at": iso(heard_ms),
        "silent": is_silent,
        "silent_after_s": sensor.silent_after_s,
        "said": None if latest is None else _said(latest),
        "battery_v": battery,
        "battery_low_v": sensor.battery_low_v,
        "battery_low": battery is not None
        and sensor.battery_low_v is not None
        and battery <= sensor.battery_low_v,
        "beyond_calibration": latest is not None and _is_beyond(store, sensor, latest),
        "calibrations": _calibrations(store, sensor),
        "set_aside": [
            {**_said(reading), "set_aside_at": iso(aside_ms), "why": why}
            for reading, aside_ms, why in store.readings.aside(sensor.id)
        ],
        "offset": next((offset for _, offset in reversed(history.offsets.get(sensor.id, ()))), 0.0),
    }


def newest_of_each(store: Store, sensor: str, now_ms: int) -> Reading | None:
    """Return the newest reading, filled up with the newest of each quantity that the hours before it said."""
    latest = store.readings.latest(sensor, now_ms - LOOKBACK_MS)
    if latest is None or None not in latest[3:8]:
        return latest
    until_ms = latest.observed_ms
    for before in reversed(store.readings.between(until_ms - TOGETHER_MS, until_ms, [sensor])):
        if None not in latest[3:8]:
            break
        filled = (old if new is None else new for new, old in zip(latest[3:8], before[3:8], strict=True))
        latest = Reading._make((*latest[:3], *filled, latest.stamp))
    return latest


def _said(reading: Reading) -> dict[str, Any]:
    return {
        "observed_at": iso(reading.observed_ms),
        "received_at": iso(reading.received_ms),
        "gravity": reading.gravity,
        "inclination": reading.inclination_deg,
        "celsius": reading.temperature_c,
        "battery_v": reading.battery_v,
        "signal_dbm": reading.signal_dbm,
    }


def _given(store: Store, sensor: Sensor) -> list[tuple[int, tuple[tuple[float, float], ...]]]:
    given = [(BEGINNING_MS, sensor.calibration)] if sensor.calibration else []
    return given + [(c.from_ms, c.points) for c in store.book.calibrations(sensor.id)]


def _is_beyond(store: Store, sensor: Sensor, latest: Reading) -> bool:
    """Say whether an inclination lies outside the points it was calibrated with: its gravity is an extrapolation."""
    valid = [points for from_ms, points in _given(store, sensor) if from_ms <= latest.observed_ms]
    if latest.inclination_deg is None or not valid:
        return False
    try:
        return not fit(valid[-1]).covers(latest.inclination_deg)
    except CalibrationError:
        return False


def _calibrations(store: Store, sensor: Sensor) -> list[dict[str, Any]]:
    """Return a float's calibrations, the newest first, each with its points' residuals."""
    return [_calibration(from_ms, points) for from_ms, points in reversed(_given(store, sensor))]


def _calibration(from_ms: int, points: tuple[tuple[float, float], ...]) -> dict[str, Any]:
    since = {"from_at": None if from_ms == BEGINNING_MS else iso(from_ms)}
    try:
        curve: Calibration = fit(points)
    except CalibrationError as error:
        return {**since, "fault": str(error), "points": []}
    return {
        **since,
        "fault": None,
        "order": curve.order,
        "point_sd": round(curve.point_sd, 5),
        "explained": curve.explained,
        "points": [
            {
                "inclination": r.inclination_deg,
                "gravity": r.gravity,
                "residual": round(r.residual, 5),
            }
            for r in curve.residuals
        ],
    }


def quarantine_view(store: Store, limit: int) -> dict[str, Any]:
    """Return what could not be read: how many by reason, and the newest payloads first."""
    return {
        "counts": dict(store.readings.quarantine_counts()),
        "newest": [
            {
                "received_at": iso(row.received_ms),
                "topic": row.topic,
                "reason": row.reason,
                "detail": row.detail,
                "payload": row.payload[:PAYLOAD_SHOWN].decode("utf-8", "backslashreplace"),
            }
            for row in store.readings.quarantined(limit)
        ],
    }
