"""How commands speak: one JSON document or plain text on stdout, one line on stderr when something is wrong."""

import json
import sys
from datetime import datetime, tzinfo
from enum import IntEnum
from typing import Any, NoReturn

import typer


class ExitCode(IntEnum):
    """What a command's exit code says."""

    DONE = 0
    COULD_NOT = 1
    WRONG_INPUT = 2


def emit_json(document: Any) -> None:
    """Print one JSON document to stdout."""
    json.dump(document, sys.stdout, ensure_ascii=False, indent=2, default=str)
    sys.stdout.write("\n")


def say(text: str = "") -> None:
    """Print a line to stdout."""
    typer.echo(text)


def remark(text: str) -> None:
    """Print a line to stderr: a message beside the result."""
    typer.echo(text, err=True)


def fail(text: str, code: ExitCode = ExitCode.COULD_NOT) -> NoReturn:
    """End the command with one line on stderr."""
    typer.echo(f"mustwatch: {text}", err=True)
    raise typer.Exit(int(code))


def local(iso_text: str | None, zone: tzinfo, pattern: str = "%a %d %b %H:%M") -> str:
    """Return an ISO instant as the clock on the wall shows it, or a dash."""
    if iso_text is None:
        return "–"
    return datetime.fromisoformat(iso_text).astimezone(zone).strftime(pattern)


def gravity_text(gravity: float | None, unit: str = "SG") -> str:
    """Return a gravity 20/20 in the cellar's unit, or a dash."""
    if gravity is None:
        return "–"
    if unit == "Bx":
        from mustwatch.must.sugar import brix_from_gravity

        return f"{brix_from_gravity(gravity):.1f} °Bx"
    return f"{gravity:.4f}"


def temperature_text(celsius: float | None, unit: str = "C", *, difference: bool = False) -> str:
    """Return a temperature (or a difference of two) in the cellar's unit, or a dash."""
    if celsius is None:
        return "–"
    if unit == "F":
        return f"{celsius * 1.8 + (0 if difference else 32):.1f} °F"
    return f"{celsius:.1f} °C"
