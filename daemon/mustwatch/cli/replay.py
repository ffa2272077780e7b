"""``mustwatch replay FILE``: a recorded history through the same pipeline, into the configured store."""

import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated

import typer

from mustwatch.cli import person
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail, store_path
from mustwatch.cli.output import ExitCode, emit_json, fail, remark, say
from mustwatch.cli.progress import Advance, place_in, progress, size_of

if TYPE_CHECKING:
    from mustwatch.replay.record import Pile

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def replay(
    file: Annotated[Path, typer.Argument(help="JSON lines with tst, topic, payload; - for standard input.")],
    tell: Annotated[
        bool, typer.Option("--tell", help="Put messages in the outbox, to be told by `run`.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Run a recorded history through the pipeline; tells nobody unless --tell is given."""
    from mustwatch.alerting.rules import TellRules
    from mustwatch.config.plan import plan_of
    from mustwatch.replay.ahead import piles_ahead
    from mustwatch.replay.record import Misread
    from mustwatch.replay.replay import Replay, pile_size
    from mustwatch.store.keeper import AlreadyKeptError, Keeper

    settings = settings_or_fail()
    if not settings.sensor:
        fail("no [[sensor]] is configured, so no topic can be read: see the example configuration")
    plan = plan_of(settings)
    if not tell:
        plan = replace(plan, rules=TellRules(units=plan.rules.units))
    sensors, misread = plan.sensors.values(), Misread()
    try:
        with (
            _open(file) as lines,
            piles_ahead(lines, sensors, pile_size(len(sensors)), misread) as piles,
            Keeper(store_path(settings)),
            opened_store(settings, create=True) as store,
            progress(f"replaying {file.name}", size_of(lines)) as advance,
        ):
            run = Replay(store, plan)
            result = run.run_piles(_shown(piles, lines, advance), misread, now_ms())
            alerts = [alert.public() for alert in run.alerts()]
    except AlreadyKeptError as error:
        fail(str(error))
    if result.first_bad_line is not None and result.messages == 0:
        fail(f"{file} records no message; {result.first_bad_line}", ExitCode.WRONG_INPUT)
    if result.first_bad_line is not None:
        remark(f"{result.bad_lines} lines were passed over; the first, {result.first_bad_line}")
    if as_json:
        emit_json({"readings": result.readings, "quarantined": result.quarantined, "alerts": alerts})
        return
    say(
        f"{result.readings} readings, {result.duplicates} seen before, {result.quarantined} quarantined, "
        f"{len(alerts)} alerts"
    )
    for alert in alerts:
        over = f", over {alert['cleared_at']}" if alert["cleared_at"] else ""
        say(f"  {alert['opened_at']}  {alert['summary']}{over}")


def _shown(piles: "Iterator[Pile]", lines: IO[bytes], advance: Advance) -> "Iterator[Pile]":
    for pile in piles:
        yield pile
        advance(place_in(lines))


def _open(file: Path) -> IO[bytes]:
    if str(file) == "-":
        return os.fdopen(os.dup(sys.stdin.fileno()), "rb")
    try:
        return person.reading(file)
    except OSError as error:
        fail(f"{file}: {error.strerror}; expected a file of JSON lines", ExitCode.WRONG_INPUT)
