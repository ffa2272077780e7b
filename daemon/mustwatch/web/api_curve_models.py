"""A lot's curves as the API describes them. Gravity is 20/20, temperatures are °C."""

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from mustwatch.web.api_models import Instant, Stage


class Curve(BaseModel):
    """Values beside their instants; a null in both is a hole: nothing was heard for long."""

    at: list[Instant | None]
    values: list[float | None]


class EstimateCurve(BaseModel):
    """The smoothed gravity 20/20 with its standard error."""

    at: list[Instant]
    gravity: list[float | None]
    gravity_sd: list[float | None]


class SensorCurves(BaseModel):
    """What one sensor said of the lot: gravity corrected to 20/20, °C."""

    sensor: str
    kind: Literal["float", "probe"]
    gravity: Curve
    celsius: Curve


class Mark(BaseModel):
    """An entry of the book at its instant."""

    at: Instant
    kind: str
    words: str


class StageSpan(BaseModel):
    """A stage the lot went through."""

    stage: Stage
    begins: Annotated[Instant, Field(alias="from")]
    ends: Annotated[Instant, Field(alias="until")]


class BandSpan(BaseModel):
    """A temperature band while it held, °C."""

    low: float
    high: float
    begins: Annotated[Instant, Field(alias="from")]
    ends: Annotated[Instant, Field(alias="until")]


class RoomCurve(BaseModel):
    """What a sensor of the room said, °C."""

    sensor: str
    celsius: Curve


class ToldMark(BaseModel):
    """An alert of the lot: since when, and until when; null while it holds."""

    at: Instant
    until: Instant | None
    severity: Literal["notice", "warning", "urgent"]
    words: str


class NightSpan(BaseModel):
    """A night; none are given for a window of more than two months."""

    begins: Annotated[Instant, Field(alias="from")]
    ends: Annotated[Instant, Field(alias="until")]


class Forecast(BaseModel):
    """When each gravity still to come is expected, at the earliest and at the latest."""

    gravity: list[float]
    expected: list[Instant]
    earliest: list[Instant]
    latest: list[Instant]


class Curves(BaseModel):
    """A lot's curves in a window, each thinned to at most ``points`` points that keep every extreme."""

    lot: str
    begins: Annotated[Instant, Field(alias="from")]
    ends: Annotated[Instant, Field(alias="until")]
    estimate: EstimateCurve
    celsius: Curve
    sensors: list[SensorCurves]
    now: Instant
    room: list[RoomCurve]
    checks: Curve
    entries: list[Mark]
    alerts: list[ToldMark]
    nights: list[NightSpan]
    stages: list[StageSpan]
    bands: list[BandSpan]
    racking_gravity: float
    dry_gravity: float
    forecast: Forecast | None


class ByDay(BaseModel):
    """A curve by days since pitching."""

    day: list[float]
    value: list[float]


class OneOver(BaseModel):
    """One of the lots laid over each other: gravity 20/20, temperature in °C."""

    lot: str
    started_at: Instant
    ended_at: Instant | None
    gravity: ByDay
    celsius: ByDay


class DoneOnDay(BaseModel):
    """What was done on a day since pitching, lot by lot in their order."""

    day: int
    lots: list[list[str]]


class LaidOver(BaseModel):
    """Two to four lots by the day since pitching; ``days``: how long the longest is shown."""

    days: float
    lots: list[OneOver]
    done: list[DoneOnDay]
