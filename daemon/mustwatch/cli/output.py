"""How commands speak: one JSON document or plain text on stdout, one line on stderr when something is wrong."""

import json
import sys
from enum import IntEnum
from typing import Any, NoReturn

import typer


class ExitCode(IntEnum):
    """What a command's exit code says."""

    DONE = 0
    COULD_NOT = 1
    WRONG_INPUT = 2


MARKS = {"urgent": "!!", "warning": "! ", "notice": "· "}
"""How a severity stands at the beginning of a line; the words after it say the rest."""


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
