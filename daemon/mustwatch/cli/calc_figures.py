"""How ``calc`` tells a figure: with its method, its source and its cautions, or why it cannot."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Annotated, Any

import typer

from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cli.output import ExitCode, emit_json, fail, say
from mustwatch.must.bounds import OutOfRangeError
from mustwatch.must.sulfite import LimitError
from mustwatch.recording.units import UnitError

Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]
GravityOption = Annotated[
    str, typer.Option("--gravity", metavar="G", help="Gravity: 1.050, 1048kg/m3, 22Bx or 90Oe.")
]
LitresOption = Annotated[str, typer.Option("--litres", metavar="L", help="Volume: 23, 23L, 6gal (US).")]


@contextmanager
def refusing() -> Iterator[None]:
    """End the command with one line where the input is wrong (2) or a limit forbids the result (1)."""
    try:
        yield
    except LimitError as refused:
        fail(str(refused))
    except (OutOfRangeError, UnitError) as wrong:
        fail(str(wrong), ExitCode.WRONG_INPUT)


def measures() -> Measures:
    """Return how the configured cellar says quantities; specific gravity and °C without one."""
    from mustwatch.config.plan import measures_of  # only now: the arithmetic itself needs no configuration
    from mustwatch.config.settings import SettingsError, load

    try:
        return measures_of(load())
    except SettingsError:
        return PLAIN


def tell(as_json: bool, document: Mapping[str, Any], lines: Sequence[str]) -> None:
    """Print a result as JSON, or readably with its method, source and cautions."""
    if as_json:
        emit_json(document)
        return
    for line in lines:
        say(line)
    say(f"method: {document['method']}")
    say(f"source: {document['source']}")
    for caution in document.get("cautions", ()):
        say(f"caution: {caution}")
