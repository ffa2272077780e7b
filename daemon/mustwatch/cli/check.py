"""``mustwatch check``: faults of the configuration and of its surroundings, and what to mend."""

import sqlite3
import time
from contextlib import closing
from typing import Annotated, Any

import typer

from mustwatch.cli.output import ExitCode, emit_json, say
from mustwatch.config.settings import Settings, SettingsError, find_config, load, overridden

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def check(
    config_only: Annotated[
        bool,
        typer.Option(
            "--config-only", help="Look at the configuration alone, not at broker, store, clock ..."
        ),
    ] = False,
    send_test: Annotated[
        bool, typer.Option("--send-test", help="Send everybody who is told a test message.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Look for faults; exit 2 if the configuration has any, 1 if something around it must be mended."""
    faults: list[str] = []
    settings: Settings | None = None
    try:
        settings = load()
        path = find_config(None)
    except SettingsError as error:
        faults, path = error.faults, error.path
    if settings is not None:
        from mustwatch.config.faults import configuration_faults

        faults = configuration_faults(settings)
    notes = overridden(path) if settings is not None else []
    document: dict[str, Any] = {
        "config": str(path) if path else None,
        "faults": faults,
        "notes": notes,
        "remarks": [],
        "surroundings": [],
    }
    if not as_json:
        _say_configuration(document, settings)
    if settings is not None and not faults and not config_only:
        document["remarks"] = _remarks(settings)
        for remark in document["remarks"] if not as_json else ():
            say(f"  note   {remark}")
        from mustwatch.listening.surroundings import look_around

        for look in look_around(settings, time.time_ns() // 1_000_000, send_test=send_test):
            document["surroundings"].append(look._asdict())
            if not as_json:
                say(
                    f"  {look.state.value:<5}  {look.part}: {look.says}" + (f"; {look.do}" if look.do else "")
                )
    mend = [look for look in document["surroundings"] if look["state"] == "mend"]
    if as_json:
        emit_json(document)
    elif not config_only:
        _say_what_to_mend(faults, mend)
    if faults:
        raise typer.Exit(int(ExitCode.WRONG_INPUT))
    if mend:
        raise typer.Exit(int(ExitCode.COULD_NOT))


def _remarks(settings: Settings) -> list[str]:
    """Return what is not set up yet; where no store can be read, what the configuration alone shows."""
    from mustwatch.config.plan import plan_of
    from mustwatch.store.schema import is_current
    from mustwatch.store.store import Store
    from mustwatch.views.set_up import set_up_remarks, unit_remarks

    path, now_ms = settings.store.path.expanduser(), time.time_ns() // 1_000_000
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
            if not is_current(db):  # to open it would change it
                return list(unit_remarks(settings))
        store = Store(path, now_ms)
    except (sqlite3.Error, OSError):  # which the look at the store says
        return list(unit_remarks(settings))
    try:
        return set_up_remarks(store, settings, plan_of(settings), now_ms)
    finally:
        store.close()


def _say_what_to_mend(faults: list[str], mend: list[dict[str, Any]]) -> None:
    say()
    if not faults and not mend:
        say("Nothing has to be mended.")
        return
    say("To mend:")
    for fault in faults:
        say(f"  {fault}")
    for look in mend:
        say(f"  {look['part']}: {look['says']}" + (f"; {look['do']}" if look["do"] else ""))


def _say_configuration(document: dict[str, Any], settings: Settings | None) -> None:
    say(f"configuration: {document['config'] or 'none found, the defaults hold'}")
    for fault in document["faults"]:
        say(f"  fault  {fault}")
    for note in document["notes"]:
        say(f"  note   {note}")
    if not document["faults"] and settings is not None:
        told = len(settings.tell)
        say(f"  {len(settings.vessel)} vessels, {len(settings.sensor)} sensors, {told} to tell: no faults")
        if not settings.vessel:
            say('  add a vessel:  [[vessel]] name = "bucket-1", kind = "bucket", litres = 25')
        if not settings.sensor:
            say("  add a sensor:  see `mustwatch listen`, which proposes one for what arrives on the broker")
