"""A sensor as the configuration describes it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class SensorKind(StrEnum):
    """What a sensor is."""

    FLOAT = "float"
    """A floating gravity sensor: inclination or gravity, and temperature."""
    PROBE = "probe"
    """Temperature only, in the must or of the room."""


class Quantity(StrEnum):
    """What can be read, by the names the ``senml`` decoder and the field maps use."""

    GRAVITY = "gravity"
    INCLINATION = "inclination"
    TEMPERATURE = "temperature"
    BATTERY = "battery"
    SIGNAL = "signal"
    TIME = "time"


@dataclass(frozen=True, slots=True)
class Field:
    """One entry of a sensor's field map: where in the payload a quantity stands and in which unit.

    ``path`` is dotted, list positions as numbers: ``"data.0.temp"``. Empty for the ``number`` decoder.
    """

    quantity: Quantity
    path: str
    unit: str


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor and how its messages are read.

    Attributes:
        id: its name in the cellar, unique.
        vessel: the vessel the configuration puts it in; None with ``room`` True for a probe of the room.
        topic: the MQTT topic it publishes on (no wildcards); for ``number`` sensors one topic per field,
            in ``topics``.
        calibration: points (inclination in degrees, gravity 20/20), two upward, or empty.
        compensated: True if ``gravity`` is already 20/20.
        calibrated_at_c: temperature of the water against which the sensor's scale is read, °C.
        expansion_per_k: volumetric expansion of the float's body, 1/K (0: plain water ratio).
        gravity_sd: standard error of a single gravity, or None for the default of the watch.
        silent_after_s: seconds without a reading after which the sensor counts as silent.
    """

    id: str
    kind: SensorKind
    decoder: str
    vessel: str | None = None
    room: bool = False
    topic: str = ""
    topics: Mapping[str, Field] = field(default_factory=dict)
    fields: tuple[Field, ...] = ()
    calibration: tuple[tuple[float, float], ...] = ()
    compensated: bool = False
    calibrated_at_c: float = 20.0
    expansion_per_k: float = 0.0
    gravity_sd: float | None = None
    temperature_offset_c: float = 0.0
    battery_low_v: float | None = None
    silent_after_s: float = 3 * 3600.0
