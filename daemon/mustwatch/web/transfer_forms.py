"""The forms for wine that goes from vessels to vessels, or away; and with them all forms about a lot."""

from collections.abc import Callable, Mapping

from mustwatch.web.cellarhand import Document
from mustwatch.web.forms import FORMS, Choice, Field, Form, is_in_a_vessel

OF_VOLUME = frozenset({"more-than-there", "unaccounted"})
OF_VESSEL = frozenset({"occupied", "unknown-vessel", "empty-vessel", "too-small"})


def _parts(first: str = "") -> Callable[[Document], list[Choice]]:
    """Offer the lot's vessels, each with its litres; ``first`` is shown for none of them in particular."""

    def offered(lot: Document) -> list[Choice]:
        parts = lot["choices"]["parts"]
        shown = [
            Choice(
                p["vessel"], p["vessel"] if p["litres"] is None else f"{p['vessel']} ({p['litres']:.4g} L)"
            )
            for p in parts
        ]
        return [Choice("", first), *shown] if first and len(parts) > 1 else shown

    return offered


def _others(lot: Document) -> list[Choice]:
    return [Choice(one, one) for one in lot["choices"]["lots"]]


def _floats(lot: Document) -> list[Choice]:
    return [Choice(one, one) for one in lot["choices"]["floats"]]


def _has_others(lot: Document) -> bool:
    return lot["vessel"] is not None and bool(lot["choices"]["lots"])


def _losses(lot: Document) -> list[Choice]:
    return [Choice(how, how.replace("-", " ")) for how in lot["choices"]["losses"]]


def _either(no: str, yes: str) -> Callable[[Document], list[Choice]]:
    return lambda _: [Choice("", no), Choice("on", yes)]


OUT_OF = "Out of"
WHY = Field("why", "Why")
SPLIT = Form(
    "split",
    "A split",
    "Write the split",
    "The split is written.",
    "Into several vessels, as one lot or with names of their own; or a part of it into another.",
    (
        Field("from", OUT_OF, "", "choice", _parts(), reasons=frozenset({"empty-vessel", *OF_VOLUME})),
        Field(
            "to",
            "Into",
            "a line each: vessel=litres, or vessel=litres=name for a lot of its own",
            "long",
            is_required=True,
            reasons=OF_VESSEL - {"empty-vessel"},
        ),
        Field("lees", "Lees left behind, litres", "it is a racking then", "decimal", is_half=True),
        Field(
            "keep",
            "What is not named",
            "",
            "choice",
            _either("is gone: the vessel is empty then", "stays where it is"),
            is_half=True,
        ),
        Field(
            "floats",
            "goes along",
            sort="ticks",
            choices=_floats,
        ),
        WHY,
    ),
    care="A full glass vessel is heavy and breaks: two people, or empty it where it stands.",
    is_offered=is_in_a_vessel,
)
BLEND = Form(
    "blend",
    "A blend",
    "Write the blend",
    "The blend is written.",
    "Another lot goes into this one.",
    (
        Field(
            "of",
            "What goes in",
            "a line each: a lot, or lot=litres",
            "long",
            is_required=True,
            reasons=frozenset({"unknown-lot", *OF_VOLUME}),
        ),
        Field("to", "Into which vessel", "else its own", reasons=OF_VESSEL),
        WHY,
    ),
    hint="Sugar of the one and living yeast of the other ferment again: what can is said, and bottling then waits.",
    is_offered=_has_others,
)
TOP_UP = Form(
    "top-up",
    "Topping up",
    "Write the topping-up",
    "The topping-up is written.",
    "With wine of another lot; of wine from elsewhere write an addition.",
    (
        Field("from", "From lot", "", "choice", _others, is_required=True),
        Field(
            "from_vessel",
            "Its vessel",
            "if it stands in several",
            is_half=True,
            reasons=frozenset({"empty-vessel"}),
        ),
        Field("litres", "Litres", "", "decimal", is_half=True, is_required=True, reasons=OF_VOLUME),
        Field("vessel", "Into", "", "choice", _parts(), reasons=OF_VESSEL - {"empty-vessel"}),
        WHY,
    ),
    is_offered=_has_others,
)
LOSE = Form(
    "lose",
    "A loss",
    "Write the loss",
    "The loss is written.",
    "Spilled, tasted, left as lees, evaporated.",
    (
        Field("vessel", OUT_OF, "", "choice", _parts(), reasons=frozenset({"empty-vessel"})),
        Field("litres", "Litres", "", "decimal", is_half=True, is_required=True, reasons=OF_VOLUME),
        Field("how", "How", "", "choice", _losses, is_half=True),
        WHY,
    ),
    is_offered=is_in_a_vessel,
)
DUMP = Form(
    "dump",
    "Poured away",
    "Write that it was poured away",
    "What was poured away is written.",
    "All that is left of it, or of one vessel.",
    (Field("vessel", OUT_OF, "", "choice", _parts("all of them")), WHY),
    care="Its watch ends with its last vessel.",
    is_offered=is_in_a_vessel,
)
ALL_FORMS: Mapping[str, Form] = {**FORMS, **{form.name: form for form in (SPLIT, BLEND, TOP_UP, LOSE, DUMP)}}
"""The forms about a lot, in the order in which *More* shows them."""
