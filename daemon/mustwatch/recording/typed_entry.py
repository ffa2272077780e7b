"""An entry of the book from what was typed, as options of a command or into a form: read, corrected to 20/20, and
filled from the sensors. Commands, pages and API all write through here, so that the same text means the same.

Texts carry their units (``68F``, ``6gal``, ``22Bx``, ``yesterday 18:30``); the fields have the names of the commands'
options.
"""

import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

from mustwatch.cellar.additions import GRAMS, Purpose, brings_sugar
from mustwatch.cellar.analysis import KINDS, Quantity
from mustwatch.cellar.book import (
    Act,
    Addition,
    Attended,
    BottleFate,
    BottlesTaken,
    Bottling,
    EntryKind,
    Malic,
    Malolactic,
    MalolacticState,
    Measurement,
    Move,
    Note,
    OwnReminder,
    Racking,
    Reanchor,
    StageChange,
    Start,
    Tasting,
    What,
)
from mustwatch.cellar.due import day_ms, day_of, how_done
from mustwatch.cellar.guidance import DIP
from mustwatch.cellar.hearing import put_in
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import iso
from mustwatch.cellar.profile import Stage
from mustwatch.must.density import gravity_20_from_reading
from mustwatch.recording import ahead, units
from mustwatch.recording.recorder import NothingToCompareError, Offered, Recorder
from mustwatch.recording.typed import ManyWrongError, Typed, TypedWrongError
from mustwatch.recording.typed_transfer import transfer_was_typed
from mustwatch.recording.when import WhenError, when

_AMOUNT = re.compile(rf"({units.NUMBER})\s*([^.,\d].*)?")
TRANSFERS = ("split", "blend", "top-up", "lose", "dump")
"""The kinds that are written as transfers. A racking into one vessel and a bottling have kinds of their own."""
HONEY_SUGAR = 0.8
"""Share of honey that is sugar. Common practice, no source."""


def instant(recorder: Recorder, text: str | None) -> int:
    """Return when something was done, milliseconds since the epoch; nothing typed means now.

    Raises:
        TypedWrongError: it cannot be read.
    """
    try:
        return when(text or "now", recorder.now_ms, recorder.zone)
    except WhenError as error:
        raise TypedWrongError(str(error).removeprefix("--"), "at") from None


def entry_typed(recorder: Recorder, lot: str, kind: str, at: str | None, typed: Typed) -> tuple[int, What]:
    """Return when something was done and what; a float agrees with a check from that check on, unless said otherwise.

    Raises:
        ManyWrongError: with every field that cannot be read: one by one, each as if those before it were right.
    """
    faults: list[TypedWrongError] = []
    at_ms = recorder.now_ms
    if kind == EntryKind.REANCHOR and at in (None, "now") and typed.fields.get("sensor"):
        with suppress(NothingToCompareError):
            at = iso(recorder.by_last_check(lot, str(typed.fields["sensor"])).at_ms)
    try:
        at_ms = instant(recorder, at)
    except TypedWrongError as fault:
        faults.append(fault)
    fields, what = dict(typed.fields), None
    while what is None:
        try:
            what = what_was_typed(recorder, lot, kind, at_ms, replace(typed, fields=fields))
        except TypedWrongError as fault:
            is_known = fault.field in {known.field for known in faults}
            if not is_known:
                faults.append(fault)
            if fault.field is None or (is_known and fault.example is None):
                break
            fields[fault.field] = fault.example
    if faults or what is None:
        raise ManyWrongError(faults)
    return at_ms, what


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
        EntryKind.MALOLACTIC: lambda: _malolactic(typed),
        EntryKind.BOTTLE: lambda: _bottling(typed, recorder),
        EntryKind.MOVE: lambda: _move(typed),
        EntryKind.STAGE: lambda: StageChange(Stage(typed.one_of("stage", Stage))),
        EntryKind.REANCHOR: lambda: _reanchor(typed, recorder, lot),
        EntryKind.STOCK: lambda: BottlesTaken(
            typed.required("bottling", "3f9c21"),
            _count(typed.called("bottles"), typed.text("bottles") or "1"),
            _fate(typed),
            typed.text("text"),
        ),
        EntryKind.REMIND: lambda: _reminder(typed, recorder),
        EntryKind.ATTEND: lambda: _attended(typed, recorder, lot),
    }
    if kind in TRANSFERS:
        return transfer_was_typed(recorder, lot, kind, at_ms, typed)
    if kind not in makers:
        known = ", ".join((*makers, *TRANSFERS))
        raise TypedWrongError(f"kind {kind!r} is not written here; expected one of {known}")
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
    with typed.at_fault("gravity"):
        corrected = gravity_20_from_reading(as_read, at_c, calibrated_at_c=scale_c)
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
        ph=_analysis(typed, Quantity.PH, units.BARE),
        free_so2_mg_per_l=_analysis(typed, Quantity.FREE_SO2, units.CONCENTRATION),
        total_so2_mg_per_l=_analysis(typed, Quantity.TOTAL_SO2, units.CONCENTRATION),
        titratable_acidity_g_per_l=_analysis(typed, Quantity.ACIDITY, units.GRAMS_PER_LITRE),
        malic=_malic(typed),
        yan_mg_per_l=_analysis(typed, Quantity.YAN, units.CONCENTRATION),
        residual_sugar_g_per_l=_analysis(typed, Quantity.RESIDUAL_SUGAR, units.GRAMS_PER_LITRE),
        method=typed.text("method"),
        error=typed.number("error"),
    )


def _analysis(typed: Typed, quantity: Quantity, known: Mapping[str, float]) -> float | None:
    expected = KINDS[quantity].example
    return typed.by(lambda name, text: units.quantity(name, text, expected, known), quantity.option)


def _malolactic(typed: Typed) -> Malolactic:
    said = typed.required("state", "begun").casefold()
    if said not in list(MalolacticState):
        raise TypedWrongError(
            f"{typed.called('state')} {said!r}: expected one of {', '.join(MalolacticState)}"
        )
    return Malolactic(MalolacticState(said))


def _malic(typed: Typed) -> Malic | None:
    said = typed.text(Quantity.MALIC.option)
    if said is not None and said.casefold() not in list(Malic):
        raise TypedWrongError(
            f"{typed.called('malic')} {said!r} is not what a test shows; expected one of {', '.join(Malic)}"
        )
    return None if said is None else Malic(said.casefold())


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
        from_vessel=typed.text("from") or _only_vessel(history, to_vessel, at_ms),
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


def _only_vessel(history: LotHistory | None, to: str, at_ms: int) -> str | None:
    """Return the vessel a lot is racked from if nobody says which: the one it is in; None means all of several."""
    vessels = () if history is None else history.vessels_at(at_ms)
    return vessels[0] if len(vessels) == 1 and vessels[0] != to else None


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
        with typed.at_fault("amount"):
            grown = units.volume_litres("amount", f"{number}{unit}")
    purpose = typed.text("purpose") and typed.one_of("purpose", Purpose)
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
            f"{name} {text!r} is not a number with a unit; expected e.g. 1.2g, 2L or '2 tsp'",
            name.removeprefix("--"),
        )
    return units.decimal(match[1]), (match[2] or "").strip()


def _grams(name: str, text: str) -> float:
    number, unit = _amount(name, text)
    factor = GRAMS.get((unit or "g").casefold())
    if number is None or factor is None:
        raise TypedWrongError(f"{name} {text!r} is not a weight; expected e.g. 500g, 0.5kg or 1lb", "sugar")
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
    known = [s.id for s in recorder.profile(lot).every_step]
    if step is not None and step not in known:
        raise TypedWrongError(
            f"step {step!r} is not in the lot's profile; expected one of {', '.join(known)}", "step"
        )
    return Note(typed.required("text", "smells clean"), step)


def _bottling(typed: Typed, recorder: Recorder) -> Bottling:
    return Bottling(
        _count(typed.called("bottles"), typed.required("bottles", "28")),
        typed.number("bottle_ml") or 750.0,
        in_part=typed.fields.get("in_part") in (True, "on"),
        from_vessel=typed.text("from"),
        closure=typed.text("closure"),
        sugar_g_per_l=typed.number("sugar_g_per_l"),
        drink_from=_day(typed, recorder, "drink_from"),
        drink_until=_day(typed, recorder, "drink_until"),
    )


def _count(name: str, text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 7):
        raise TypedWrongError(f"{name} {text!r} is not a count; expected e.g. 28", "bottles")
    return int(text)


def _fate(typed: Typed) -> BottleFate:
    fate = typed.required("fate", "opened")
    if fate not in list(BottleFate):
        raise TypedWrongError(f"fate {fate!r} is unknown; expected one of {', '.join(BottleFate)}")
    return BottleFate(fate)


def _day(typed: Typed, recorder: Recorder, name: str) -> str | None:
    text = typed.text(name)
    if text is None:
        return None
    try:
        return ahead.day_ahead(typed.called(name), text, day_of(recorder.now_ms, recorder.zone)).isoformat()
    except ValueError as error:
        raise TypedWrongError(str(error), name) from None


def _reminder(typed: Typed, recorder: Recorder) -> OwnReminder:
    today = day_of(recorder.now_ms, recorder.zone)
    on, every = typed.text("on"), typed.text("every")
    if on is None and every is None:
        raise TypedWrongError(
            f"when? expected {typed.called('on')} {ahead.DAY_EXPECTED}, or {typed.called('every')}"
        )
    try:
        span = None if every is None else ahead.span(typed.called("every"), every)
        first = ahead.day_ahead(typed.called("on"), f"in {every}" if on is None else on, today)
    except ValueError as error:
        raise TypedWrongError(str(error)) from None
    return OwnReminder(typed.required("text", "taste it"), first.isoformat(), span)


def _attended(typed: Typed, recorder: Recorder, lot: str) -> Attended:
    """Return what became of a thing that is due; what the book itself shows as done is not merely said to be."""
    item, act, until = typed.required("item", "airlock"), typed.required("act", "done"), typed.text("until")
    if act not in list(Act):
        raise TypedWrongError(f"act {act!r} is unknown; expected one of {', '.join(Act)}")
    step = recorder.profile(lot).step(item) if lot in recorder.history.lots else None
    reminders = {e.id for e in recorder.entries if isinstance(e.what, OwnReminder) and e.lot == lot}
    if step is None and item != DIP and item not in reminders:
        raise TypedWrongError(f"{item!r} is no step, round or reminder of {lot!r}")
    done_by = EntryKind.MEASURE if item == DIP else step.done_by if step is not None else None
    if act == Act.DONE and done_by not in (None, EntryKind.NOTE):
        raise TypedWrongError(
            f"{item!r} is done by what the book shows ({done_by}): {how_done(lot, str(done_by))}"
        )
    if until is None:
        return Attended(item, Act(act))
    try:
        day = ahead.day_ahead(typed.called("until"), until, day_of(recorder.now_ms, recorder.zone))
    except ValueError as error:
        raise TypedWrongError(str(error)) from None
    return Attended(item, Act(act), day_ms(day, recorder.zone))


def _move(typed: Typed) -> Move:
    sensor = typed.required("sensor", "float-1")
    return Move(sensor, None if typed.fields.get("out") else typed.required("to", "carboy"))


def _reanchor(typed: Typed, recorder: Recorder, lot: str) -> Reanchor:
    """Return a float's new offset: as typed, else what makes it agree with the last check."""
    sensor = typed.required("sensor", "float-1")
    offset = typed.by(lambda name, text: units.quantity(name, text, "e.g. -0.004", units.BARE), "offset")
    if offset is None:
        try:
            offset = recorder.by_last_check(lot, sensor).offset
        except NothingToCompareError as error:
            raise TypedWrongError(str(error), "sensor") from None
    return Reanchor(sensor, round(offset, 5))
