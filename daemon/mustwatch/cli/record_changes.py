"""``mustwatch record move|stage|reanchor|undo|correct``: where sensors are, and second thoughts."""

from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Annotated, Any

import typer

from mustwatch.cellar.analysis import KINDS, Quantity
from mustwatch.cellar.book import (
    Entry,
    EntryKind,
    MalolacticState,
    Measurement,
    Move,
    Racking,
    Reanchor,
    StageChange,
    Start,
    What,
)
from mustwatch.cellar.entry_json import UnreadableEntryError, what_from_json, what_to_json
from mustwatch.cellar.history import in_force
from mustwatch.cellar.naming import unknown_sensor
from mustwatch.cellar.profile import Stage
from mustwatch.cli.hand import AsJson, At, Despite, Hand, Lot, hand, parsed, refused
from mustwatch.cli.output import ExitCode, emit_json, fail, say
from mustwatch.must.density import gravity_20_from_reading
from mustwatch.recording import units
from mustwatch.recording.recorder import Compared, NothingToCompareError, RefusedError
from mustwatch.views.book_words import what_was_done

ID_AT_LEAST = 4
"""Hex digits of an entry's id that have to be typed at least."""


def add_to(app: typer.Typer) -> None:
    """Enrol these commands in ``mustwatch record``."""
    for command in (move, stage, malolactic, reanchor, undo, correct):
        app.command()(command)


def move(
    sensor: Annotated[str, typer.Argument(metavar="SENSOR", help="The sensor's id.")],
    to: Annotated[
        str | None, typer.Option("--to", metavar="VESSEL", help="The vessel it is put into.")
    ] = None,
    out: Annotated[bool, typer.Option("--out", help="It is taken out.")] = False,
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Write down that a sensor was put into another vessel, or taken out."""
    if (to is None) != out:
        fail("where to? expected either --to VESSEL or --out", ExitCode.WRONG_INPUT)
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        who.take(_lot_of_move(who, sensor, to, at_ms), at_ms, Move(sensor, to), despite)


def _lot_of_move(who: Hand, sensor: str, to: str | None, at_ms: int) -> str:
    """Return the lot in whose book a move is written: the one it comes to, else the one it leaves."""
    history = who.recorder.history
    here = history.place(sensor, at_ms).vessel
    stays = [history.lot_in(vessel, at_ms) for vessel in (to, here) if vessel is not None]
    lots = [stay.lot for stay in stays if stay is not None]
    if not lots and sensor not in who.recorder.plan.sensors:
        fail(unknown_sensor(sensor, who.recorder.plan.sensors), ExitCode.WRONG_INPUT)
    if not lots:
        fail(
            f"no lot is in {to or here}: a move is written in a lot's book; for an empty vessel give {sensor} "
            "its vessel in the configuration",
            ExitCode.WRONG_INPUT,
        )
    return lots[0]


def stage(
    lot: Lot,
    to: Annotated[Stage, typer.Argument(metavar="STAGE", help=f"One of {', '.join(Stage)}.")],
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Say which stage a lot is in, where entries and findings do not tell."""
    with hand(as_json=as_json) as who:
        who.take(lot, who.at_ms(at), StageChange(to), despite)


def malolactic(
    lot: Lot,
    state: Annotated[
        MalolacticState, typer.Argument(metavar="STATE", help=f"One of {', '.join(MalolacticState)}.")
    ],
    at: At = "now",
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Say where the malolactic ferment stands; while it runs sulfite is refused, and malic acid is to be tested."""
    with hand(as_json=as_json) as who:
        at_ms = who.at_ms(at)
        who.take(lot, at_ms, who.what(EntryKind.MALOLACTIC, lot, at_ms, state=state.value), despite)


def reanchor(
    lot: Lot,
    sensor: Annotated[str, typer.Option("--sensor", metavar="SENSOR", help="The float.")],
    offset: Annotated[
        str | None, typer.Option("--offset", metavar="G", help="Gravity to add (else from the last check).")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="WHEN", help="From when it holds (else from the last check on)."),
    ] = None,
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Make a float agree with the last hydrometer check, from that check on; earlier readings stay as they were."""
    with hand(as_json=as_json) as who:
        at_ms = None if at is None else who.at_ms(at)
        if offset is None:
            checked_ms, added = _offset_by_check(who, lot, sensor)
            at_ms = checked_ms if at_ms is None else at_ms
        else:
            added = parsed(
                lambda name, text: units.quantity(name, text, "e.g. -0.004", units.BARE), "--offset", offset
            )
        what = Reanchor(sensor, round(added, 5))
        who.take(lot, who.recorder.now_ms if at_ms is None else at_ms, what, despite)
        now = who.recorder.facts(lot).gravity
        if now is not None and not as_json:
            say(f"The estimate is now {who.units.gravity(now, 4)}.")


def _offset_by_check(who: Hand, lot: str, sensor: str) -> Compared:
    try:
        return who.recorder.by_last_check(lot, sensor)
    except NothingToCompareError as error:
        fail(str(error), ExitCode.WRONG_INPUT)


def found_entry(who: Hand, text: str) -> Entry:
    """Return the entry in force whose id begins so, or end the command."""
    held = [e for e in in_force(who.recorder.entries) if e.id.startswith(text.casefold())]
    if len(text) < ID_AT_LEAST or not held:
        fail(
            f"no entry in force has an id beginning with {text!r}; expected one that mustwatch book LOT shows, "
            f"at least {ID_AT_LEAST} characters of it",
            ExitCode.WRONG_INPUT,
        )
    if len(held) > 1:
        fail(
            f"{text!r} begins several ids: {', '.join(e.id for e in held)}; give more of it",
            ExitCode.WRONG_INPUT,
        )
    return held[0]


def undo(
    lot: Annotated[
        str | None, typer.Argument(metavar="[LOT]", help="The lot (else the entry written last of all).")
    ] = None,
    entry_id: Annotated[
        str | None, typer.Option("--id", metavar="ENTRY", help="Another entry than the last one written.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Undo the entry written last; its row stays in the record, struck out."""
    with hand(as_json=as_json) as who:
        recorder = who.recorder
        if entry_id is not None:
            entry = found_entry(who, entry_id)
        else:
            held = {e.id for e in in_force(recorder.entries)}
            last = [e for e in recorder.entries if e.id in held and (lot is None or e.lot == lot)]
            if not last:
                of = f" of lot {lot!r}" if lot is not None else ""
                fail(f"nothing to undo: the book has no entry{of}", ExitCode.WRONG_INPUT)
            entry = last[-1]
        try:
            recorder.undo(entry)
        except RefusedError as error:
            refused(error, who.settings)
        back = next((e for e in in_force(recorder.entries) if e.id == entry.replaces), None)
        if as_json:
            emit_json({"undone": entry.id, "in_force_again": back.id if back else None})
            return
        when = who.units.written(entry.at_ms)
        say(f"Undone: {entry.lot}, {when}: {what_was_done(entry.what, who.units)}")
        if back is not None:
            say(f"In force again: {who.units.written(back.at_ms)}: {what_was_done(back.what, who.units)}")


_ALIASES: Mapping[str, str] = {
    "celsius": "temperature_c",
    "vessel": "to_vessel",
    "to": "to_vessel",
    "from": "from_vessel",
    **{quantity.value: kind.field for quantity, kind in KINDS.items()},
    "headspace": "headspace_litres",
    "lees": "lees_litres",
    "sugar": "sugar_g",
    "yeast-low": "yeast_low_c",
    "yeast-high": "yeast_high_c",
    "calibrated-at": "calibrated_at_c",
}


def _field_name(typed: str, what: What) -> str:
    """Return the field of an entry that a word of the commands names, or end the command."""
    known = [f.name for f in fields(what) if f.name not in ("kind", "gravity_as_read", "from_sensors")]
    name = typed.strip().casefold()
    found = next((c for c in (name.replace("-", "_"), _ALIASES.get(name, "")) if c in known), None)
    if found is None:
        words = {field: alias for alias, field in _ALIASES.items() if alias != "vessel"}
        shown = ", ".join(["at", *(words.get(n, n.replace("_", "-")) for n in known)])
        fail(f"{typed!r} is not part of a {what.kind} entry; expected one of {shown}", ExitCode.WRONG_INPUT)
    return found


def _value(name: str, text: str) -> Any:
    """Return a field's value as typed; nothing after ``=`` clears it."""
    if not text:
        return None
    readers: Mapping[str, Callable[[str, str], float]] = {
        "gravity": units.gravity,
        "target_gravity": units.gravity,
        "litres": units.volume_litres,
    }
    if name in readers:
        return parsed(readers[name], name, text)
    if name.endswith("_c"):
        return parsed(units.temperature_c, name.removesuffix("_c"), text)
    if name == "floats":
        return [part.strip() for part in text.split(",")]
    if name in ("bottles",) and text.isdigit():
        return int(text)
    try:
        return units.decimal(text) if name in _NUMBERS else text
    except ValueError:
        fail(f"{name} {text!r} is not a number; expected e.g. 1.5", ExitCode.WRONG_INPUT)


_NUMBERS = (
    "amount",
    "sugar_g",
    "error",
    *(kind.field for quantity, kind in KINDS.items() if quantity is not Quantity.MALIC),
    "sugar_g_per_l",
    "headspace_litres",
    "lees_litres",
    "bottle_ml",
    "offset",
)


def corrected_what(what: What, changes: Mapping[str, str]) -> What:
    """Return what was done with some of its fields as typed anew, gravity corrected to 20/20 again."""
    body = what_to_json(what)
    named = {_field_name(key, what): text for key, text in changes.items()}
    for name, text in named.items():
        value = _value(name, text)
        if value is None:
            body.pop(name, None)
        else:
            body[name] = value
    if isinstance(what, Start | Measurement | Racking) and {
        "gravity",
        "temperature_c",
        "calibrated_at_c",
    } & set(named):
        if "gravity" in named:
            body.pop("from_sensors", None)
            body.pop("gravity_as_read", None)
            if "gravity" in body:
                body["gravity_as_read"] = body["gravity"]
        as_read = body.get("gravity_as_read")
        if as_read is not None:
            scale_c = body.get("calibrated_at_c", 20.0)
            at_c = body.get("temperature_c", scale_c)
            body["gravity"] = round(gravity_20_from_reading(as_read, at_c, calibrated_at_c=scale_c), 5)
    try:
        return what_from_json(str(what.kind), body)
    except UnreadableEntryError as error:
        fail(str(error), ExitCode.WRONG_INPUT)


def correct(
    entry_id: Annotated[
        str, typer.Argument(metavar="ENTRY", help="The entry's id, as mustwatch book LOT shows it.")
    ],
    changes: Annotated[
        list[str],
        typer.Argument(metavar="KEY=VALUE...", help="What is to be changed: gravity=1.012 at='18:30' ..."),
    ],
    despite: Despite = None,
    as_json: AsJson = False,
) -> None:
    """Put an entry right, or move it to the right lot (lot=OTHER); the first version stays in the record."""
    pairs: dict[str, str] = {}
    for change in changes:
        key, equals, text = change.partition("=")
        if not equals:
            fail(f"{change!r} is no change; expected KEY=VALUE, as gravity=1.012", ExitCode.WRONG_INPUT)
        pairs[key] = text.strip()
    with hand(as_json=as_json) as who:
        entry = found_entry(who, entry_id)
        lot = pairs.pop("lot", None)
        if lot is not None:
            if pairs:
                fail("lot=... stands alone: move the entry first, then correct it", ExitCode.WRONG_INPUT)
            who.move_to(lot, entry, despite)
            return
        at = pairs.pop("at", None)
        at_ms = entry.at_ms if at is None else who.at_ms(at)
        what = corrected_what(entry.what, pairs)
        if not as_json:
            say(f"Before: {who.units.written(entry.at_ms)}: {what_was_done(entry.what, who.units)}")
        who.take(entry.lot, at_ms, what, despite or entry.despite, replaces=entry.id)
