"""``mustwatch record``: write in the cellar book what was done and measured, with wet hands."""

import re
from typing import Annotated

import typer

from mustwatch.cellar.additions import Purpose, brings_sugar
from mustwatch.cellar.book import Addition, Bottling, Measurement, Note, Racking, Start, Tasting
from mustwatch.cli import record_changes, units
from mustwatch.cli.hand import (
    AsJson,
    At,
    CalibratedAt,
    Celsius,
    Despite,
    Gravity,
    Hand,
    Litres,
    Lot,
    hand,
    parsed,
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

_AMOUNT = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))\s*(.*)")
_GRAMS = {"g": 1.0, "kg": 1000.0, "mg": 0.001, "lb": 453.59237, "oz": 28.349523125}
"""International avoirdupois pound and ounce, exact by definition."""
HONEY_SUGAR = 0.8
"""Share of honey that is sugar. Common practice, no source."""


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
    calibrated_at: CalibratedAt = "20",
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Begin a lot in a vessel."""
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        read = who.reading(gravity, celsius, calibrated_at, None)
        what = Start(
            vessel=vessel,
            profile=profile,
            gravity=read.gravity,
            temperature_c=read.temperature_c,
            litres=None if litres is None else parsed(units.volume_litres, "--litres", litres),
            must=must,
            yeast=yeast,
            yeast_low_c=None if yeast_low is None else parsed(units.temperature_c, "--yeast-low", yeast_low),
            yeast_high_c=None
            if yeast_high is None
            else parsed(units.temperature_c, "--yeast-high", yeast_high),
            target_gravity=None
            if target_gravity is None
            else parsed(units.gravity, "--target-gravity", target_gravity),
            gravity_as_read=read.as_read,
            calibrated_at_c=read.calibrated_at_c,
        )
        who.take(lot, at_ms, what, despite)


@app.command()
def measure(
    lot: Lot,
    gravity: Gravity = None,
    celsius: Celsius = None,
    ph: Annotated[float | None, typer.Option("--ph", help="The pH, e.g. 3.4.")] = None,
    free_so2: Annotated[
        float | None, typer.Option("--free-so2", metavar="MG_PER_L", help="Free SO2 in mg/L, e.g. 30.")
    ] = None,
    calibrated_at: CalibratedAt = "20",
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Write down a hydrometer check (degas the sample first: gas lifts the hydrometer)."""
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        read = who.reading(gravity, celsius, calibrated_at, who.recorder.offered(lot, at_ms).temperature_c)
        what = Measurement(
            gravity=read.gravity,
            temperature_c=read.temperature_c,
            gravity_as_read=read.as_read,
            calibrated_at_c=read.calibrated_at_c,
            ph=ph,
            free_so2_mg_per_l=free_so2,
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
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        offered = who.recorder.offered(lot, at_ms)
        read = who.reading(gravity, celsius, calibrated_at, offered.temperature_c)
        by_sensors = gravity is None and offered.gravity is not None
        celsius_c = read.temperature_c
        if celsius_c is None and offered.temperature_c is not None:
            celsius_c = round(offered.temperature_c, 1)
        what = Racking(
            to_vessel=to,
            from_vessel=from_vessel or _sits_in(who, lot, at_ms),
            gravity=round(offered.gravity, 4) if by_sensors and offered.gravity is not None else read.gravity,
            temperature_c=celsius_c,
            litres=None if litres is None else parsed(units.volume_litres, "--litres", litres),
            headspace_litres=None if headspace is None else _volume("--headspace", headspace),
            lees_litres=None if lees is None else _volume("--lees", lees),
            floats=_going_along(who, lot, to, at_ms, floats, none=no_float),
            from_sensors=by_sensors,
            gravity_as_read=read.as_read,
            calibrated_at_c=read.calibrated_at_c,
        )
        who.take(lot, at_ms, what, despite)


def _volume(name: str, text: str) -> float:
    """Return a volume that may be none at all."""
    return 0.0 if text.strip() in ("0", "0L") else parsed(units.volume_litres, name, text)


def _sits_in(who: Hand, lot: str, at_ms: int) -> str | None:
    history = who.recorder.history.lots.get(lot)
    return history.vessel_at(at_ms) if history is not None else None


def _going_along(
    who: Hand, lot: str, to: str, at_ms: int, named: list[str] | None, *, none: bool
) -> tuple[str, ...]:
    """Return the floats that go with the wine: those named, else all of its vessel unless one waits in the next."""
    if none and named:
        fail("--float and --no-float exclude each other", ExitCode.WRONG_INPUT)
    history = who.recorder.history.lots.get(lot)
    if none or history is None:
        return ()
    if named:
        return tuple(named)
    return () if who.recorder.floats_in(to, at_ms) else who.recorder.floats_with(history, at_ms)


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
    number, unit = _amount(amount)
    grown = None if litres is None else parsed(units.volume_litres, "--litres", litres)
    if grown is None and number is not None and unit.casefold() in ("l", "ml", "gal"):
        grown = parsed(units.volume_litres, "amount", f"{number}{unit}")
    addition = Addition(
        what=what,
        amount=number,
        unit=unit or None,
        why=why,
        litres=grown,
        sugar_g=_sugar_g(what, number, unit) if sugar is None else _grams("--sugar", sugar),
        purpose=None if purpose is None else str(purpose),
    )
    with hand(as_json=as_json) as who:
        who.take(lot, who.at_ms(at), addition, despite)


def _amount(text: str | None) -> tuple[float | None, str]:
    if text is None:
        return None, ""
    match = _AMOUNT.fullmatch(text.strip())
    if match is None:
        fail(
            f"amount {text!r} is not a number with a unit; expected e.g. 1.2g, 2L or '2 tsp'",
            ExitCode.WRONG_INPUT,
        )
    return float(match[1]), match[2].strip()


def _grams(name: str, text: str) -> float:
    number, unit = _amount(text)
    factor = _GRAMS.get((unit or "g").casefold())
    if number is None or factor is None:
        fail(f"{name} {text!r} is not a weight; expected e.g. 500g, 0.5kg or 1lb", ExitCode.WRONG_INPUT)
    return number * factor


def _sugar_g(what: str, number: float | None, unit: str) -> float | None:
    """Return the sugar that sugar or honey of a known weight brings; None where only the winemaker knows."""
    factor = _GRAMS.get(unit.casefold())
    words = what.casefold()
    if number is None or factor is None or not brings_sugar(Addition(what)):
        return None
    if "honey" in words:
        return round(number * factor * HONEY_SUGAR, 1)
    return round(number * factor, 1) if "juice" not in words and "concentrate" not in words else None


@app.command()
def note(
    lot: Lot,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="In your own words.")],
    step: Annotated[
        str | None, typer.Option("--step", metavar="ID", help="The step of the profile that this fulfils.")
    ] = None,
    at: At = "now",
    as_json: AsJson = False,
) -> None:
    """Write down a note; with --step it ticks off a step, as degas or airlock."""
    with hand(as_json=as_json) as who:
        known = [s.id for s in who.recorder.profile(lot).steps]
        if step is not None and lot in who.recorder.history.lots and step not in known:
            fail(
                f"step {step!r} is not in the lot's profile: expected one of {', '.join(known)}",
                ExitCode.WRONG_INPUT,
            )
        who.take(lot, who.at_ms(at), Note(text, step))


@app.command()
def taste(
    lot: Lot,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="Look, smell, taste, in your own words.")],
    at: At = "now",
    as_json: AsJson = False,
) -> None:
    """Write down what it looks, smells and tastes like."""
    with hand(as_json=as_json) as who:
        who.take(lot, who.at_ms(at), Tasting(text))


@app.command()
def bottle(
    lot: Lot,
    count: Annotated[int | None, typer.Argument(metavar="[COUNT]", help="How many bottles.")] = None,
    bottles: Annotated[int | None, typer.Option("--bottles", metavar="COUNT", help="The same.")] = None,
    bottle_ml: Annotated[
        float, typer.Option("--bottle-ml", metavar="ML", help="Size of a bottle in millilitres.")
    ] = 750.0,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Bottle a lot: refused while it has not finished, is unchecked, or sugar is left with live yeast."""
    number = count if count is not None else bottles
    if number is None or (count is not None and bottles is not None and count != bottles):
        fail("how many bottles? expected e.g. mustwatch record bottle LOT 28", ExitCode.WRONG_INPUT)
    with hand(as_json=as_json) as who:
        who.take(lot, who.at_ms(at), Bottling(number, bottle_ml), despite)
        if not as_json:
            say(f"Its record, to print: mustwatch book {lot!r} --html {lot.replace(' ', '-')}.html")
