"""``mustwatch night``: how the temperatures swung overnight."""

from datetime import date
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, emit_json, fail, local, say, temperature_text

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def night(
    of: Annotated[
        str | None, typer.Argument(metavar="[DATE]", help="The evening it began, as 2026-09-01.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Show how far and how fast the temperatures swung last night, or in the night that began on DATE."""
    from mustwatch.night_view import night_view

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
    zone = ZoneInfo(settings.cellar.timezone)
    unit = settings.cellar.temperature_unit
    say(f"Night of {document['night']} ({local(document['from'], zone)} to {local(document['until'], zone)})")
    for row in document["vessels"]:
        _say(row, unit, zone)


def _say(row: dict[str, Any], unit: str, zone: ZoneInfo) -> None:
    name = row["vessel"] or f"room ({row['sensor']})"
    lot = f" ({row['lot']})" if row["lot"] else ""
    if row["minimum"] is None:
        say(f"  {name}{lot}: no temperatures")
        return
    at = "%H:%M"
    say(
        f"  {name}{lot}: {temperature_text(row['minimum'], unit)} at {local(row['minimum_at'], zone, at)}"
        f" to {temperature_text(row['maximum'], unit)} at {local(row['maximum_at'], zone, at)},"
        f" swing {temperature_text(row['swing'], unit, difference=True)}"
    )
    if row["steepest_per_hour"] is not None:
        steepest = temperature_text(row["steepest_per_hour"], unit, difference=True)
        say(f"      steepest {steepest} in an hour, from {local(row['steepest_at'], zone, at)}")
    if row["minutes_above"]:
        say(f"      too warm for {row['minutes_above']} min, from {local(row['above_at'], zone, at)}")
    if row["minutes_below"]:
        say(f"      too cold for {row['minutes_below']} min, from {local(row['below_at'], zone, at)}")
    if row["coverage"] < 0.9:
        say(f"      only {row['coverage'] * 100:.0f} % of the night was heard")
