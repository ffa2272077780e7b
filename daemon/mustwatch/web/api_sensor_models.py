"""Sensors, the quarantine and messages not delivered, as the API describes them."""

from typing import Literal

from pydantic import BaseModel, Field

from mustwatch.web.api_models import Instant, Severity


class Said(BaseModel):
    """What a sensor said last, as it said it."""

    observed_at: Instant
    received_at: Instant
    gravity: float | None
    inclination: float | None
    celsius: float | None
    battery_v: float | None
    signal_dbm: float | None


class CalibrationPoint(BaseModel):
    """A calibration's point, and how far it lies off the curve."""

    inclination: float
    gravity: float
    residual: float


class Calibration(BaseModel):
    """A float's calibration from an instant on (null: from the beginning)."""

    from_at: Instant | None
    fault: str | None
    order: int | None = None
    point_sd: float | None = None
    explained: bool | None = None
    points: list[CalibrationPoint]


class SetAside(Said):
    """A reading that somebody set aside: when, and why."""

    set_aside_at: Instant
    why: str


class ReadingMoved(BaseModel):
    """A reading that was set aside, or put back."""

    sensor: str
    observed_at: Instant


class Why(BaseModel):
    """Why a reading is set aside."""

    why: str = Field("", max_length=500)


class Sensor(BaseModel):
    """A sensor: where it is, when it was last heard, its battery, its calibrations (newest first)."""

    sensor: str
    kind: Literal["float", "probe"]
    vessel: str | None
    lot: str | None
    room: bool
    topic: str
    heard_at: Instant | None
    silent: bool
    silent_after_s: float
    said: Said | None
    battery_v: float | None
    battery_low_v: float | None
    battery_low: bool
    beyond_calibration: bool
    """Its last inclination lies outside the points it was calibrated with: the gravity is an extrapolation."""
    calibrations: list[Calibration]
    set_aside: list[SetAside]
    offset: float


class Unreadable(BaseModel):
    """A payload that could not be read, and why."""

    received_at: Instant
    topic: str
    reason: str
    detail: str
    payload: str


class Quarantine(BaseModel):
    """What could not be read: how many by reason, and the newest."""

    counts: dict[str, int]
    newest: list[Unreadable]


class Undelivered(BaseModel):
    """A message that waits to be told, or was given up."""

    id: str
    target: str
    title: str
    severity: Severity
    created_at: Instant
    attempts: int
    next_try_at: Instant | None
    error: str | None
    given_up: bool
