"""``mustwatch record split|blend|top-up|lose|dump``: wine that goes from vessels to vessels, or away."""

from typing import Annotated

import typer

from mustwatch.cellar.book import TransferName
from mustwatch.cellar.transfer_rules import LOSSES
from mustwatch.cli.hand import AsJson, At, Despite, Lot, hand

Why = Annotated[str | None, typer.Option("--why", help="Why, in words.")]


def add_to(app: typer.Typer) -> None:
    """Enrol these commands in ``mustwatch record``."""
    for command in (split, blend, top_up, lose, dump):
        app.command(command.__name__.replace("_", "-"))(command)


def split(
    lot: Lot,
    to: Annotated[
        list[str],
        typer.Option(
            "--to",
            metavar="VESSEL=LITRES[=LOT]",
            help="A vessel it goes to, with its litres (else the rest); LOT: it is a lot of its own from now on.",
        ),
    ],
    from_vessel: Annotated[
        str | None, typer.Option("--from", metavar="VESSEL", help="The vessel it comes from, if in several.")
    ] = None,
    lees: Annotated[
        str | None, typer.Option("--lees", metavar="L", help="Lees left behind: it counts as a racking then.")
    ] = None,
    keep: Annotated[bool, typer.Option("--keep", help="What is not named stays where it is.")] = False,
    floats: Annotated[
        list[str] | None,
        typer.Option(
            "--float",
            metavar="SENSOR[=VESSEL]",
            help="A float that goes along (else all, with the first part, once the vessel is empty).",
        ),
    ] = None,
    no_float: Annotated[bool, typer.Option("--no-float", help="No float goes along.")] = False,
    why: Why = None,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Split a lot into several vessels, as one lot or as lots with names of their own."""
    typed = {
        "to": to,
        "from": from_vessel,
        "lees": lees,
        "keep": keep,
        "floats": floats,
        "no_float": no_float,
    }
    _take(TransferName.SPLIT, lot, at, despite, as_json, why=why, **typed)


def blend(
    lot: Annotated[
        str, typer.Argument(metavar="LOT", help="What it is called then: a new lot, or one of them.")
    ],
    of: Annotated[
        list[str],
        typer.Option(
            "--of", metavar="LOT[=LITRES]", help="A lot that goes in: all of it unless LITRES are said."
        ),
    ],
    to: Annotated[
        str | None, typer.Option("--to", metavar="VESSEL", help="The vessel (else the one LOT is in).")
    ] = None,
    why: Why = None,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Blend lots: into a new one, or others into one that there is."""
    _take(TransferName.BLEND, lot, at, despite, as_json, of=of, to=to, why=why)


def top_up(
    lot: Lot,
    litres: Annotated[str, typer.Argument(metavar="LITRES", help="How much: 1.5, 500mL.")],
    giver: Annotated[
        str,
        typer.Option(
            "--from", metavar="LOT", help="The lot it comes from; may be the same one's other vessel."
        ),
    ],
    vessel: Annotated[
        str | None,
        typer.Option("--vessel", metavar="VESSEL", help="The vessel topped up, if LOT is in several."),
    ] = None,
    from_vessel: Annotated[
        str | None,
        typer.Option("--from-vessel", metavar="VESSEL", help="The vessel it comes from, if in several."),
    ] = None,
    why: Why = None,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Top up a vessel of a lot with wine of another lot, or of another vessel (wine from elsewhere: add)."""
    typed = {"litres": litres, "from": giver, "vessel": vessel, "from_vessel": from_vessel}
    _take(TransferName.TOP_UP, lot, at, despite, as_json, why=why, **typed)


def lose(
    lot: Lot,
    litres: Annotated[str, typer.Argument(metavar="LITRES", help="How much: 1.5, 500mL.")],
    how: Annotated[
        str,
        typer.Option(
            "--how", metavar="HOW", help=f"One of {', '.join(f.replace(' ', '-') for f in LOSSES)}."
        ),
    ] = "spilled",
    vessel: Annotated[
        str | None, typer.Option("--vessel", metavar="VESSEL", help="From which vessel, if in several.")
    ] = None,
    why: Why = None,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Write down wine that was lost: spilled, left as lees, tasted, evaporated, poured away."""
    _take(TransferName.LOSE, lot, at, despite, as_json, litres=litres, how=how, vessel=vessel, why=why)


def dump(
    lot: Lot,
    vessel: Annotated[
        str | None, typer.Option("--vessel", metavar="VESSEL", help="One of its vessels (else all).")
    ] = None,
    why: Why = None,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Pour a lot away, or what is in one of its vessels; without wine left, its watch ends."""
    _take(TransferName.DUMP, lot, at, despite, as_json, vessel=vessel, why=why)


def _take(name: TransferName, lot: str, at: str, despite: str | None, as_json: bool, **typed: object) -> None:
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        who.take(lot, at_ms, who.what(name, lot, at_ms, **typed), despite)
