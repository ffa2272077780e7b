"""The forms that write in a lot's book, each one description: its fields, its words, and which refusals are whose.

To add a form, add a ``Form`` to ``FORMS`` whose ``kind`` is one that ``recording.typed_entry.what_was_typed`` reads,
and fields that have the names it reads. Everything else follows from it: the page ``/lot/LOT/write/KIND`` (its fields
filled in from the address's query), its place under *More* on the lot's page, the draft, the time, and each refusal at
its field: what cannot be read stands at the field that ``TypedWrongError`` names, what a rule refuses at the field
that lists its reason (``cellar.refusal.Reason``) in ``reasons``, anything else above the form. What a field offers is
a function of the lot's document (``views.lot``), most of it of its ``choices``.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple
from urllib.parse import urlencode

from mustwatch.web.cellarhand import Document, Fault, Refused

Sort = Literal["text", "decimal", "numeric", "long", "choice", "ticks", "hidden"]
WHEN = "at"
"""The field that every form has: when it was done."""
REASON = "despite"
"""The field for a reason, asked for where one takes the entry all the same."""
WORDS_OF_A_REASON = 3
"""Whoever reads the book in a year wants a sentence, not a keystroke."""
OF_WHEN = frozenset({"in-the-future", "before-the-start", "after-bottling"})


class Choice(NamedTuple):
    """Something a field offers: what is sent, what is shown."""

    value: str
    words: str


def nothing(_: Document) -> list[Choice]:
    """Offer nothing."""
    return []


@dataclass(frozen=True, slots=True)
class Field:
    """A field of a form.

    Attributes:
        name: as ``recording.typed_entry`` reads it.
        label: what it is called; ``hint``: how it is typed, or what counts without it.
        sort: ``decimal`` and ``numeric`` bring a keypad; ``choice`` and ``ticks`` offer ``choices``; ``long`` has
            several lines; a ``hidden`` one carries the first of its choices.
        is_half: two such stand beside each other where there is room.
        is_required: the browser asks for it before anything is sent.
        reasons: of a rule's refusals, those that are said at this field.
    """

    name: str
    label: str
    hint: str = ""
    sort: Sort = "text"
    choices: Callable[[Document], list[Choice]] = nothing
    is_half: bool = False
    is_required: bool = False
    reasons: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Form:
    """A form for one kind of entry.

    Attributes:
        kind: of the entry; several forms of a kind differ in ``id``, which stands in the address.
        title, button: what is written, and the words on its button; ``written``: what is said when it was.
        about: what it is for, a line under *More*; ``hint`` and ``care``: said before it is sent.
        is_offered: whether it makes sense of a lot as it is now.
    """

    kind: str
    title: str
    button: str
    written: str
    about: str
    fields: tuple[Field, ...]
    hint: str = ""
    care: str = ""
    is_offered: Callable[[Document], bool] = lambda lot: lot["vessel"] is not None
    id: str = ""

    @property
    def name(self) -> str:
        """Return what it is called in an address."""
        return self.id or self.kind

    def prefilled(self, asked: Mapping[str, str]) -> dict[str, Any]:
        """Return the fields' values that an address gives."""
        return {field.name: asked[field.name] for field in self.fields if field.name in asked}

    def faults_at(self, faults: Iterable[Fault]) -> dict[str, list[str]]:
        """Return what is said at each field, in the words of a page; under ``""`` what is said of the whole."""
        said: dict[str, list[str]] = {}
        for fault in faults:
            field = fault.field if fault.field in self._names() else ""
            said.setdefault(field, []).append(self.in_words(fault.line, field))
        return said

    def refused_at(self, refused: Iterable[Refused]) -> dict[str, list[str]]:
        """Return what the book's rules refuse, at the field that answers for it, else of the whole."""
        return self.faults_at(Fault(self._answers_for(one), one.line) for one in refused)

    def in_words(self, line: str, field: str) -> str:
        """Return a line that was made for a command in the words of this form, without a field's own name before it."""
        plain = re.sub(rf"^{re.escape(field)}:? ", "", line) if field else line
        labels = {one.name: one.label for one in self.fields}
        plain = re.sub(
            r"--([a-z0-9-]+)", lambda found: labels.get(name := found[1].replace("-", "_"), name), plain
        )
        return f"{plain[:1].upper()}{plain[1:]}{'' if plain.endswith(('.', '?', '!')) else '.'}"

    def _names(self) -> set[str]:
        return {WHEN, REASON, *(field.name for field in self.fields if field.sort != "hidden")}

    def _answers_for(self, refused: Refused) -> str:
        if refused.reason in OF_WHEN:
            return WHEN
        for field in self.fields:
            begins = refused.line.startswith((f"{field.name} ", f"{field.name}:"))
            if refused.reason in field.reasons or (refused.reason == "bad-value" and begins):
                return field.name
        return ""


def _named(name: str) -> Callable[[Document], list[Choice]]:
    """Offer what the lot's document has among its choices under a name, as it is."""
    return lambda lot: [Choice(one, one) for one in lot["choices"][name]]


def _vessels(lot: Document) -> list[Choice]:
    return [
        Choice(v["vessel"], f"{v['vessel']} ({v['kind']}, {v['litres']:g} L)")
        for v in lot["choices"]["vessels"]
    ]


def _steps(lot: Document) -> list[Choice]:
    return [Choice("", "no step"), *(Choice(s["id"], s["do"]) for s in lot["choices"]["steps"])]


def _sensors(lot: Document) -> list[Choice]:
    return [
        Choice(
            s["sensor"],
            f"{s['sensor']} ({s['kind']}, {'in ' + s['vessel'] if s['vessel'] else 'in no vessel'})",
        )
        for s in lot["choices"]["sensors"]
    ]


def _where(lot: Document) -> list[Choice]:
    return [Choice(lot["vessel"], lot["vessel"])]


def is_in_a_vessel(lot: Document) -> bool:
    """Say whether there is wine of a lot to work on."""
    return lot["vessel"] is not None


def always(_: Document) -> bool:
    """Offer a form whatever became of the lot."""
    return True


GRAVITY_DOUBTS = frozenset({"gravity-rose", "gravity-fell", "float-says-otherwise"})
MEASURE = Form(
    "measure",
    "A hydrometer check",
    "Write the check",
    "The check is written.",
    "Gravity, temperature, pH, sulfite.",
    (
        Field("gravity", "Gravity as read", "1.012, 3Bx", "decimal", is_half=True, reasons=GRAVITY_DOUBTS),
        Field("celsius", "The sample's temperature", "19, 66F", "decimal", is_half=True),
        Field("ph", "pH", "", "decimal", is_half=True),
        Field("free_so2", "Free SO₂, mg/L", "", "decimal", is_half=True),
    ),
    hint="Degas the sample first: gas lifts the hydrometer. It is corrected to 20 °C here.",
    is_offered=always,
)
ANALYSIS = Form(
    "measure",
    "An analysis",
    "Write the analysis",
    "The analysis is written.",
    "Acids, sulfite, sugar, nitrogen.",
    (
        Field("ph", "pH", "", "decimal", is_half=True),
        Field("acidity", "Titratable acidity", "g/L as tartaric acid", "decimal", is_half=True),
        Field("free_so2", "Free SO₂, mg/L", "", "decimal", is_half=True),
        Field("total_so2", "Total SO₂, mg/L", "", "decimal", is_half=True),
        Field(
            "malic",
            "Malic acid",
            "",
            "choice",
            lambda _: [
                Choice("", "not tested"),
                *(Choice(one, one) for one in ("present", "traces", "gone")),
            ],
            is_half=True,
        ),
        Field("residual_sugar", "Sugar left, g/L", "", "decimal", is_half=True),
        Field("yan", "YAN, mg/L of nitrogen", "", "decimal", is_half=True),
        Field("error", "It may be off by", "of one value, in its unit", "decimal", is_half=True),
        Field("method", "How it was measured", "aspiration, strip, titration"),
    ),
    is_offered=always,
    id="analysis",
)
RACK = Form(
    "rack",
    "A racking",
    "Write the racking",
    "The racking is written.",
    "The wine goes into another vessel, off its lees.",
    (
        Field(
            "to",
            "Into",
            "the one that fits best is proposed",
            "choice",
            _vessels,
            is_required=True,
            reasons=frozenset({"occupied", "unknown-vessel", "same-vessel", "empty-vessel", "too-small"}),
        ),
        Field("from", "Out of", "if it stands in several; else all of it", is_half=True),
        Field("gravity", "Gravity as read", "else from the sensors", "decimal", is_half=True),
        Field("celsius", "Temperature", "else from the sensors", "decimal", is_half=True),
        Field("litres", "Litres that went over", "", "decimal", is_half=True),
        Field("lees", "Lees left behind, litres", "", "decimal", is_half=True),
        Field("headspace", "Air left above the wine, litres", "", "decimal", is_half=True),
        Field("floats", "goes along", sort="ticks", choices=_named("floats")),
    ),
    care="Close it with an airlock, never with a tight bung. A full glass vessel is heavy and breaks: two people, or "
    "empty it where it stands.",
    is_offered=is_in_a_vessel,
)
ADD = Form(
    "add",
    "An addition",
    "Write the addition",
    "The addition is written.",
    "Sugar, nutrient, sulfite, finings, water.",
    (
        Field(
            "what",
            "What",
            "sugar, yeast nutrient, sulfite",
            is_half=True,
            is_required=True,
            reasons=frozenset({"over-the-so2-limit", "malolactic-runs", "geranium-taint"}),
        ),
        Field(
            "amount",
            "How much",
            "500g, 2L, 2 tsp",
            is_half=True,
            reasons=frozenset({"far-too-much", "too-small"}),
        ),
        Field("litres", "The volume grew by", "litres, else 0", "decimal", is_half=True),
        Field("sugar", "Sugar it brings", "known of sugar and honey", is_half=True),
        Field(
            "purpose",
            "Purpose",
            "where the name does not tell",
            "choice",
            lambda lot: [Choice("", "its name tells"), *_named("purposes")(lot)],
        ),
        Field("why", "Why"),
    ),
    hint="Sulfite dust and gas hurt lungs and eyes: weigh it in moving air, and keep to the product's sheet and your "
    "country's limit.",
    is_offered=is_in_a_vessel,
)
NOTE = Form(
    "note",
    "A note",
    "Write the note",
    "The note is written.",
    "In your own words, or a step that is done.",
    (
        Field("text", "In your own words", sort="long", is_required=True),
        Field("step", "It ticks off a step", "if it does", "choice", _steps),
    ),
    is_offered=always,
)
BOTTLE = Form(
    "bottle",
    "Bottling",
    "Write the bottling",
    "The bottling is written.",
    "How many bottles of which size.",
    (
        Field(
            "bottles",
            "How many bottles",
            "",
            "numeric",
            is_half=True,
            is_required=True,
            reasons=frozenset({"too-many-bottles"}),
        ),
        Field("bottle_ml", "Millilitres each", "else 750", "decimal", is_half=True),
        Field("closure", "Closed with", "cork, crown cap", is_half=True),
        Field("sugar_g_per_l", "Sugar left, g/L", "by a test", "decimal", is_half=True),
        Field("drink_from", "To drink from", "2027-09-01", is_half=True),
        Field("drink_until", "until", "2032-12-31", is_half=True),
        Field("from", "Out of", "if it stands in several", reasons=frozenset({"empty-vessel"}), is_half=True),
        Field(
            "in_part",
            "The rest",
            "",
            "choice",
            lambda _: [Choice("", "there is none"), Choice("on", "stays, and is bottled another day")],
            is_half=True,
            reasons=frozenset({"unaccounted"}),
        ),
    ),
    care="Never bottle a wine that still ferments: bottles burst. This is refused while it has not finished, or no two "
    "hydrometer checks agree.",
    is_offered=always,
)
TASTE = Form(
    "taste",
    "A tasting",
    "Write the tasting",
    "The tasting is written.",
    "What it looks, smells and tastes like.",
    (Field("text", "Look, smell, taste", sort="long", is_required=True),),
    is_offered=always,
)
MOVE = Form(
    "move",
    "A float or probe put in",
    "Write its new place",
    "The sensor's place is written.",
    "It hears this lot from then on.",
    (
        Field("sensor", "Sensor", "", "choice", _sensors, is_required=True),
        Field("to", "Into", sort="hidden", choices=_where),
    ),
    is_offered=lambda lot: bool(lot["vessel"] and lot["choices"]["sensors"]),
)
TAKE_OUT = Form(
    "move",
    "A float or probe taken out",
    "Write that it is out",
    "The sensor's place is written.",
    "It hears no lot from then on.",
    (
        Field("sensor", "Sensor", "", "choice", _named("here"), is_required=True),
        Field("out", "", sort="hidden", choices=lambda _: [Choice("yes", "")]),
    ),
    is_offered=lambda lot: bool(lot["vessel"] and lot["choices"]["here"]),
    id="take-out",
)
REANCHOR = Form(
    "reanchor",
    "A float made to agree with the check",
    "Write its offset",
    "The float's offset is written.",
    "From the last hydrometer check on; earlier readings stay as they were.",
    (
        Field("sensor", "Float", "", "choice", _named("floats"), is_required=True),
        Field("offset", "Gravity to add", "else from the last check", "text"),
    ),
    hint="Gas lifts a hydrometer and foam a float: shake the sample, clean the float and check again before.",
    is_offered=lambda lot: bool(lot["vessel"] and lot["choices"]["floats"]),
)
STAGE = Form(
    "stage",
    "The stage it is in",
    "Write the stage",
    "The stage is written.",
    "Where entries and findings do not tell.",
    (Field("stage", "Stage", "", "choice", _named("stages"), is_required=True),),
    is_offered=is_in_a_vessel,
)
MALOLACTIC = Form(
    "malolactic",
    "The malolactic ferment",
    "Write where it stands",
    "The malolactic ferment is written.",
    "Wanted, begun, done or prevented.",
    (
        Field(
            "state",
            "It is",
            "",
            "choice",
            lambda _: [Choice(one, one) for one in ("wanted", "begun", "done", "prevented")],
            is_required=True,
            reasons=frozenset({"geranium-taint"}),
        ),
    ),
    hint="While it runs: no sulfite, and test the malic acid. Sorbate and its bacteria in one wine smell of geraniums.",
    is_offered=is_in_a_vessel,
)
START = Form(
    "start",
    "Begin a lot",
    "Begin",
    "The lot has begun.",
    "",
    (
        Field(
            "lot",
            "Its name",
            "Hillside red 26",
            is_required=True,
            reasons=frozenset({"name-used", "name-alike"}),
        ),
        Field(
            "vessel",
            "Vessel",
            "",
            "choice",
            _vessels,
            is_required=True,
            reasons=frozenset({"occupied", "unknown-vessel"}),
        ),
        Field(
            "profile",
            "Profile",
            "its limits and steps",
            "choice",
            _named("profiles"),
            reasons=frozenset({"unknown-profile"}),
        ),
        Field("gravity", "Gravity as read", "1.090, 22Bx", "decimal", is_half=True),
        Field("celsius", "The must's temperature", "20, 68F", "decimal", is_half=True),
        Field("litres", "Litres", "", "decimal", is_half=True, reasons=frozenset({"too-small"})),
        Field("yeast", "Yeast", "", is_half=True),
        Field("yeast_low", "The yeast's lowest temperature", "from its sheet", "decimal", is_half=True),
        Field("yeast_high", "The yeast's highest", "from its sheet", "decimal", is_half=True),
        Field("target_gravity", "Meant to end at", "if not dry", "decimal", is_half=True),
        Field("must", "What it is made of", "", is_half=True),
    ),
)
FORMS: Mapping[str, Form] = {
    form.name: form
    for form in (
        MEASURE,
        ANALYSIS,
        RACK,
        ADD,
        NOTE,
        BOTTLE,
        TASTE,
        MOVE,
        TAKE_OUT,
        REANCHOR,
        STAGE,
        MALOLACTIC,
    )
}
"""The forms about a lot, in the order in which *More* shows them."""
ON_THE_BAR = ((MEASURE, "Check"), (RACK, "Rack"), (ADD, "Add"), (NOTE, "Note"))
"""Those that stand at the foot of a lot's page, with the word on each."""


class Done(NamedTuple):
    """Where a step is written down as done, below ``/lot/LOT/write/``, and the word on the button."""

    address: str
    word: str


def form_for(step: Document) -> Done:
    """Return the form that fulfils a step of a profile, filled in; of several that would, that of the first."""
    kind, _, of = (step["done_by"] or NOTE.kind).partition(" or ")[0].partition(":")
    if kind == ADD.kind:
        return Done(f"{kind}?{urlencode({'what': of, 'purpose': of} if of else {})}", "Add")
    if kind == NOTE.kind:
        return Done(f"{kind}?{urlencode({'step': step['id'], 'text': step['do']})}", "Done")
    if kind == MEASURE.kind and of:
        return Done(ANALYSIS.name, "Measure")
    if kind in FORMS and kind != MEASURE.kind:
        return Done(kind, {RACK.kind: "Rack", BOTTLE.kind: "Bottle"}.get(kind, "Write"))
    return Done(MEASURE.kind, "Check")


def is_a_sentence(reason: str | None) -> bool:
    """Say whether a reason says something to whoever reads the book later."""
    return len((reason or "").split()) >= WORDS_OF_A_REASON
