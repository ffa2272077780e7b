"""Entries of the book as programs write them, and what comes of them."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field


class Refusal(BaseModel):
    """Why an entry was not written; ``can_be_overruled`` by ``despite``."""

    reason: str
    line: str
    can_be_overruled: bool


class Refused(BaseModel):
    """An entry that the book's rules refuse; nothing was written."""

    detail: str
    refusals: list[Refusal]


Typed = Annotated[str, Field(max_length=8_000)] | int | float
"""A number, or text with a unit as people type it (``68F``, ``6gal``, ``22Bx``)."""


class NewEntry(BaseModel):
    """An entry to be written, in the words of ``mustwatch record``; only the fields of its kind count.

    ``start``: vessel, profile, gravity, celsius, litres, must, yeast, yeast_low, yeast_high, target_gravity, floats,
    no_float.
    ``measure``: gravity (as read), celsius, ph, acidity (g/L as tartaric), malic (present, traces, gone), free_so2,
    total_so2 (mg/L), yan (mg/L of nitrogen), residual_sugar (g/L), method, error (in the unit of the one analysis).
    ``rack``: to, from, gravity, celsius, litres, headspace,
    lees, floats, no_float. ``add``: what, amount, why, purpose, litres, sugar. ``note``: text, step. ``taste``: text.
    ``bottle``: bottles, bottle_ml, in_part, from, closure, sugar_g_per_l, drink_from, drink_until. ``move``: sensor, to
    (or ``out``: true). ``reanchor``: sensor, offset (else from the last check). ``stage``: stage. ``malolactic``: state
    (wanted, begun, done, prevented). ``split``: to (a list of ``VESSEL=LITRES`` or ``VESSEL=LITRES=LOT``), from, lees,
    keep, floats, no_float, why. ``blend``: of (a list of ``LOT`` or ``LOT=LITRES``), to, why. ``top-up``: litres, from
    (a lot), vessel, from_vessel, why. ``lose``: litres, how, vessel, why. ``dump``: vessel, why.
    """

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    kind: Literal[
        "start",
        "measure",
        "rack",
        "add",
        "note",
        "taste",
        "bottle",
        "move",
        "reanchor",
        "stage",
        "malolactic",
        "split",
        "blend",
        "top-up",
        "lose",
        "dump",
    ]
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
    total_so2: Typed | None = None
    acidity: Typed | None = None
    malic: str | None = None
    yan: Typed | None = None
    residual_sugar: Typed | None = None
    method: str | None = None
    error: Typed | None = None
    to: str | list[str] | None = None
    of: list[str] | None = None
    from_vessel: str | None = None
    keep: bool | None = None
    how: str | None = None
    in_part: bool | None = None
    sensor: str | None = None
    out: bool | None = None
    offset: Typed | None = None
    stage: str | None = None
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
    state: str | None = None
    text: str | None = None
    step: str | None = None
    bottles: Typed | None = None
    bottle_ml: Typed | None = None
    closure: str | None = None
    sugar_g_per_l: Typed | None = None
    drink_from: str | None = None
    drink_until: str | None = None

    def typed(self) -> dict[str, Any]:
        """Return the fields that were given, by the commands' names."""
        given = self.model_dump(exclude_none=True, exclude={"kind", "at", "despite"})
        if "from_" in given:
            given["from"] = given.pop("from_")
        return given


class To(BaseModel):
    """The lot that an entry is moved to; ``despite``: why, although a rule refuses it there."""

    model_config = ConfigDict(extra="forbid")

    lot: Annotated[str, Field(min_length=1, max_length=64)]
    despite: Annotated[str, Field(max_length=8_000)] | None = None


class WrittenEntry(BaseModel):
    """An entry that was written, with what to be careful of."""

    id: str
    remarks: list[str]


class NewReminder(BaseModel):
    """Something to be reminded of: ``on`` a day as people type it, ``every`` span, or both."""

    model_config = ConfigDict(extra="forbid")

    text: Annotated[str, Field(min_length=1, max_length=4_000)]
    lot: Annotated[str, Field(max_length=64)] | None = Field(
        None, description="The whole cellar if left out."
    )
    on: Annotated[str, Field(max_length=64)] | None = Field(
        None, description="As 2027-03-01, sat, in 3 weeks."
    )
    every: Annotated[str, Field(max_length=64)] | None = Field(
        None, description="As 6 weeks, 2 months, year."
    )


class Attended(BaseModel):
    """What became of a thing that is due."""

    model_config = ConfigDict(extra="forbid")

    act: Literal["done", "put-off", "dropped"]
    until: Annotated[str, Field(max_length=64)] | None = Field(None, description="The day it is put off to.")


class DueThing(BaseModel):
    """A thing that is due, or will be; ``how``: the command that shows it done, where saying so is not enough."""

    id: str
    kind: Literal["step", "round", "reminder"]
    lot: str | None
    vessel: str | None
    item: str
    do: str
    why: str | None
    due: Literal["now", "overdue", "later", "waiting"]
    due_at: str | None
    earliest_at: str | None
    latest_at: str | None
    when: str
    waiting_for: str | None
    first: list[str]
    ready: list[str]
    every: str | None
    how: str | None


class DueDocument(BaseModel):
    """What is due over all lots, in the order of need."""

    cellar: str
    at: str
    until: str | None
    due: list[DueThing]


class CalendarAddress(BaseModel):
    """Where a calendar subscribes to what is due."""

    address: str


class Taken(BaseModel):
    """Bottles of a bottling that were opened, given away or lost."""

    model_config = ConfigDict(extra="forbid")

    fate: Literal["opened", "given away", "lost"]
    bottles: Annotated[int, Field(ge=1, le=100_000)] = 1
    text: Annotated[str, Field(max_length=4_000)] | None = Field(None, description="How it tasted, or why.")
    at: Annotated[str, Field(max_length=64)] | None = Field(None, description="When; now if left out.")


class BottleNote(BaseModel):
    """What was written of bottles that were taken."""

    entry: str
    at: str
    fate: Literal["opened", "given away", "lost"]
    bottles: int
    text: str | None


class Bottled(BaseModel):
    """A bottling, and what is left of it. ``total_so2_mg_per_l``: the least it can have, by what was added."""

    id: str
    lot: str
    year: int
    bottled_at: str
    bottles: int
    bottle_ml: float
    closure: str | None
    abv_percent: float | None
    total_so2_mg_per_l: float | None
    sugar_g_per_l: float | None
    opened: int
    given: int
    lost: int
    left: int
    drink_from: str | None
    drink_until: str | None
    when: str | None
    notes: list[BottleNote]


class Wine(BaseModel):
    """What is left of a wine; ``year``: in which it began."""

    lot: str
    year: int
    bottles: int
    left: int
    litres_left: float


class Stock(BaseModel):
    """The stock of bottles."""

    at: str
    wines: list[Wine]
    bottlings: list[Bottled]
