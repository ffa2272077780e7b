"""What the recording commands share: their options, reading what was typed, taking an entry and saying so."""

import shlex
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Annotated, Any, NoReturn

import typer

from mustwatch.cellar.book import WHOLE_CELLAR, Entry, EntryKind, TransferName, What
from mustwatch.cellar.entry_json import entry_to_json
from mustwatch.cellar.guidance import say_next
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind
from mustwatch.cellar.steps import next_steps
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, emit_json, fail, remark, say
from mustwatch.config.plan import measures_of
from mustwatch.config.settings import Settings, find_config
from mustwatch.config.toml_text import quoted
from mustwatch.must.bounds import OutOfRangeError
from mustwatch.recording import units
from mustwatch.recording.recorder import Disagreement, Recorded, Recorder, RefusedError
from mustwatch.recording.typed import Typed, TypedWrongError
from mustwatch.recording.typed_entry import what_was_typed
from mustwatch.recording.when import WhenError, when
from mustwatch.views.book_words import what_was_done

Lot = Annotated[str, typer.Argument(metavar="LOT", help="The lot.")]
At = Annotated[
    str,
    typer.Option(
        "--at", metavar="WHEN", help="When it was done: 18:30, 'yesterday 18:30', '2h ago', ISO 8601."
    ),
]
Despite = Annotated[
    str | None,
    typer.Option("--despite", metavar="REASON", help="Take it although a rule refuses it; kept in the book."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]
Gravity = Annotated[
    str | None, typer.Option("--gravity", metavar="G", help="What the hydrometer showed: 1.050, 22Bx, 90Oe.")
]
Celsius = Annotated[
    str | None, typer.Option("--celsius", metavar="T", help="The sample's temperature: 19, 19C, 66F.")
]
CalibratedAt = Annotated[
    str, typer.Option("--calibrated-at", metavar="T", help="The temperature printed on the hydrometer.")
]
Litres = Annotated[str | None, typer.Option("--litres", metavar="L", help="Volume: 23, 23L, 6gal.")]


class Hand:
    """A person at the keyboard, with the book open."""

    def __init__(self, settings: Settings, recorder: Recorder, *, as_json: bool) -> None:
        """Open for one command."""
        self.settings = settings
        self.recorder = recorder
        self.as_json = as_json
        self.units = measures_of(settings)

    def at_ms(self, text: str) -> int:
        """Return the instant of ``--at``, or end the command."""
        try:
            return when(text, self.recorder.now_ms, self.recorder.zone)
        except WhenError as error:
            fail(str(error), ExitCode.WRONG_INPUT)

    def what(self, kind: EntryKind | TransferName, lot: str, at_ms: int, **typed: object) -> What:
        """Return what was done from the options as typed; or end the command."""
        try:
            return what_was_typed(
                self.recorder,
                lot,
                kind,
                at_ms,
                Typed(typed, as_options=True, remark=remark, measures=self.units),
            )
        except TypedWrongError as error:
            fail(str(error), ExitCode.WRONG_INPUT)

    def take(
        self, lot: str, at_ms: int, what: What, despite: str | None = None, replaces: str | None = None
    ) -> Recorded:
        """Write an entry and confirm it in a line, or end the command saying why it is refused."""
        recorder = self.recorder
        entry = recorder.entry(lot, at_ms, what, despite)
        if replaces is not None:
            entry = replace(entry, replaces=replaces)
        try:
            recorded = recorder.write(entry)
        except RefusedError as error:
            refused(error, self.settings)
        self._confirm(recorded)
        return recorded

    def move_to(self, lot: str, entry: Entry, despite: str | None) -> None:
        """Write an entry into another lot's book, and confirm it, or end the command saying why it is refused."""
        try:
            self._confirm(self.recorder.move_to(lot, entry, despite))
        except RefusedError as error:
            refused(error, self.settings)

    def _confirm(self, recorded: Recorded) -> None:
        entry = recorded.entry
        if self.as_json:
            emit_json(recorded_json(recorded))
            return
        when_words = self.units.written(entry.at_ms)
        whose = "The cellar" if entry.lot == WHOLE_CELLAR else entry.lot
        say(f"{whose}, {when_words}: {what_was_done(entry.what, self.units)}")
        for compared in recorded.floats:
            for line in float_words(compared, entry.lot, self.units):
                say(line)
        for line in recorded.sensors:
            say(line)
        for caution in recorded.cautions:
            say(f"Caution: {caution}")
        self.say_next(entry.lot)
        which = f"--id {entry.id[:6]}" if entry.lot == WHOLE_CELLAR else repr(entry.lot)
        say(f"(entry {entry.id[:6]}; mustwatch record undo {which} undoes it)")

    def say_next(self, lot: str) -> None:
        """Say the next step of a lot, if there is one."""
        recorder = self.recorder
        history = recorder.history.lots.get(lot)
        if history is None:
            return
        steps = next_steps(
            history,
            recorder.profile(lot),
            recorder.now_ms,
            recorder.facts(lot),
            at_most=1,
            measures=self.units,
        )
        for step in steps:
            say(f"Next: {say_next(step, recorder.now_ms, self.units)}")


@contextmanager
def hand(*, as_json: bool = False) -> Iterator[Hand]:
    """Open the configuration, the store and the book for a recording command."""
    settings = settings_or_fail()
    with opened_store(settings, create=True) as store:
        yield Hand(settings, Recorder(store, settings, now_ms()), as_json=as_json)


def parsed(read: Callable[[str, str], float], name: str, text: str) -> float:
    """Return what a reader of ``cli.units`` makes of what was typed, or end the command."""
    try:
        return float(read(name, text))
    except (units.UnitError, OutOfRangeError) as error:
        fail(str(error), ExitCode.WRONG_INPUT)


def refused(error: RefusedError, settings: Settings) -> NoReturn:
    """Say each reason in a line, and what to do, and end the command.

    Raises:
        typer.Exit: always.
    """
    for refusal in error.refusals:
        remark(f"mustwatch: {refusal.line}")
    how = how_to_add(error.refusals[0], settings)
    if how is not None:
        remark(how)
    if all(r.kind is RefusalKind.GATE for r in error.refusals):
        remark('Nothing was written. If you know better: --despite "reason", which the book keeps.')
    raise typer.Exit(error.exit_code)


def how_to_add(refusal: Refusal, settings: Settings) -> str | None:
    """Return the command that adds what an entry names and the configuration lacks, or None."""
    if refusal.reason is Reason.UNKNOWN_VESSEL and refusal.about is not None:
        path = find_config(None) or "mustwatch.toml"
        lines = ("", "[[vessel]]", f"name = {quoted(refusal.about)}", 'kind = "carboy"', "litres = 23")
        text = " ".join(shlex.quote(line) for line in lines)
        return (
            f"To add it (with its own kind and litres):\n  printf '%s\\n' {text} >> {shlex.quote(str(path))}"
        )
    if refusal.reason is Reason.UNKNOWN_SENSOR:
        return (
            "To add it: mustwatch listen shows what arrives on the broker and proposes the [[sensor]] for it"
        )
    return None


def float_words(compared: Disagreement, lot: str, units_: Measures) -> list[str]:
    """Return what a check says of a float, and how to re-anchor it where it has drifted."""
    said = units_.gravity(compared.gravity_float, 4)

    def change(value: float, *, sign: bool = True) -> str:
        return units_.gravity_change(value, compared.gravity_check, 4, sign=sign)

    allowed = change(compared.allowed, sign=False)
    if not compared.is_adrift:
        return [
            f"{compared.sensor} says {said}: they agree ({change(compared.apart)}, up to {allowed} is allowed)"
        ]
    command = f"mustwatch record reanchor {lot!r} --sensor {compared.sensor!r}"
    return [
        f"{compared.sensor} says {said}: adrift by {change(compared.apart)}, more than the {allowed} both errors "
        "allow.",
        "  Gas lifts a hydrometer and foam a float: shake the sample, clean the float, dip again.",
        f"  If it stands: {command}",
        f"  then {change(-compared.apart)} is added to what {compared.sensor} says from this check on.",
    ]


def recorded_json(recorded: Recorded) -> dict[str, Any]:
    """Return what was written as one JSON object."""
    return {
        "entry": entry_to_json(recorded.entry),
        "cautions": list(recorded.cautions),
        "sensors": list(recorded.sensors),
        "floats": [
            {
                "sensor": f.sensor,
                "gravity_float": round(f.gravity_float, 5),
                "gravity_check": round(f.gravity_check, 5),
                "allowed": round(f.allowed, 5),
                "adrift": f.is_adrift,
                "reanchor_offset": round(f.offset, 5),
            }
            for f in recorded.floats
        ],
        "evaluated": recorded.is_evaluated,
    }
