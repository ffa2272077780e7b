"""The cellar book: what people did and measured, as entries that are appended and never changed.

A correction is a new entry that ``replaces`` an earlier one; an undone entry keeps its row with ``undone_ms``.
The state of the cellar at any instant is a fold over the entries in force (see ``cellar.history``).
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from mustwatch.cellar.profile import Stage


class EntryKind(StrEnum):
    """The kinds of entry; the value is what the store and JSON call it."""

    START = "start"
    MEASURE = "measure"
    RACK = "rack"
    ADD = "add"
    NOTE = "note"
    TASTE = "taste"
    BOTTLE = "bottle"
    MOVE = "move"
    REANCHOR = "reanchor"
    STAGE = "stage"
    TRANSFER = "transfer"
    MALOLACTIC = "malolactic"
    REMIND = "remind"
    ATTEND = "attend"
    STOCK = "stock"


class TransferName(StrEnum):
    """What a transfer is called in the trade."""

    RACK = "rack"
    """Into several vessels, or several into one; into one other it is a ``Racking``."""
    SPLIT = "split"
    BLEND = "blend"
    TOP_UP = "top-up"
    LOSE = "lose"
    DUMP = "dump"


class Fate(StrEnum):
    """Where wine went."""

    VESSEL = "vessel"
    LEES = "lees"
    SPILLED = "spilled"
    TASTED = "tasted"
    """Tasted, or drawn as a sample."""
    EVAPORATED = "evaporated"
    """Through the staves of a barrel."""
    POURED_AWAY = "poured away"
    UNEXPLAINED = "unexplained"
    """Nobody knows, and the person who wrote it said so."""


@dataclass(frozen=True, slots=True)
class Pour:
    """Wine of one lot out of one vessel, and where it went.

    Attributes:
        lot: whose wine; ``vessel``: out of which.
        litres: how much; None: all that was left there, which empties the vessel.
        to_vessel: where it went, None if into none (see ``fate``).
        to_lot: the lot it became part of, None: its own.
        gravity: 20/20, by the lot's float or its newest check.
        finished: whether its ferment was known to have ended.
        floats: the sensors that went along.
    """

    lot: str
    vessel: str
    litres: float | None = None
    to_vessel: str | None = None
    to_lot: str | None = None
    fate: Fate = Fate.VESSEL
    gravity: float | None = None
    finished: bool = False
    floats: tuple[str, ...] = ()

    @property
    def becomes(self) -> str | None:
        """Return the lot that has it then, or None if none has."""
        return (self.to_lot or self.lot) if self.to_vessel is not None else None


@dataclass(frozen=True, slots=True)
class Start:
    """A lot begins in a vessel. Gravity 20/20, °C, litres; the yeast's own band if the user gave it.

    ``floats`` names the sensors that were put in, floats and probes; those that are there already need no naming.
    ``gravity_as_read``: what the hydrometer, made for ``calibrated_at_c``, showed at ``temperature_c``.
    """

    vessel: str
    profile: str = "default"
    gravity: float | None = None
    temperature_c: float | None = None
    litres: float | None = None
    must: str | None = None
    yeast: str | None = None
    yeast_low_c: float | None = None
    yeast_high_c: float | None = None
    target_gravity: float | None = None
    gravity_as_read: float | None = None
    calibrated_at_c: float = 20.0
    floats: tuple[str, ...] = ()
    kind: Literal[EntryKind.START] = EntryKind.START


class Malic(StrEnum):
    """What a test of malic acid shows (paper chromatography, a strip)."""

    PRESENT = "present"
    TRACES = "traces"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class Measurement:
    """A hydrometer check: gravity already corrected to 20/20, as read also kept; °C of the sample. Or an analysis.

    What is analysed is described in ``cellar.analysis``: by which ``method``, and how far the one value may be off
    (``error``, in its unit). Titratable acidity is as tartaric acid; ``yan``: yeast assimilable nitrogen.
    """

    gravity: float | None = None
    temperature_c: float | None = None
    gravity_as_read: float | None = None
    calibrated_at_c: float = 20.0
    ph: float | None = None
    free_so2_mg_per_l: float | None = None
    total_so2_mg_per_l: float | None = None
    titratable_acidity_g_per_l: float | None = None
    malic: Malic | None = None
    yan_mg_per_l: float | None = None
    residual_sugar_g_per_l: float | None = None
    method: str | None = None
    error: float | None = None
    kind: Literal[EntryKind.MEASURE] = EntryKind.MEASURE


@dataclass(frozen=True, slots=True)
class Racking:
    """The lot goes from one vessel to another. ``floats`` names the floats that went along.

    ``from_sensors``: gravity and temperature are the daemon's own estimate, not a hydrometer's word; the watch
    must not hear its own voice as a second witness.
    """

    to_vessel: str
    from_vessel: str | None = None
    gravity: float | None = None
    temperature_c: float | None = None
    litres: float | None = None
    headspace_litres: float | None = None
    lees_litres: float | None = None
    floats: tuple[str, ...] = ()
    from_sensors: bool = False
    gravity_as_read: float | None = None
    calibrated_at_c: float = 20.0
    kind: Literal[EntryKind.RACK] = EntryKind.RACK


@dataclass(frozen=True, slots=True)
class Addition:
    """Something was added: what, how much in which unit, why. ``sugar_g`` where it adds sugar.

    ``purpose`` is a ``cellar.additions.Purpose`` where the winemaker said it; else it is told from the words.
    """

    what: str
    amount: float | None = None
    unit: str | None = None
    why: str | None = None
    litres: float | None = None
    sugar_g: float | None = None
    purpose: str | None = None
    kind: Literal[EntryKind.ADD] = EntryKind.ADD


@dataclass(frozen=True, slots=True)
class Note:
    """Free words; ``step`` names the profile's step it fulfils, if any."""

    text: str
    step: str | None = None
    kind: Literal[EntryKind.NOTE] = EntryKind.NOTE


@dataclass(frozen=True, slots=True)
class Tasting:
    """What the wine looked, smelled and tasted like."""

    text: str
    kind: Literal[EntryKind.TASTE] = EntryKind.TASTE


@dataclass(frozen=True, slots=True)
class Bottling:
    """The lot was bottled: how many bottles of which size in millilitres.

    ``in_part``: the rest stays, and the lot goes on; ``from_vessel``: out of which of several.
    ``closure`` in words; ``sugar_g_per_l``: left in it, by a test; ``drink_from``, ``drink_until``: dates, by the
    maker's own word.
    """

    bottles: int
    bottle_ml: float = 750.0
    in_part: bool = False
    from_vessel: str | None = None
    closure: str | None = None
    sugar_g_per_l: float | None = None
    drink_from: str | None = None
    drink_until: str | None = None
    kind: Literal[EntryKind.BOTTLE] = EntryKind.BOTTLE


@dataclass(frozen=True, slots=True)
class Move:
    """A sensor was put into another vessel (None: taken out)."""

    sensor: str
    to_vessel: str | None
    kind: Literal[EntryKind.MOVE] = EntryKind.MOVE


@dataclass(frozen=True, slots=True)
class Reanchor:
    """From here on ``offset`` is added to a float's gravity, after a hydrometer check."""

    sensor: str
    offset: float
    kind: Literal[EntryKind.REANCHOR] = EntryKind.REANCHOR


@dataclass(frozen=True, slots=True)
class StageChange:
    """The winemaker says which stage the lot is in."""

    stage: Stage
    kind: Literal[EntryKind.STAGE] = EntryKind.STAGE


class MalolacticState(StrEnum):
    """Where the malolactic ferment stands, as the winemaker says it; a test of malic acid is a ``Measurement``."""

    WANTED = "wanted"
    BEGUN = "begun"
    DONE = "done"
    PREVENTED = "prevented"


@dataclass(frozen=True, slots=True)
class Malolactic:
    """The malolactic ferment is wanted, has begun, is done, or is prevented."""

    state: MalolacticState
    kind: Literal[EntryKind.MALOLACTIC] = EntryKind.MALOLACTIC


@dataclass(frozen=True, slots=True)
class Transfer:
    """Wine went from vessels to vessels, or away: a split, a blend, a topping-up, a loss. ``why`` in words."""

    name: TransferName
    pours: tuple[Pour, ...]
    why: str | None = None
    kind: Literal[EntryKind.TRANSFER] = EntryKind.TRANSFER


@dataclass(frozen=True, slots=True)
class Told:
    """What a transfer was for one lot: never stored, but read from a ``Transfer`` by ``cellar.parts``.

    ``litres``: what the lot has after it, None where nobody knows.
    """

    name: TransferName
    pours: tuple[Pour, ...]
    litres: float | None = None
    kind: Literal[EntryKind.TRANSFER] = EntryKind.TRANSFER


WHOLE_CELLAR = "#"
"""Stands where a lot's name stands, in an entry about no lot; no lot can be called so."""


@dataclass(frozen=True, slots=True)
class OwnReminder:
    """Somebody wants to be reminded: of what, on which day, and after which span again.

    ``on`` is a date or a date with a time by the cellar's clock, ISO 8601 without an offset: it holds whatever the
    clocks are set to by then. ``every`` is an ISO 8601 duration of days, weeks, months or years, as ``P6W``.
    """

    text: str
    on: str
    every: str | None = None
    kind: Literal[EntryKind.REMIND] = EntryKind.REMIND


class Act(StrEnum):
    """What became of a thing that was due."""

    DONE = "done"
    PUT_OFF = "put-off"
    DROPPED = "dropped"


@dataclass(frozen=True, slots=True)
class Attended:
    """A thing that is due was done, put off until an instant, or dropped.

    ``item`` names it: the step of the profile, ``cellar.due.DIP``, or the id of the reminder's entry.
    """

    item: str
    act: Act
    until_ms: int | None = None
    kind: Literal[EntryKind.ATTEND] = EntryKind.ATTEND


class BottleFate(StrEnum):
    """What became of bottles."""

    OPENED = "opened"
    GIVEN = "given away"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class BottlesTaken:
    """Bottles of a bottling (its entry's id) were opened, given away or lost; ``text``: how it tasted, or why."""

    bottling: str
    bottles: int
    fate: BottleFate
    text: str | None = None
    kind: Literal[EntryKind.STOCK] = EntryKind.STOCK


What = (
    Transfer
    | Told
    | Start
    | Measurement
    | Racking
    | Addition
    | Note
    | Tasting
    | Bottling
    | Move
    | Reanchor
    | StageChange
    | Malolactic
    | OwnReminder
    | Attended
    | BottlesTaken
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the book.

    Attributes:
        id: stable identity, so that a record can travel to another machine.
        at_ms: when it was done; ``recorded_ms``: when it was written down.
        despite: the reason given when a gate had refused it.
        replaces: id of the entry this one corrects.
        undone_ms: when it was undone, else None.
    """

    id: str
    lot: str
    at_ms: int
    recorded_ms: int
    what: What
    despite: str | None = None
    replaces: str | None = None
    undone_ms: int | None = None

    @property
    def kind(self) -> EntryKind:
        """Return the kind of what was done."""
        return self.what.kind
