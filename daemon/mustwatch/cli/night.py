"""``mustwatch night``: how the temperatures swung overnight."""

from datetime import date
from typing import Annotated

import typer

from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, emit_json, fail, say

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def night(
    of: Annotated[
        str | None, typer.Argument(metavar="[DATE]", help="The evening it began, as 2026-09-01.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Show how far and how fast the temperatures swung last night, or in the night that began on DATE."""
    from mustwatch.config.plan import measures_of
    from mustwatch.views.night import night_view
    from mustwatch.views.night_text import night_lines

    settings = settings_or_fail()
    day = None
    if of is not None:
        try:
            day = date.fromisoformat(of)
        except ValueError:
            fail(f"{of!r} is not a date; expected e.g. 2026-09-01", ExitCode.WRONG_INPUT)
    with opened_store(settings) as store:
        document = night_view(store, settings, now_ms(), day)
    if as_json:
        emit_json(document)
        return
    for line in night_lines(document, measures_of(settings)):
        say(line)
