"""An entry of the book from what was typed, as options of a command or into a form: read, corrected to 20/20, and
filled from the sensors. Commands, pages and API all write through here, so that the same text means the same.

Texts carry their units (``68F``, ``6gal``, ``22Bx``, ``yesterday 18:30``); the fields have the names of the commands'
options.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from mustwatch.cellar.additions import GRAMS, Purpose, brings_sugar
from mustwatch.cellar.book import (
    Addition,
    Bottling,
    EntryKind,
    Measurement,
    Move,
    Note,
    Racking,
    Start,
    Tasting,
    What,
)
from mustwatch.cellar.hearing import put_in
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.must.bounds import OutOfRangeError
from mustwatch.must.density import gravity_20_from_reading
from mustwatch.recording import units
from mustwatch.recording.recorder import Offered, Recorder
from mustwatch.recording.when import WhenError, when

_AMOUNT = re.compile(rf"({units.NUMBER})\s*([^.,\d].*)?")
HONEY_SUGAR = 0.8
"""Share of honey that is sugar. Common practice, no source."""
LONGEST_TEXT = 8_000


class TypedWrongError(ValueError):
    """A field cannot be read; the text names it, its value and what was expected."""


def _unsaid(_: str) -> None:
    """Let a remark fall."""


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed: texts by the name of the field; an empty one counts as not given.

    Attributes:
        fields: the texts.
        as_options: faults name ``--yeast-low`` instead of ``yeast_low``.
        remark: told what was assumed, a line; ``measures``: how quantities are said in it.
    """

    fields: Mapping[str, Any]
    as_options: bool = False
    remark: Callable[[str], None] = _unsaid
    measures: Measures = PLAIN

    def called(self, name: str) -> str:
        """Return what a field is called where it was typed."""
        return f"--{name.replace('_', '-')}" if self.as_options else name

    def text(self, name: str) -> str | None:
        """Return a text, or None."""
        value = self.fields.get(name)
        if value is None or (isinstance(value, str) and not value.strip()):
            return None
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise TypedWrongError(f"{self.called(name)}: expected text or a number")
        text = str(value).strip()
        if len(text) > LONGEST_TEXT:
            raise TypedWrongError(
                f"{self.called(name)}: {len(text)} characters; expected {LONGEST_TEXT} at most"
            )
        return text

    def required(self, name: str, example: str) -> str:
        """Return a text that must be given."""
        text = self.text(name)
        if text is None:
            raise TypedWrongError(f"{self.called(name)}: missing; expected e.g. {example}")
        return text

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of texts, maybe empty."""
        value = self.fields.get(name) or ()
        if isinstance(value, str):
            value = (value,)
        if not isinstance(value, Sequence) or not all(isinstance(v, str) for v in value):
            raise TypedWrongError(f"{self.called(name)}: expected a list of names")
        return tuple(v for v in value if v)

    def by(self, read: Callable[[str, str], float], name: str) -> float | None:
        """Return what a reader of ``cli.units`` makes of a text, or None if there is none."""
        text = self.text(name)
        if text is None:
            return None
        return _read(read, self.called(name), text)

    def number(self, name: str) -> float | None:
        """Return a plain number, or None."""
        text = self.text(name)
        if text is None:
            return None
        try:
            return units.decimal(text)
        except ValueError:
            raise TypedWrongError(
                f"{self.called(name)} {text!r} is not a number; expected e.g. 3.4"
            ) from None

    def volume_or_none_at_all(self, name: str) -> float | None:
        """Return a volume in litres that may be zero."""
        is_none = re.fullmatch(r"0+([.,]0*)?\s*[Ll]?", self.text(name) or "")
        return 0.0 if is_none else self.by(units.volume_litres, name)


def _read(read: Callable[[str, str], float], name: str, text: str) -> float:
    try:
        return float(read(name, text))
    except (units.UnitError, OutOfRangeError) as error:
        raise TypedWrongError(str(error)) from None


def instant(recorder: Recorder, text: str | None) -> int:
    """Return when something was done, milliseconds since the epoch; nothing typed means now.

    Raises:
        TypedWrongError: it cannot be read.
    """
    try:
        return when(text or "now", recorder.now_ms, recorder.zone)
    except WhenError as error:
        raise TypedWrongError(str(error).removeprefix("--")) from None


def what_was_typed(recorder: Recorder, lot: str, kind: str, at_ms: int, typed: Typed) -> What:
    """Return what was done.

    Raises:
        TypedWrongError: of a kind that is not written so, or a field cannot be read.
    """
    makers: Mapping[str, Callable[[], What]] = {
        EntryKind.START: lambda: _start(typed, recorder, at_ms),
        EntryKind.MEASURE: lambda: _measurement(typed, recorder.offered(lot, at_ms)),
        EntryKind.RACK: lambda: _racking(typed, recorder, lot, at_ms),
        EntryKind.ADD: lambda: _addition(typed),
        EntryKind.NOTE: lambda: _note(typed, recorder, lot),
        EntryKind.TASTE: lambda: Tasting(typed.required("text", "ripe fruit, a little rough")),
        EntryKind.BOTTLE: lambda: _bottling(typed),
        EntryKind.MOVE: lambda: Move(typed.required("sensor", "float-1"), typed.required("to", "carboy")),
    }
    if kind not in makers:
        raise TypedWrongError(f"kind {kind!r} is not written here; expected one of {', '.join(makers)}")
    return makers[kind]()


@dataclass(frozen=True, slots=True)
class _Read:
    """A hydrometer reading: gravity 20/20, as read, °C, and the hydrometer's own temperature."""

    gravity: float | None
    as_read: float | None
    temperature_c: float | None
    calibrated_at_c: float


def _reading(typed: Typed, offered: Offered) -> _Read:
    """Return a reading corrected to 20/20; without its own temperature the sensors' serves, then the scale's."""
    scale_c = typed.by(units.temperature_c, "calibrated_at") or 20.0
    temperature_c = typed.by(units.temperature_c, "celsius")
    as_read = typed.by(units.gravity, "gravity")
    if as_read is None:
        return _Read(None, None, temperature_c, scale_c)
    if temperature_c is None and offered.temperature_c is not None:
        temperature_c = round(offered.temperature_c, 1)
        typed.remark(
            f"no {typed.called('celsius')}: {typed.measures.temperature(temperature_c)} from the sensors is taken for "
            "the sample's temperature"
        )
    elif temperature_c is None:
        typed.remark(
            f"no {typed.called('celsius')}: the gravity is taken as read at {typed.measures.temperature(scale_c)}; "
            "a warm sample shows too little"
        )
    at_c = scale_c if temperature_c is None else temperature_c
    try:
        corrected = gravity_20_from_reading(as_read, at_c, calibrated_at_c=scale_c)
    except OutOfRangeError as error:
        raise TypedWrongError(f"{typed.called('gravity')}: {error}") from None
    return _Read(round(corrected, 5), as_read, temperature_c, scale_c)


def _start(typed: Typed, recorder: Recorder, at_ms: int) -> Start:
    read = _reading(typed, Offered())
    vessel = typed.required("vessel", "bucket")
    named = typed.texts("floats")
    if not named and typed.fields.get("no_float") is not True:
        named = put_in(vessel, recorder.history, recorder.plan.sensors, at_ms)
    return Start(
        vessel=vessel,
        profile=typed.text("profile") or "default",
        gravity=read.gravity,
        temperature_c=read.temperature_c,
        litres=typed.by(units.volume_litres, "litres"),
        must=typed.text("must"),
        yeast=typed.text("yeast"),
        yeast_low_c=typed.by(units.temperature_c, "yeast_low"),
        yeast_high_c=typed.by(units.temperature_c, "yeast_high"),
        target_gravity=typed.by(units.gravity, "target_gravity"),
        gravity_as_read=read.as_read,
        calibrated_at_c=read.calibrated_at_c,
        floats=named,
    )


def _measurement(typed: Typed, offered: Offered) -> Measurement:
    read = _reading(typed, offered)
    return Measurement(
        gravity=read.gravity,
        temperature_c=read.temperature_c,
        gravity_as_read=read.as_read,
        calibrated_at_c=read.calibrated_at_c,
        ph=typed.number("ph"),
        free_so2_mg_per_l=typed.number("free_so2"),
    )


def _racking(typed: Typed, recorder: Recorder, lot: str, at_ms: int) -> Racking:
    offered = recorder.offered(lot, at_ms)
    read = _reading(typed, offered)
    history = recorder.history.lots.get(lot)
    by_sensors = read.gravity is None and offered.gravity is not None
    celsius_c = read.temperature_c
    if celsius_c is None and offered.temperature_c is not None:
        celsius_c = round(offered.temperature_c, 1)
    to_vessel = typed.required("to", "carboy")
    return Racking(
        to_vessel=to_vessel,
        from_vessel=typed.text("from") or (history.vessel_at(at_ms) if history is not None else None),
        gravity=round(offered.gravity, 4) if by_sensors and offered.gravity is not None else read.gravity,
        temperature_c=celsius_c,
        litres=typed.by(units.volume_litres, "litres"),
        headspace_litres=typed.volume_or_none_at_all("headspace"),
        lees_litres=typed.volume_or_none_at_all("lees"),
        floats=_going_along(typed, recorder, lot, to_vessel, at_ms),
        from_sensors=by_sensors,
        gravity_as_read=read.as_read,
        calibrated_at_c=read.calibrated_at_c,
    )


def _going_along(typed: Typed, recorder: Recorder, lot: str, to: str, at_ms: int) -> tuple[str, ...]:
    """Return the floats that go with the wine: those named, else all of its vessel unless one waits in the next.

    A form that shows the floats sends ``floats_shown``: then none ticked means none.
    """
    history = recorder.history.lots.get(lot)
    named = typed.texts("floats")
    if history is None or named or typed.fields.get("floats_shown") or typed.fields.get("no_float") is True:
        return named
    return () if recorder.floats_in(to, at_ms) else recorder.floats_with(history, at_ms)


def _addition(typed: Typed) -> Addition:
    what = typed.required("what", "sugar")
    number, unit = _amount("amount", typed.text("amount"))
    grown = typed.by(units.volume_litres, "litres")
    if grown is None and number is not None and unit.casefold() in ("l", "ml", "gal"):
        grown = _read(units.volume_litres, "amount", f"{number}{unit}")
    purpose = typed.text("purpose")
    if purpose is not None and purpose not in list(Purpose):
        raise TypedWrongError(f"purpose {purpose!r} is unknown; expected one of {', '.join(Purpose)}")
    sugar = typed.text("sugar")
    return Addition(
        what=what,
        amount=number,
        unit=unit or None,
        why=typed.text("why"),
        litres=grown,
        sugar_g=_sugar_g(what, number, unit) if sugar is None else _grams(typed.called("sugar"), sugar),
        purpose=purpose,
    )


def _amount(name: str, text: str | None) -> tuple[float | None, str]:
    if text is None:
        return None, ""
    match = _AMOUNT.fullmatch(text)
    if match is None:
        raise TypedWrongError(
            f"{name} {text!r} is not a number with a unit; expected e.g. 1.2g, 2L or '2 tsp'"
        )
    return units.decimal(match[1]), (match[2] or "").strip()


def _grams(name: str, text: str) -> float:
    number, unit = _amount(name, text)
    factor = GRAMS.get((unit or "g").casefold())
    if number is None or factor is None:
        raise TypedWrongError(f"{name} {text!r} is not a weight; expected e.g. 500g, 0.5kg or 1lb")
    return number * factor


def _sugar_g(what: str, number: float | None, unit: str) -> float | None:
    """Return the sugar that sugar or honey of a known weight brings; None where only the winemaker knows."""
    factor = GRAMS.get(unit.casefold())
    words = what.casefold()
    if number is None or factor is None or not brings_sugar(Addition(what)):
        return None
    if "honey" in words:
        return round(number * factor * HONEY_SUGAR, 1)
    return round(number * factor, 1) if "juice" not in words and "concentrate" not in words else None


def _note(typed: Typed, recorder: Recorder, lot: str) -> Note:
    step = typed.text("step")
    known = [s.id for s in recorder.profile(lot).steps]
    if step is not None and step not in known:
        raise TypedWrongError(
            f"step {step!r} is not in the lot's profile; expected one of {', '.join(known)}"
        )
    return Note(typed.required("text", "smells clean"), step)


def _bottling(typed: Typed) -> Bottling:
    bottles = typed.required("bottles", "28")
    if not (bottles.isascii() and bottles.isdigit() and len(bottles) < 7):
        raise TypedWrongError(f"bottles {bottles!r} is not a count; expected e.g. 28")
    return Bottling(int(bottles), typed.number("bottle_ml") or 750.0)
