"""Floats and probes: what they make of the truth, and how they fail."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, Literal

import numpy as np

from mustsim.density import FloatArray, shown_gravity
from mustsim.room import wander

BUSY_RATE_PER_DAY: Final = 0.008
"""A fall of gravity per day above which foam and bubbles are lively. Own estimate."""


class FaultKind(StrEnum):
    """How a sensor may fail."""

    DIES = "dies"
    """Says nothing from here on (or until ``hours`` are over)."""
    FREEZES = "freezes"
    """Repeats the same gravity (float) or temperature (probe); the rest goes on."""
    FREEZES_WHOLE = "freezes-whole"
    """Repeats the same gravity and the same temperature."""
    FOAM = "foam"
    """The float hangs in foam: it holds a value that is too high."""
    OUTAGE = "outage"
    """No network: readings are lost, or kept and sent in a burst when it is back."""
    DRIFT = "drift"
    """Its gravity drifts away by ``per_day``."""
    BATTERY = "battery"
    """The battery falls to 3.0 V within ``hours``: readings drop out more and more, then it dies."""
    CLOCK = "clock"
    """Its clock is wrong by ``seconds``."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one sensor (``"*"``: of all) from a day on, for some hours (None: for good).

    Attributes:
        at_gravity: begins ``from_day`` days after the gravity around the sensor has first fallen to this,
            instead of ``from_day`` days after the begin.
        kept: outage: readings are sent afterwards. ``by``: foam: gravity shown too high.
        per_day: drift: change of the error. ``seconds``: clock: how far it is ahead.
    """

    kind: FaultKind
    sensor: str = "*"
    from_day: float = 0.0
    at_gravity: float | None = None
    hours: float | None = None
    kept: bool = True
    by: float = 0.003
    per_day: float = 0.0
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """A float or a probe, where it is, how good it is and how it speaks.

    Attributes:
        vessel: the vessel it is in at the begin; a probe of a room has ``room`` instead.
        topic: where it publishes; with ``number`` each quantity has a topic below it.
        reports: ``raw`` gravity at the must's temperature against water at 20 °C, ``compensated`` 20/20,
            or ``inclination`` in degrees.
        inclines: inclination as a polynomial of x = 1000 (shown gravity - 1): degrees, rising powers.
        noise: standard error of one gravity, white. ``wander``: slow error on top, correlated over 6 h.
        quantum: smallest step of its gravity (or, reporting inclination, of degrees).
        cross_per_k: gravity by which it errs per kelvin from 20 °C. ``offset``: constant error.
        co2_lift: gravity it is lifted by gas while the ferment is at its liveliest.
        spikes: share of readings disturbed by bubbles while lively. ``sticks_per_day``: episodes hung in foam.
        temperature_noise_c, temperature_quantum_c, temperature_offset_c: of its thermometer;
            ``temperature_lag_min`` the time it takes to follow.
        from_day: when it is switched on, days after the begin.
        interval_min, jitter_s: time between readings. ``pack``: readings sent together (SenML only).
        drops, duplicates, late: shares of messages lost, sent twice, or held up for minutes.
        battery_v, battery_v_per_day: None: says nothing of a battery.
        signal_dbm: of its radio, about this; None: says nothing of it.
        retain: publishes with the retain flag.
        form: ``senml``, ``json`` or ``number``. ``fields``: json: quantity to {path, unit}.
    """

    id: str
    kind: Literal["float", "probe"] = "float"
    vessel: str = ""
    room: str = ""
    topic: str = ""
    form: Literal["senml", "json", "number"] = "senml"
    fields: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    reports: Literal["raw", "compensated", "inclination"] = "raw"
    inclines: tuple[float, ...] = (22.0, 0.62, -0.0016)
    noise: float = 0.0015
    wander: float = 0.0002
    quantum: float = 0.0005
    cross_per_k: float = 0.00005
    offset: float = 0.0
    co2_lift: float = 0.0002
    spikes: float = 0.01
    sticks_per_day: float = 0.0
    temperature_noise_c: float = 0.05
    temperature_quantum_c: float = 0.0625
    temperature_offset_c: float = 0.0
    temperature_lag_min: float = 10.0
    from_day: float = 0.0
    interval_min: float = 15.0
    jitter_s: float = 5.0
    pack: int = 1
    drops: float = 0.005
    duplicates: float = 0.003
    late: float = 0.003
    battery_v: float | None = 4.05
    battery_v_per_day: float = -0.004
    signal_dbm: float | None = None
    retain: bool = False

    @property
    def base_topic(self) -> str:
        """Return the topic, or the default one."""
        return self.topic or f"cellar/{self.id}"


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The truth around a sensor at each of its instants (hours since the begin).

    ``in_wine`` is False while it lies in the air or in an empty vessel; ``gravity`` is then meaningless.
    """

    hours: FloatArray
    gravity: FloatArray
    rate_per_day: FloatArray
    temperature_c: FloatArray
    in_wine: np.ndarray[tuple[int], np.dtype[np.bool_]]


def instants(sensor: Sensor, days: float, rng: np.random.Generator) -> FloatArray:
    """Return the hours since the begin at which it takes readings, rising."""
    step_h = sensor.interval_min / 60.0
    count = int(days * 24.0 / step_h)
    first = rng.uniform(0.0, step_h)
    jitter = rng.uniform(-1.0, 1.0, count) * min(sensor.jitter_s / 3600.0, 0.45 * step_h)
    at = np.maximum(first + step_h * np.arange(count) + jitter, 0.0)
    return np.asarray(at[at >= 24.0 * sensor.from_day], dtype=np.float64)


def read(
    sensor: Sensor, around: Surroundings, faults: tuple[Fault, ...], rng: np.random.Generator
) -> dict[str, FloatArray]:
    """Return what its float and thermometer show at each instant, frozen and fouled as the faults say.

    Keys: ``temperature_c``; for a float also ``gravity`` or ``inclination_deg``;
    ``battery_v`` and ``signal_dbm`` if it says them.
    """
    shown: dict[str, FloatArray] = {}
    temperature = _thermometer(sensor, around, rng)
    if sensor.kind == "float":
        gravity = _float(sensor, around, faults, rng)
        for fault in faults:
            if fault.kind in (FaultKind.FREEZES, FaultKind.FREEZES_WHOLE):
                gravity = _hold(gravity, _during(fault, around.hours))
        if sensor.reports == "inclination":
            shown["inclination_deg"] = _quantised(inclination(sensor, gravity), sensor.quantum)
        else:
            shown["gravity"] = _quantised(gravity, sensor.quantum)
    for fault in faults:
        freezes = fault.kind is FaultKind.FREEZES_WHOLE
        if freezes or (fault.kind is FaultKind.FREEZES and sensor.kind == "probe"):
            temperature = _hold(temperature, _during(fault, around.hours))
    shown["temperature_c"] = _quantised(temperature, sensor.temperature_quantum_c)
    if sensor.battery_v is not None:
        shown["battery_v"] = _quantised(battery(sensor, around.hours, faults, rng), 0.01)
    if sensor.signal_dbm is not None:
        signal = sensor.signal_dbm + 3.0 * rng.standard_normal(around.hours.size)
        shown["signal_dbm"] = _quantised(signal, 1.0)
    return shown


def inclination(sensor: Sensor, gravity: FloatArray) -> FloatArray:
    """Return the inclination in degrees at which the float lies for a shown gravity."""
    x = 1000.0 * (gravity - 1.0)
    return np.asarray(sum(c * x**k for k, c in enumerate(sensor.inclines)), dtype=np.float64)


def battery(
    sensor: Sensor, hours: FloatArray, faults: tuple[Fault, ...], rng: np.random.Generator
) -> FloatArray:
    """Return the battery's voltage at each instant."""
    full = sensor.battery_v or 0.0
    volts = full + sensor.battery_v_per_day * hours / 24.0
    for fault in faults:
        if fault.kind is FaultKind.BATTERY:
            into = np.clip((hours - 24.0 * fault.from_day) / (fault.hours or 72.0), 0.0, 1.0)
            volts = volts + (3.0 - volts) * into**2
    return np.asarray(volts + 0.005 * rng.standard_normal(hours.size), dtype=np.float64)


def _thermometer(sensor: Sensor, around: Surroundings, rng: np.random.Generator) -> FloatArray:
    lag_h = sensor.temperature_lag_min / 60.0
    felt = np.interp(np.maximum(around.hours - lag_h, 0.0), around.hours, around.temperature_c)
    noise = sensor.temperature_noise_c * rng.standard_normal(around.hours.size)
    return np.asarray(felt + sensor.temperature_offset_c + noise, dtype=np.float64)


def _float(
    sensor: Sensor, around: Surroundings, faults: tuple[Fault, ...], rng: np.random.Generator
) -> FloatArray:
    """Return the gravity it shows, before freezing and rounding."""
    size = around.hours.size
    lively = np.clip(-around.rate_per_day / BUSY_RATE_PER_DAY, 0.0, 1.0)
    true = around.gravity
    if sensor.reports != "compensated":
        true = shown_gravity(true, around.temperature_c)
    shown = true + lasting_error(sensor, around.rate_per_day, around.temperature_c)
    shown = shown + wander(around.hours, sensor.wander, 6.0, rng)
    noise = sensor.noise * rng.standard_normal(size)
    upward = np.where(rng.random(size) < 0.8, 1.0, -1.0)
    spike = np.where(rng.random(size) < sensor.spikes * lively, rng.exponential(0.008, size) + 0.003, 0.0)
    for fault in faults:
        if fault.kind is FaultKind.DRIFT:
            since = np.clip(around.hours / 24.0 - fault.from_day, 0.0, (fault.hours or 1e9) / 24.0)
            shown = shown + fault.per_day * since
    for window, by in _foam(sensor, around, faults, lively, rng):
        if window.any():
            shown = np.where(window, shown[int(np.argmax(window))] + by, shown)
            noise = np.where(window, 0.3 * noise, noise)
    in_air = rng.uniform(0.94, 1.22, size)
    return np.asarray(np.where(around.in_wine, shown + noise + upward * spike, in_air), dtype=np.float64)


def lasting_error(sensor: Sensor, rate_per_day: FloatArray, temperature_c: FloatArray) -> FloatArray:
    """Return by how much a float is off for days, drift apart: by its offset, by temperature, and by gas."""
    lift = sensor.co2_lift * np.clip(-rate_per_day / 0.02, 0.0, 1.5)
    return np.asarray(sensor.offset + sensor.cross_per_k * (temperature_c - 20.0) + lift, dtype=np.float64)


def _foam(
    sensor: Sensor,
    around: Surroundings,
    faults: tuple[Fault, ...],
    lively: FloatArray,
    rng: np.random.Generator,
) -> list[tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], float]]:
    """Return the episodes in which the float hangs in foam, each with how much too high it shows."""
    windows = [(_during(f, around.hours), f.by) for f in faults if f.kind is FaultKind.FOAM]
    busy = around.hours[lively >= 1.0]
    if sensor.sticks_per_day > 0.0 and busy.size:
        for _ in range(int(rng.poisson(sensor.sticks_per_day * (busy[-1] - busy[0]) / 24.0))):
            begin = float(rng.choice(busy))
            end = begin + 0.5 + float(rng.exponential(2.5))
            window = (around.hours >= begin) & (around.hours < end)
            windows.append((window, float(rng.uniform(0.0, 0.004))))
    return windows


def _during(fault: Fault, hours: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    begin = 24.0 * fault.from_day
    end = np.inf if fault.hours is None else begin + fault.hours
    return np.asarray((hours >= begin) & (hours < end), dtype=np.bool_)


def _hold(values: FloatArray, window: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> FloatArray:
    """Return the values held at the first one within the window, while it lasts."""
    if not window.any():
        return values
    return np.asarray(np.where(window, values[int(np.argmax(window))], values), dtype=np.float64)


def _quantised(values: FloatArray, quantum: float) -> FloatArray:
    if quantum <= 0.0:
        return values
    return np.asarray(np.round(values / quantum) * quantum, dtype=np.float64)
