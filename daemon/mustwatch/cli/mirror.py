"""``mustwatch mirror``: what can be done about the InfluxDB mirror by hand."""

from typing import Annotated

import typer

from mustwatch.cli.opening import opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, emit_json, fail, say

app = typer.Typer(
    add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False, no_args_is_help=True
)


@app.callback()
def mirror() -> None:
    """See to the InfluxDB mirror; how it is, `mustwatch check` says."""


@app.command()
def resend(
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Have the daemon send everything again."""
    from mustwatch.store.keeper import is_kept
    from mustwatch.store.mirror_spool import Spool

    settings = settings_or_fail()
    if settings.influx is None:
        fail("there is no mirror: [influx] in the configuration names one", ExitCode.WRONG_INPUT)
    with opened_store(settings) as store:
        Spool(store).ask_for_resend()
        readings, entries = store.readings.count(), len(store.book.entries())
        runs = is_kept(store.path)
    if as_json:
        emit_json({"readings": readings, "entries": entries, "daemon_runs": runs})
        return
    when = f"within {settings.influx.every_seconds:g} s" if runs else "when it is started"
    say(f"{readings} readings, {entries} entries and all else are sent again: the daemon begins {when}")
