"""The book's entries in plain words, for confirmations, the terminal and the printed page."""

from mustwatch.cellar.additions import Purpose, purpose_of
from mustwatch.cellar.analysis import KINDS, quantities_of, value_words
from mustwatch.cellar.book import (
    Act,
    Addition,
    Attended,
    BottlesTaken,
    Bottling,
    Fate,
    Malolactic,
    Measurement,
    Move,
    Note,
    OwnReminder,
    Pour,
    Racking,
    Reanchor,
    StageChange,
    Start,
    Tasting,
    Told,
    Transfer,
    TransferName,
    What,
)
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.told import Parted, RackedApart, WineAdded


def gravity_words(gravity: float | None, units: Measures) -> str | None:
    """Return a gravity 20/20 as the book says it, or None."""
    return None if gravity is None else units.gravity(gravity, 4)


def _reading(what: Start | Measurement | Racking, units: Measures, *, in_words: bool) -> list[str]:
    """Return gravity (and as read, where that differs) and temperature; only the as-read part beside columns."""
    parts: list[str] = []
    gravity = gravity_words(what.gravity, units)
    as_read = what.gravity_as_read
    is_corrected = as_read is not None and what.gravity is not None and abs(as_read - what.gravity) >= 0.00005
    scale = (
        "" if what.calibrated_at_c == 20.0 else f" by a {units.temperature(what.calibrated_at_c)} hydrometer"
    )
    shown = f"{units.gravity(as_read, 4)} as read{scale}" if is_corrected and as_read is not None else ""
    if gravity is not None and in_words:
        parts.append(f"gravity {gravity}" + (f" ({shown})" if shown else ""))
    elif shown:
        parts.append(shown)
    if what.temperature_c is not None and in_words:
        parts.append(units.temperature(what.temperature_c))
    if isinstance(what, Racking) and what.from_sensors:
        if in_words and parts:
            parts[-1] += " (from the sensors)"
        elif not in_words:
            parts.append("gravity from the sensors")
    return parts


def _start(what: Start, units: Measures, in_words: bool) -> str:
    parts = [f"began in {what.vessel}"]
    parts += [units.volume(what.litres)] if what.litres is not None else []
    parts += [f"of {what.must}"] if what.must else []
    parts += _reading(what, units, in_words=in_words)
    parts += [f"yeast {what.yeast}"] if what.yeast else []
    band = ["…" if c is None else units.temperature(c) for c in (what.yeast_low_c, what.yeast_high_c)]
    if what.yeast_low_c is not None or what.yeast_high_c is not None:
        parts.append(f"the yeast's band {band[0]} to {band[1]}")
    target = gravity_words(what.target_gravity, units)
    parts += [f"to end at {target}"] if target else []
    parts += [f"with {', '.join(what.floats)}"] if what.floats else []
    return ", ".join(parts) + f", profile {what.profile}"


def _measurement(what: Measurement, units: Measures, in_words: bool) -> str:
    parts = _reading(what, units, in_words=in_words)
    analysed = list(quantities_of(what))
    parts += [f"{KINDS[q].words} {value_words(q, value, what.error)}" for q, value in analysed]
    done = "measured" if analysed and what.gravity is None else "checked by hand"
    method = f" (by {what.method})" if what.method else ""
    return ": ".join([done, ", ".join(parts)]) + method if parts else done


def _racking(what: Racking, units: Measures, in_words: bool) -> str:
    origin = f"from {what.from_vessel} " if what.from_vessel else ""
    parts = [f"racked {origin}to {what.to_vessel}"]
    parts += [units.volume(what.litres)] if what.litres is not None else []
    parts += _reading(what, units, in_words=in_words)
    parts += (
        [f"{units.volume(what.headspace_litres)} of headspace"] if what.headspace_litres is not None else []
    )
    parts += [f"{units.volume(what.lees_litres)} of lees left behind"] if what.lees_litres is not None else []
    parts += [f"{', '.join(what.floats)} went along"] if what.floats else []
    return ", ".join(parts)


def _addition(what: Addition, units: Measures) -> str:
    amount = amount_words(what)
    words = f"added {amount + ' ' if amount else ''}{what.what}"
    if what.why:
        words += f": {what.why}"
    if what.litres is not None and what.unit not in ("L", "mL", "l", "ml"):
        words += f" (+{units.volume(what.litres)})"
    purpose = purpose_of(what)
    return words if purpose is Purpose.OTHER or what.purpose is None else f"{words} [{purpose}]"


def amount_words(what: Addition) -> str:
    """Return an addition's amount with its unit, or nothing."""
    if what.amount is None:
        return ""
    return f"{what.amount:g} {what.unit}".strip() if what.unit else f"{what.amount:g}"


ACTS = {Act.DONE: "done", Act.PUT_OFF: "put off", Act.DROPPED: "dropped"}


def span_words(every: str) -> str:
    """Return an ISO 8601 duration of one unit in words: ``P6W`` is ``6 weeks``, ``P1Y`` is ``year``."""
    count = int(every[1:-1])
    unit = {"D": "day", "W": "week", "M": "month", "Y": "year"}[every[-1]]
    return unit if count == 1 else f"{count} {unit}s"


DONE = {
    TransferName.RACK: "racked",
    TransferName.SPLIT: "split",
    TransferName.BLEND: "blended",
    TransferName.TOP_UP: "topped up",
    TransferName.LOSE: "lost",
    TransferName.DUMP: "poured away",
}
"""What a transfer did, in the past tense."""


def transfer_words(what: Transfer | Told) -> str:
    """Return a transfer in one line: each pour with its litres, from where and where to."""
    if isinstance(what, Parted):
        into = ", ".join(f"{_volume(p.litres)} in {p.to_vessel}" for p in what.pours)
        return f"began with a part of {what.parent}: {into}"
    if not what.pours:
        return f"{_volume(what.litres)} left of its parent" if isinstance(what, Told) else str(what.name)
    said = ", ".join(_pour(pour, what) for pour in what.pours if pour.litres != 0.0)
    why = f": {what.why}" if isinstance(what, Transfer) and what.why else ""
    return f"{DONE[what.name]}: {said}{why}" if said else DONE[what.name] + why


def _pour(pour: Pour, what: Transfer | Told) -> str:
    whose = f" of {pour.lot}" if isinstance(what, Transfer) and pour.to_lot is not None else ""
    if pour.litres is None and pour.fate is Fate.UNEXPLAINED:
        return f"{pour.vessel} is empty then"
    if pour.to_vessel is None:
        return f"{_volume(pour.litres)}{whose} {pour.fate.value} from {pour.vessel}"
    becomes = f" as {pour.to_lot}" if pour.to_lot is not None else ""
    floats = f" with {' and '.join(pour.floats)}" if pour.floats else ""
    return f"{_volume(pour.litres)}{whose} from {pour.vessel} to {pour.to_vessel}{becomes}{floats}"


def _volume(litres: float | None) -> str:
    return "the rest" if litres is None else f"{litres:.4g} L"


def what_was_done(what: What, units: Measures = PLAIN, *, in_words: bool = True) -> str:
    """Return an entry in one line of plain words, in the past tense.

    Args:
        what: what was done.
        units: how the cellar's owner likes numbers.
        in_words: with gravity and temperature; False where those stand in columns of their own.
    """
    if isinstance(what, Start):
        return _start(what, units, in_words)
    if isinstance(what, Measurement):
        return _measurement(what, units, in_words)
    if isinstance(what, RackedApart):
        return transfer_words(Told(TransferName.RACK, what.pours))
    if isinstance(what, Racking):
        return _racking(what, units, in_words)
    if isinstance(what, WineAdded):
        into = " and ".join(dict.fromkeys(p.to_vessel for p in what.pours if p.to_vessel))
        return f"{_volume(what.litres)} {what.what} came in{f', in {into}' if into else ''}"
    if isinstance(what, Addition):
        return _addition(what, units)
    if isinstance(what, Note):
        return what.text + (f" [{what.step}]" if what.step else "")
    if isinstance(what, Tasting):
        return f"tasted: {what.text}"
    if isinstance(what, Bottling):
        size = what.bottle_ml / 1000.0
        drink = [
            f"{word} {day}" for word, day in (("from", what.drink_from), ("until", what.drink_until)) if day
        ]
        more = [what.closure] if what.closure else []
        more += [f"{what.sugar_g_per_l:g} g/L of sugar"] if what.sugar_g_per_l is not None else []
        more += [f"to drink {' '.join(drink)}"] if drink else []
        filled = (
            f"bottled {what.bottles} bottles of {units.volume(size)} ({units.volume(what.bottles * size)})"
        )
        where = [f"from {what.from_vessel}"] if what.from_vessel else []
        rest = ["the rest stays"] if what.in_part else []
        return ", ".join([filled, *where, *rest, *more])
    if isinstance(what, Transfer | Told):
        return transfer_words(what)
    if isinstance(what, Move):
        return (
            f"{what.sensor} taken out"
            if what.to_vessel is None
            else f"{what.sensor} put into {what.to_vessel}"
        )
    if isinstance(what, Reanchor):
        offset = units.gravity_change(what.offset, digits=4, sign=True)
        return f"{what.sensor} re-anchored: {offset} of gravity from here on"
    if isinstance(what, Malolactic):
        return f"malolactic ferment {what.state}"
    if isinstance(what, BottlesTaken):
        bottles = "a bottle" if what.bottles == 1 else f"{what.bottles} bottles"
        return f"{bottles} {what.fate}" + (f": {what.text}" if what.text else "")
    if isinstance(what, OwnReminder):
        again = f", every {span_words(what.every)}" if what.every else ""
        return f"to be reminded on {what.on}{again}: {what.text}"
    if isinstance(what, Attended):
        until = "" if what.until_ms is None else f" until {units.day(what.until_ms)}"
        return f"{ACTS[what.act]}{until} [{what.item}]"
    assert isinstance(what, StageChange)  # noqa: S101 (every kind is named above)
    return f"said to be {what.stage}"
