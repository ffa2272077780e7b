"""``mustwatch record``: write in the cellar book what was done and measured, with wet hands."""

from typing import Annotated

import typer

from mustwatch.cellar.additions import Purpose
from mustwatch.cellar.book import EntryKind, Malic, Note, Tasting
from mustwatch.cli import record_changes, record_readings, record_transfers
from mustwatch.cli.hand import (
    AsJson,
    At,
    CalibratedAt,
    Celsius,
    Despite,
    Gravity,
    Litres,
    Lot,
    hand,
)
from mustwatch.cli.output import ExitCode, fail, say

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Write in the cellar book what was done and measured; --at for what was done earlier.",
)
record_changes.add_to(app)
record_readings.add_to(app)
record_transfers.add_to(app)


@app.command()
def start(
    lot: Lot,
    vessel: Annotated[str, typer.Option("--vessel", metavar="VESSEL", help="The vessel it begins in.")],
    profile: Annotated[
        str,
        typer.Option(
            "--profile", metavar="PROFILE", help="Its limits and steps: kit, red, white, country ..."
        ),
    ] = "default",
    gravity: Gravity = None,
    celsius: Celsius = None,
    litres: Litres = None,
    must: Annotated[str | None, typer.Option("--must", help="What it is made of, in words.")] = None,
    yeast: Annotated[str | None, typer.Option("--yeast", help="The yeast, in words.")] = None,
    yeast_low: Annotated[
        str | None,
        typer.Option("--yeast-low", metavar="T", help="The yeast's lowest temperature, from its sheet."),
    ] = None,
    yeast_high: Annotated[
        str | None, typer.Option("--yeast-high", metavar="T", help="Its highest temperature.")
    ] = None,
    target_gravity: Annotated[
        str | None,
        typer.Option("--target-gravity", metavar="G", help="Where it is meant to end, if not dry."),
    ] = None,
    floats: Annotated[
        list[str] | None,
        typer.Option(
            "--float",
            metavar="SENSOR",
            help="A float or probe put in (else those configured for the vessel that are with no other lot).",
        ),
    ] = None,
    no_float: Annotated[bool, typer.Option("--no-float", help="None is put in.")] = False,
    calibrated_at: CalibratedAt = "20",
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Begin a lot in a vessel."""
    if no_float and floats:
        fail("--float and --no-float exclude each other", ExitCode.WRONG_INPUT)
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        what = who.what(
            EntryKind.START,
            lot,
            at_ms,
            vessel=vessel,
            profile=profile,
            gravity=gravity,
            celsius=celsius,
            calibrated_at=calibrated_at,
            litres=litres,
            must=must,
            yeast=yeast,
            yeast_low=yeast_low,
            yeast_high=yeast_high,
            target_gravity=target_gravity,
            floats=floats,
            no_float=no_float,
        )
        who.take(lot, at_ms, what, despite)


@app.command()
def measure(
    lot: Lot,
    gravity: Gravity = None,
    celsius: Celsius = None,
    ph: Annotated[str | None, typer.Option("--ph", metavar="P", help="The pH, e.g. 3.4.")] = None,
    free_so2: Annotated[
        str | None, typer.Option("--free-so2", metavar="MG_PER_L", help="Free SO2 in mg/L, e.g. 30.")
    ] = None,
    total_so2: Annotated[
        str | None, typer.Option("--total-so2", metavar="MG_PER_L", help="Total SO2 in mg/L, e.g. 90.")
    ] = None,
    acidity: Annotated[
        str | None,
        typer.Option("--acidity", metavar="G_PER_L", help="Titratable acidity, g/L as tartaric, e.g. 6.5."),
    ] = None,
    malic: Annotated[Malic | None, typer.Option("--malic", help="What a test of malic acid shows.")] = None,
    yan: Annotated[
        str | None,
        typer.Option("--yan", metavar="MG_PER_L", help="Yeast assimilable nitrogen, mg/L, e.g. 180."),
    ] = None,
    residual_sugar: Annotated[
        str | None, typer.Option("--residual-sugar", metavar="G_PER_L", help="Sugar left in g/L, e.g. 3.")
    ] = None,
    method: Annotated[
        str | None, typer.Option("--method", help="How it was measured: aspiration, strip, titration ...")
    ] = None,
    error: Annotated[
        str | None,
        typer.Option(
            "--error", metavar="E", help="By how much it may be off, in the same unit; of one analysis."
        ),
    ] = None,
    calibrated_at: CalibratedAt = "20",
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Write down a hydrometer check (degas the sample first: gas lifts the hydrometer), or an analysis."""
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        what = who.what(
            EntryKind.MEASURE,
            lot,
            at_ms,
            gravity=gravity,
            celsius=celsius,
            calibrated_at=calibrated_at,
            ph=ph,
            free_so2=free_so2,
            total_so2=total_so2,
            acidity=acidity,
            malic=None if malic is None else malic.value,
            yan=yan,
            residual_sugar=residual_sugar,
            method=method,
            error=error,
        )
        who.take(lot, at_ms, what, despite)


@app.command()
def rack(
    lot: Lot,
    to: Annotated[str, typer.Option("--to", metavar="VESSEL", help="The vessel it goes to.")],
    from_vessel: Annotated[
        str | None, typer.Option("--from", metavar="VESSEL", help="The vessel it comes from (known already).")
    ] = None,
    gravity: Gravity = None,
    celsius: Celsius = None,
    litres: Litres = None,
    headspace: Annotated[
        str | None, typer.Option("--headspace", metavar="L", help="Air left above the wine.")
    ] = None,
    lees: Annotated[str | None, typer.Option("--lees", metavar="L", help="Lees left behind.")] = None,
    floats: Annotated[
        list[str] | None,
        typer.Option(
            "--float", metavar="SENSOR", help="A float that goes along (else all, unless one is there)."
        ),
    ] = None,
    no_float: Annotated[bool, typer.Option("--no-float", help="No float goes along.")] = False,
    calibrated_at: CalibratedAt = "20",
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Rack a lot into another vessel; gravity and temperature are taken from the sensors unless given."""
    if no_float and floats:
        fail("--float and --no-float exclude each other", ExitCode.WRONG_INPUT)
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        what = who.what(
            EntryKind.RACK,
            lot,
            at_ms,
            to=to,
            gravity=gravity,
            celsius=celsius,
            calibrated_at=calibrated_at,
            litres=litres,
            headspace=headspace,
            lees=lees,
            floats=floats,
            no_float=no_float,
            **{"from": from_vessel},
        )
        who.take(lot, at_ms, what, despite)


@app.command()
def add(
    lot: Lot,
    what: Annotated[str, typer.Argument(metavar="WHAT", help="What was added, in words.")],
    amount: Annotated[
        str | None, typer.Argument(metavar="[AMOUNT]", help="How much: 1.2g, 500g, 2L, '2 tsp'.")
    ] = None,
    why: Annotated[str | None, typer.Option("--why", help="Why, in words.")] = None,
    purpose: Annotated[
        Purpose | None, typer.Option("--purpose", help="What it is for, where the words do not say it.")
    ] = None,
    litres: Annotated[
        str | None, typer.Option("--litres", metavar="L", help="By how much the volume grew.")
    ] = None,
    sugar: Annotated[
        str | None,
        typer.Option("--sugar", metavar="G", help="Grams of sugar it brings (known for sugar and honey)."),
    ] = None,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Write down an addition: sugar, nutrient, sulfite, finings, water ..."""
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        addition = who.what(
            EntryKind.ADD,
            lot,
            at_ms,
            what=what,
            amount=amount,
            why=why,
            purpose=None if purpose is None else str(purpose),
            litres=litres,
            sugar=sugar,
        )
        who.take(lot, at_ms, addition, despite)


@app.command()
def note(
    lot: Lot,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="In your own words.")],
    step: Annotated[
        str | None, typer.Option("--step", metavar="ID", help="The step of the profile that this fulfils.")
    ] = None,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Write down a note; with --step it ticks off a step, as degas or airlock."""
    with hand(as_json=as_json) as who:
        known = [s.id for s in who.recorder.profile(lot).every_step]
        if step is not None and lot in who.recorder.history.lots and step not in known:
            fail(
                f"step {step!r} is not in the lot's profile: expected one of {', '.join(known)}",
                ExitCode.WRONG_INPUT,
            )
        who.take(lot, who.at_ms(at), Note(text, step), despite)


@app.command()
def taste(
    lot: Lot,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="Look, smell, taste, in your own words.")],
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Write down what it looks, smells and tastes like."""
    with hand(as_json=as_json) as who:
        who.take(lot, who.at_ms(at), Tasting(text), despite)


@app.command()
def bottle(
    lot: Lot,
    count: Annotated[int | None, typer.Argument(metavar="[COUNT]", help="How many bottles.")] = None,
    bottles: Annotated[int | None, typer.Option("--bottles", metavar="COUNT", help="The same.")] = None,
    bottle_ml: Annotated[
        str, typer.Option("--bottle-ml", metavar="ML", help="Size of a bottle in millilitres.")
    ] = "750",
    closure: Annotated[
        str | None, typer.Option("--closure", help="What closes them, in words: cork, crown cap ...")
    ] = None,
    sugar_g_per_l: Annotated[
        str | None, typer.Option("--sugar-g-per-l", metavar="G", help="Sugar left in it, by a test.")
    ] = None,
    drink_from: Annotated[
        str | None,
        typer.Option("--drink-from", metavar="DAY", help="From when it will be good, by your word."),
    ] = None,
    drink_until: Annotated[
        str | None, typer.Option("--drink-until", metavar="DAY", help="And until when.")
    ] = None,
    in_part: Annotated[
        bool, typer.Option("--in-part", help="The rest stays, and is bottled another day.")
    ] = False,
    from_vessel: Annotated[
        str | None, typer.Option("--from", metavar="VESSEL", help="From which vessel, if in several.")
    ] = None,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Bottle a lot: refused while it has not finished, is unchecked, or sugar is left with live yeast."""
    number = count if count is not None else bottles
    if number is None or (count is not None and bottles is not None and count != bottles):
        fail("how many bottles? expected e.g. mustwatch record bottle LOT 28", ExitCode.WRONG_INPUT)
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        what = who.what(
            EntryKind.BOTTLE,
            lot,
            at_ms,
            bottles=number,
            bottle_ml=bottle_ml,
            in_part=in_part,
            **{"from": from_vessel},
            closure=closure,
            sugar_g_per_l=sugar_g_per_l,
            drink_from=drink_from,
            drink_until=drink_until,
        )
        who.take(lot, at_ms, what, despite)
        if not as_json:
            say(f"Its record, to print: mustwatch book {lot!r} --html {lot.replace(' ', '-')}.html")
