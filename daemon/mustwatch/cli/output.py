"""How commands speak: one JSON document or plain text on stdout, one line on stderr when something is wrong."""

import json
import os
import shutil
import sys
import textwrap
from collections.abc import Mapping
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


COLOURS = {"urgent": "red", "warning": "yellow", "notice": "cyan"}
"""A severity's colour on a terminal: one more sign beside its mark and words, never the only one."""
HANGING = 4
"""Columns by which what a long line leaves for the next ones is set in."""
PASTED = ("mustwatch ", "sudo ", "[", "http")
"""How lines begin that somebody may copy: they are not wrapped."""


def is_screen() -> bool:
    """Return whether stdout is a terminal that somebody looks at."""
    return sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def say(text: str = "", severity: str | None = None) -> None:
    """Print a line to stdout; on a terminal wrapped to its width, and in the colour of a severity.

    There is no colour where ``NO_COLOR`` is set, and neither colour nor wrapping in a pipe.
    """
    if not is_screen():
        typer.echo(text)
        return
    width = shutil.get_terminal_size().columns
    if len(text) > width and not text.lstrip().startswith(PASTED):
        inner = " " * (len(text) - len(text.lstrip()) + HANGING)
        text = textwrap.fill(
            text, width, subsequent_indent=inner, break_long_words=False, break_on_hyphens=False
        )
    if severity is not None and not os.environ.get("NO_COLOR"):
        text = typer.style(text, fg=COLOURS[severity], bold=severity == "urgent" or None)
    typer.echo(text)


def say_alert(alert: Mapping[str, Any], text: str, indent: int = 0) -> None:
    """Print a line about an alert, under its severity's mark and in its colour; one acknowledged says so."""
    known = " (acknowledged)" if alert["acknowledged_at"] is not None and alert["cleared_at"] is None else ""
    mark = MARKS[alert["severity"]]
    say(f"{' ' * indent}{mark} {text}{known}", None if alert["cleared_at"] else alert["severity"])


def curve_columns() -> int:
    """Return how wide a small curve may be, columns; 0 where nobody looks at it."""
    return min(40, shutil.get_terminal_size().columns - 8) if is_screen() else 0


def can_show(text: str) -> bool:
    """Return whether stdout can print a text's letters."""
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (LookupError, UnicodeEncodeError):
        return False
    return True


def remark(text: str) -> None:
    """Print a line to stderr: a message beside the result."""
    typer.echo(text, err=True)


def fail(text: str, code: ExitCode = ExitCode.COULD_NOT) -> NoReturn:
    """End the command with one line on stderr."""
    typer.echo(f"mustwatch: {text}", err=True)
    raise typer.Exit(int(code))
