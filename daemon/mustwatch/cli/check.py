"""``mustwatch check``: faults of the configuration, by key, value and what was expected."""

from typing import Annotated, Any

import typer

from mustwatch.cli.output import ExitCode, emit_json, say
from mustwatch.settings import Settings, SettingsError, find_config, load

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def check(
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Look for faults in the configuration; exit 2 if there are any."""
    faults: list[str] = []
    settings: Settings | None = None
    try:
        settings = load()
        path = find_config(None)
    except SettingsError as error:
        faults, path = error.faults, error.path
    if settings is not None:
        from mustwatch.configured import configuration_faults

        faults = configuration_faults(settings)
    document: dict[str, Any] = {"config": str(path) if path else None, "faults": faults}
    if as_json:
        emit_json(document)
    else:
        _say(document, settings)
    if faults:
        raise typer.Exit(int(ExitCode.WRONG_INPUT))


def _say(document: dict[str, Any], settings: Settings | None) -> None:
    say(f"configuration: {document['config'] or 'none found, the defaults hold'}")
    for fault in document["faults"]:
        say(f"  fault  {fault}")
    if not document["faults"] and settings is not None:
        say(
            f"  {len(settings.vessel)} vessels, {len(settings.sensor)} sensors, {len(settings.tell)} to tell: no faults"
        )
        if not settings.vessel:
            say('  add a vessel:  [[vessel]] name = "bucket-1", kind = "bucket", litres = 25')
        if not settings.sensor:
            say("  add a sensor:  see `mustwatch listen`, which proposes one for what arrives on the broker")
        if not settings.tell:
            say('  nobody is told: add [[tell]] url = "..." to be called')
