"""The API's documents, described: the same words as the commands' ``--json``. Instants are ISO 8601 with offset."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Instant = Annotated[str, Field(json_schema_extra={"format": "date-time"})]
Severity = Literal["notice", "warning", "urgent"]
Stage = Literal["primary", "secondary", "clearing", "maturing", "bottled"]


class Problem(BaseModel):
    """What was wrong and what to do, in one line."""

    detail: str


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
    done_by: str | None
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
    """A lot, also one that has ended; ``ended_as``: how its wine went (``bottled``, ``poured away`` ...)."""

    vessels: list[str]
    ended_at: Instant | None
    ended_as: str | None


class VesselRow(LotRow):
    """A vessel and what is in it; ``lot`` is null if it is empty.

    ``unwatched``: why the lot's readings do not come any more, its vessel or sensor being configured no longer.
    ``evaluated_until``: the lot is being evaluated again, so far up to then; null: it is up to date.
    """

    vessel: str
    evaluated_until: Instant | None
    unwatched: str | None
    next: list[Step]
    remember: list[Reminder]
    band: Band | None


class Course(BaseModel):
    """How a lot goes on at a temperature, °C; ``ends_in_time`` is null unless a day was asked about."""

    celsius: float
    rack_at: Expected | None
    finish_at: Expected | None
    ends_in_time: Literal["surely", "likely", "perhaps", "hardly"] | None


class WhatIf(BaseModel):
    """``mustwatch whatif --json``: as the lot is kept, as asked, and at each degree of its band."""

    lot: str
    at: Instant
    observed_at: Instant
    gravity: float | None
    racking_gravity: float
    by: Instant | None
    coldest: float
    warmest: float
    as_it_is: Course
    asked: Course | None
    courses: list[Course]
    caution: str


class Present(BaseModel):
    """An alert in sentences of now: what and for how long, the figures and where they go, what to do."""

    what: str
    figures: str
    act: str


class Alert(BaseModel):
    """Something that must be done or is going wrong. ``evidence``: numbers with their units in the key, when it was
    raised; ``now``: those of now; ``numbers``: the same as people read them, by their names in words.
    """

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
    put_off_until: Instant | None
    told_at: Instant | None
    withdrawn: bool
    ended_with_lot: str | None
    times_told: int
    summary: str
    title: str
    because: str
    why: str
    next: str
    care: str | None
    present: Present | None
    evidence: dict[str, float | int | str | None]
    now: dict[str, float | int | str | None]
    numbers: dict[str, str]
    now_at: Instant


class Cellar(BaseModel):
    """``mustwatch cellar --json``."""

    cellar: str
    at: Instant
    vessels: list[VesselRow]
    cautions: list[str]
    remarks: list[str]
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


class MeasuredValue(BaseModel):
    """A number in the quantity's unit, or a word of a test; how far it may be off, and by which method."""

    at: Instant
    value: float | Literal["present", "traces", "gone"]
    error: float | None
    method: str | None
    words: str


class MeasuredQuantity(BaseModel):
    """What a lot was measured for besides gravity and temperature, oldest first."""

    quantity: Literal["ph", "acidity", "malic", "free-so2", "total-so2", "yan", "residual-sugar"]
    words: str
    unit: str | None
    values: list[MeasuredValue]


class SulfiteLine(BaseModel):
    """What an entry made of the SO2, mg/L; ``free_mg_per_l``: lowest and highest."""

    at: Instant
    words: str
    added_mg_per_l: float
    total_mg_per_l: float
    free_mg_per_l: list[float]


class SulfiteDose(BaseModel):
    """Potassium metabisulfite, grams, that brings this molecular SO2, or why that is not told."""

    molecular_mg_per_l: float
    metabisulfite_g: float | None
    why_not: str | None


class Sulfite(BaseModel):
    """A lot's SO2, mg/L, by its book: ranges are lowest and highest, the molecular part at ``ph`` and ``celsius``."""

    total_mg_per_l: float
    limit_mg_per_l: float
    free_mg_per_l: list[float]
    free_measured_at: Instant | None
    molecular_mg_per_l: list[float] | None
    ph: float | None
    celsius: float
    ledger: list[SulfiteLine]
    doses: list[SulfiteDose]
    cautions: list[str]


class MalolacticCourse(BaseModel):
    """Where the malolactic ferment stands, and the newest test of malic acid."""

    state: Literal["wanted", "begun", "done", "prevented"]
    since: Instant
    malic: Literal["present", "traces", "gone"] | None
    tested_at: Instant | None


class BookLine(BaseModel):
    """An entry of the book, or (kind ``told``) something the daemon told. The rest are the kind's own fields."""

    model_config = ConfigDict(extra="allow")

    at: Instant
    kind: str
    words: str
    standing: Literal["holds", "replaced", "undone", "of its parent"] | None = None


class Part(BaseModel):
    """What stands in one of a lot's vessels; litres null where nobody wrote how much."""

    vessel: str
    litres: float | None


class Lot(LotRow):
    """Everything about one lot; ``timeline`` is its book, newest first."""

    at: Instant
    ended_at: Instant | None
    ended_as: str | None
    must: str | None
    yeast: str | None
    profile_title: str
    racking_gravity: float
    dry_gravity: float
    next: list[Step]
    remember: list[Reminder]
    band: Band | None
    alerts: list[Alert]
    measured: list[MeasuredQuantity]
    so2: Sulfite | None
    malolactic: MalolacticCourse | None
    parts: list[Part]
    timeline: list[BookLine]
