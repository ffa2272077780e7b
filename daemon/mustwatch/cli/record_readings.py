"""``mustwatch record set-aside|put-back``: readings that are none."""

from collections.abc import Callable
from typing import Annotated

import typer

from mustwatch.cellar.instant import iso
from mustwatch.cellar.reading import Reading
from mustwatch.cli.hand import AsJson, hand
from mustwatch.cli.output import ExitCode, emit_json, fail, say
from mustwatch.recording.setting_aside import NoSuchReadingError, SettingAside
from mustwatch.recording.when import WhenError


def add_to(app: typer.Typer) -> None:
    """Enrol these commands in ``mustwatch record``."""
    for command in (set_aside, put_back):
        app.command()(command)


Sensor = Annotated[str, typer.Argument(metavar="SENSOR", help="The sensor's id.")]
Observed = Annotated[
    str,
    typer.Argument(metavar="WHEN", help="When it was observed, as `mustwatch export` or `check` shows it."),
]


def set_aside(
    sensor: Sensor,
    observed: Observed,
    why: Annotated[str, typer.Option("--why", metavar="REASON", help="Kept beside it.")] = "",
    as_json: AsJson = False,
) -> None:
    """Set one reading aside, as of a clock that was wrong: out of all that is concluded and shown, but kept."""
    _moved(lambda setting: setting.set_aside(sensor, observed, why), "Set aside", as_json=as_json)


def put_back(sensor: Sensor, observed: Observed, as_json: AsJson = False) -> None:
    """Put a reading back that was set aside."""
    _moved(lambda setting: setting.put_back(sensor, observed), "Put back", as_json=as_json)


def _moved(move: Callable[[SettingAside], Reading], done: str, *, as_json: bool) -> None:
    with hand(as_json=as_json) as who:
        try:
            reading = move(SettingAside(who.recorder))
        except (WhenError, NoSuchReadingError) as error:
            fail(str(error).removeprefix("--at "), ExitCode.WRONG_INPUT)
        at = str(iso(reading.observed_ms))
        if as_json:
            emit_json({"sensor": reading.sensor, "observed_at": at, "done": done.lower()})
            return
        say(f"{done}: what {reading.sensor} said at {at}.")
        if done == "Set aside":
            say(f"(mustwatch record put-back {reading.sensor} {at} undoes that)")
