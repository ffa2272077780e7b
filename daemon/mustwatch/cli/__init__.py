"""The commands. Each is imported only when it is called, so that ``mustwatch cellar`` answers at once."""

import os
import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup
from typer.main import get_command

from mustwatch import __version__

COMMANDS = {
    "run": "keep watch: take readings from the broker, and tell when something must be done",
    "welcome": "walk through what a new cellar needs, to the first reading that is watched and told",
    "check": "look for faults in the configuration and its surroundings, and say what to mend",
    "listen": "show what arrives on the broker and propose the entry for a new sensor",
    "demo": "live three weeks of an invented cellar in a minute",
    "cellar": "how every vessel stands now, and what comes next",
    "due": "what is due over all lots; done, put off or dropped",
    "calendar": "the address by which a calendar subscribes to what is due",
    "remind": "be reminded of something on a day, and again",
    "alerts": "what must be done or is going wrong; acknowledge with --ack",
    "night": "how the temperatures swung overnight",
    "whatif": "when a lot is to be racked and ends if it is kept warmer or cooler",
    "book": "the cellar book of a lot, on screen, as a page, as JSON",
    "record": "write in the cellar book: start, measure, rack, add, note, bottle ...",
    "stock": "the bottles there are; opened, given away or lost",
    "labels": "labels of bottles and vessels, an A4 sheet to print",
    "calc": "the trade's arithmetic: correct, sugar, alcohol, sulfite, chaptalise",
    "calibrate": "fit a float's calibration from points",
    "replay": "run a recorded history through the same pipeline",
    "export": "write readings as CSV, line protocol or Parquet",
    "backup": "copy the store while it runs, and verify the copy",
    "mirror": "have everything sent to InfluxDB again: mirror resend",
    "restore": "bring a store back from a backup or from InfluxDB",
}
"""Every command with its one-line help; module ``mustwatch.cli.NAME`` holds it as ``app``."""


class Commands(TyperGroup):
    """Looks a command's module up by name; listing them imports none."""

    def __init__(self, **of: Any) -> None:
        """Name the commands, so that a mistyped one finds those that were meant."""
        super().__init__(**of)
        self.commands.update(dict.fromkeys(COMMANDS))  # type: ignore[arg-type]  # get_command imports them

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the commands' names in the order of a day's work."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Import and return one command."""
        if cmd_name not in COMMANDS:
            return None
        command = get_command(import_module(f"mustwatch.cli.{cmd_name}").app)
        command.name = cmd_name
        return command

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"mustwatch {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    config: Annotated[
        Path | None,
        typer.Option("--config", metavar="PATH", help="Configuration file (or MUSTWATCH_CONFIG)."),
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Watch fermenting wine and be called when, and only when, something must be done."""
    if config is not None:
        os.environ["MUSTWATCH_CONFIG"] = str(config)


def main() -> None:
    """Run a command; exit 0: done, 1: it could not be done, 2: the input is wrong."""
    if "MUSTWATCH_SERVICE" in os.environ:
        from mustwatch.cli.person import become_the_service

        become_the_service()
    arguments = sys.argv[1:]
    for position, argument in enumerate(arguments):  # --config may stand before or after the command
        if argument == "--config" and position + 1 < len(arguments) and position > 0:
            arguments = [
                "--config",
                arguments[position + 1],
                *arguments[:position],
                *arguments[position + 2 :],
            ]
            break
        if argument.startswith("--config=") and position > 0:
            arguments = [argument, *arguments[:position], *arguments[position + 1 :]]
            break
    try:
        code = app(args=arguments, prog_name="mustwatch", standalone_mode=False)
    except typer.Exit as ended:
        raise SystemExit(ended.exit_code) from None
    except typer.Abort:
        raise SystemExit(1) from None
    except typer.TyperException as wrong:
        raise SystemExit(_one_line(wrong)) from None
    except BrokenPipeError:
        sys.stderr.close()
        raise SystemExit(1) from None
    raise SystemExit(code if isinstance(code, int) else 0)


def _one_line(wrong: typer.TyperException) -> int:
    """Say in one line what of the typed command is wrong; return the exit code for it."""
    context = getattr(wrong, "ctx", None)
    said = wrong.format_message()
    if said.startswith("Usage:"):  # nothing was asked for: the help is the answer
        typer.echo(said)
        return 0
    hint = f" (`{context.command_path} --help` shows how)" if context is not None else ""
    typer.echo(f"mustwatch: {said.rstrip('.')}{hint}", err=True)
    return 2
