"""The API's documents, described: the same words as the commands' ``--json``. Instants are ISO 8601 with offset."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Instant = Annotated[str, Field(json_schema_extra={"format": "date-time"})]
Severity = Literal["notice", "warning", "urgent"]
Stage = Literal["primary", "secondary", "clearing", "maturing", "bottled"]


class Problem(BaseModel):
    """What was wrong and what to do, in one line."""

    detail: str


class Refusal(BaseModel):
    """Why an entry was not written; ``can_be_overruled`` by ``despite``."""

    reason: str
    line: str
    can_be_overruled: bool


class Refused(BaseModel):
    """An entry that the book's rules refuse; nothing was written."""

    detail: str
    refusals: list[Refusal]


class Expected(BaseModel):
    """A forecast instant with its 90 % interval."""

    at: Instant
    earliest: Instant
    latest: Instant


class Band(BaseModel):
    """A temperature band, °C: outside it is a warning, outside the urgent limits urgent."""

    low: float
    high: float
    urgent_low: float | None = None
    urgent_high: float | None = None


class Step(BaseModel):
    """Something that comes next."""

    id: str
    do: str
    why: str
    due: Literal["now", "overdue", "later", "waiting"]
    due_at: Instant | None
    earliest_at: Instant | None
    latest_at: Instant | None
    waiting_for: str | None
    first: list[str]
    ready: list[str]
    source: str
    when: str


class Reminder(BaseModel):
    """Something to look after."""

    do: str
    why: str
    due_at: Instant | None
    step: str | None


class LotRow(BaseModel):
    """A lot at a glance: gravity is 20/20, ``rate_per_day`` its change per day, temperatures °C."""

    vessel: str | None
    lot: str | None
    stage: Stage | None
    profile: str | None
    started_at: Instant | None
    starting_gravity: float | None
    litres: float | None
    gravity: float | None
    gravity_sd: float | None
    rate_per_day: float | None
    rate_sd: float | None
    celsius: float | None
    abv_percent: float | None
    observed_at: Instant | None
    finish_at: Expected | None
    rack_at: Expected | None


class PastLot(LotRow):
    """A lot, also one that has ended."""

    ended_at: Instant | None


class VesselRow(LotRow):
    """A vessel and what is in it; ``lot`` is null if it is empty."""

    vessel: str
    next: list[Step]
    remember: list[Reminder]
    band: Band | None


class Alert(BaseModel):
    """Something that must be done or is going wrong. ``evidence``: numbers with their units in the key."""

    id: str
    kind: str
    severity: Severity
    state: Literal["open", "acknowledged", "cleared", "withdrawn"]
    lot: str | None
    vessel: str | None
    sensor: str | None
    opened_at: Instant
    cleared_at: Instant | None
    acknowledged_at: Instant | None
    told_at: Instant | None
    withdrawn: bool
    times_told: int
    summary: str
    title: str
    because: str
    why: str
    next: str
    care: str | None
    evidence: dict[str, float | int | str | None]


class Cellar(BaseModel):
    """``mustwatch cellar --json``."""

    cellar: str
    at: Instant
    vessels: list[VesselRow]
    cautions: list[str]
    alerts: list[Alert]


class EarlierNight(BaseModel):
    """A night before, in brief; °C."""

    night: str
    minimum: float | None
    maximum: float | None
    swing: float | None


class NightBand(BaseModel):
    """The band of the night's stage, °C."""

    low: float
    high: float


class NightRow(BaseModel):
    """One place's night; °C, minutes; ``coverage`` is the share of the night for which there is a temperature."""

    vessel: str | None
    sensor: str | None
    lot: str | None
    band: NightBand | None
    minimum: float | None
    minimum_at: Instant | None
    maximum: float | None
    maximum_at: Instant | None
    swing: float | None
    steepest_per_hour: float | None
    steepest_at: Instant | None
    minutes_above: float
    above_at: Instant | None
    minutes_below: float
    below_at: Instant | None
    coverage: float
    earlier: list[EarlierNight]
    usual_swing: float | None


class NightDocument(BaseModel):
    """``mustwatch night --json``, with the seven nights before."""

    model_config = ConfigDict(populate_by_name=True)

    night: str
    begins: Annotated[Instant, Field(alias="from")]
    ends: Annotated[Instant, Field(alias="until")]
    previous: str
    next: str | None
    vessels: list[NightRow]


class BookLine(BaseModel):
    """An entry of the book, or (kind ``told``) something the daemon told. The rest are the kind's own fields."""

    model_config = ConfigDict(extra="allow")

    at: Instant
    kind: str
    words: str
    standing: Literal["holds", "replaced", "undone"] | None = None


class Lot(LotRow):
    """Everything about one lot; ``timeline`` is its book, newest first."""

    at: Instant
    ended_at: Instant | None
    must: str | None
    yeast: str | None
    profile_title: str
    racking_gravity: float
    dry_gravity: float
    next: list[Step]
    remember: list[Reminder]
    band: Band | None
    alerts: list[Alert]
    timeline: list[BookLine]


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
    checks: Curve
    entries: list[Mark]
    stages: list[StageSpan]
    bands: list[BandSpan]
    racking_gravity: float
    dry_gravity: float
    forecast: Forecast | None


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
    calibrations: list[Calibration]
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


Typed = Annotated[str, Field(max_length=8_000)] | int | float
"""A number, or text with a unit as people type it (``68F``, ``6gal``, ``22Bx``)."""


class NewEntry(BaseModel):
    """An entry to be written, in the words of ``mustwatch record``; only the fields of its kind count.

    ``start``: vessel, profile, gravity, celsius, litres, must, yeast, yeast_low, yeast_high, target_gravity.
    ``measure``: gravity (as read), celsius, ph, free_so2. ``rack``: to, from, gravity, celsius, litres, headspace,
    lees, floats, no_float. ``add``: what, amount, why, purpose, litres, sugar. ``note``: text, step. ``taste``: text.
    ``bottle``: bottles, bottle_ml.
    """

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    kind: Literal["start", "measure", "rack", "add", "note", "taste", "bottle"]
    at: Annotated[str, Field(max_length=64)] | None = Field(
        None, description="When it was done; now if left out."
    )
    despite: Annotated[str, Field(max_length=8_000)] | None = Field(
        None, description="Why, although refused."
    )
    vessel: str | None = None
    profile: str | None = None
    gravity: Typed | None = None
    celsius: Typed | None = None
    calibrated_at: Typed | None = None
    litres: Typed | None = None
    must: str | None = None
    yeast: str | None = None
    yeast_low: Typed | None = None
    yeast_high: Typed | None = None
    target_gravity: Typed | None = None
    ph: Typed | None = None
    free_so2: Typed | None = None
    to: str | None = None
    from_: str | None = Field(None, alias="from")
    headspace: Typed | None = None
    lees: Typed | None = None
    floats: list[str] | None = None
    no_float: bool | None = None
    what: str | None = None
    amount: Typed | None = None
    why: str | None = None
    purpose: str | None = None
    sugar: Typed | None = None
    text: str | None = None
    step: str | None = None
    bottles: Typed | None = None
    bottle_ml: Typed | None = None

    def typed(self) -> dict[str, Any]:
        """Return the fields that were given, by the commands' names."""
        given = self.model_dump(exclude_none=True, exclude={"kind", "at", "despite"})
        if "from_" in given:
            given["from"] = given.pop("from_")
        return given


class WrittenEntry(BaseModel):
    """An entry that was written, with what to be careful of."""

    id: str
    remarks: list[str]
