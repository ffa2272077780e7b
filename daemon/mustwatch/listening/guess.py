"""What a payload nobody has described may be: SenML, JSON with plausible fields, or a bare number. Pure.

Guessed from what anybody would call a quantity and from what wine can show, never from one maker's format. A guess is
only made where the decoder it names reads the very payloads that were heard; what is unsure is remarked on.
"""

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple

from mustwatch.cellar.sensor import Field, Quantity

MOST_FIELDS: Final = 200
MOST_DEPTH: Final = 8
"""How much of a payload is looked at: a float says a handful of things."""


class Guess(NamedTuple):
    """How payloads may be read.

    Attributes:
        decoder: ``senml``, ``json`` or ``number``.
        fields: quantity, path and unit, for ``json``; for ``number`` one, its path empty; none for ``senml``.
        remarks: what is unsure or left out, one line each.
    """

    decoder: str
    fields: tuple[Field, ...] = ()
    remarks: tuple[str, ...] = ()


class _Kind(NamedTuple):
    """What a quantity is called, and in which unit a number of a given size would be."""

    quantity: Quantity
    names: frozenset[str]
    units: tuple[tuple[str, float, float], ...]


_KINDS: Final = (
    _Kind(
        Quantity.GRAVITY,
        frozenset({"gravity", "sg", "density", "dens", "rho", "brix", "bx"}),
        (("SG", 0.95, 1.2), ("kg/m3", 950.0, 1200.0)),
    ),
    _Kind(
        Quantity.INCLINATION,
        frozenset({"inclination", "incl", "incline", "angle", "pitch"}),
        (("deg", -180.0, 180.0),),
    ),
    _Kind(
        Quantity.TEMPERATURE,
        frozenset({"temperature", "temp", "celsius", "fahrenheit", "kelvin", "tc", "tf"}),
        (("C", -15.0, 45.0), ("F", 45.0, 115.0), ("K", 255.0, 320.0)),
    ),
    _Kind(
        Quantity.BATTERY,
        frozenset({"battery", "batt", "bat", "vbat", "vbatt", "voltage", "volt", "volts", "vcc"}),
        (("V", 0.8, 30.0), ("mV", 800.0, 30_000.0)),
    ),
    _Kind(Quantity.SIGNAL, frozenset({"rssi", "signal", "dbm"}), (("dBm", -140.0, -1.0),)),
)
"""Ranges: what a cellar shows, with room on both sides (common practice). Fahrenheit begins where no must is in °C."""

_TIME_NAMES: Final = frozenset({"time", "timestamp", "ts", "datetime", "date", "at", "epoch", "utc", "when"})
_UNIT_WORDS: Final = {
    Quantity.GRAVITY: {"brix": "Bx", "bx": "Bx"},
    Quantity.INCLINATION: {"rad": "rad", "radian": "rad", "radians": "rad", "deg": "deg"},
    Quantity.TEMPERATURE: {
        **dict.fromkeys(("c", "celsius", "tc", "degc"), "C"),
        **dict.fromkeys(("f", "fahrenheit", "tf", "degf"), "F"),
        **dict.fromkeys(("k", "kelvin"), "K"),
    },
    Quantity.BATTERY: {"mv": "mV", "millivolts": "mV"},
}
"""Words beside a quantity's name that say the unit."""
_BRIX: Final = (-5.0, 50.0)
_RADIANS: Final = 3.2
_WORD: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
_NUMBER: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


class _Found(NamedTuple):
    field: Field
    score: int
    remark: str = ""


def words_of(name: str) -> tuple[str, ...]:
    """Return the words in a name, small: ``batteryVoltage_mV`` has battery, voltage, m, v and mv."""
    return tuple(
        word.lower()
        for part in re.split(r"[^A-Za-z0-9]+", name)
        for word in (*_WORD.findall(part), part)
        if word
    )


def guess(payloads: Sequence[bytes], topic: str = "") -> Guess | None:
    """Return how the payloads heard on one topic may be read, or None if nothing in them is known.

    Args:
        payloads: one or more, as they came.
        topic: its words tell what a bare number is.
    """
    documents = [document for payload in payloads for document in _documents(payload)]
    if not documents or len(documents) < len(payloads):
        return None
    if all(isinstance(document, list) for document in documents):
        return Guess("senml") if all(_is_senml(document) for document in documents) else None
    if all(isinstance(document, dict) for document in documents):
        return _from_objects(documents)
    if all(_is_number(document) for document in documents):
        return _from_numbers([float(document) for document in documents], topic)
    return None


def _documents(payload: bytes) -> Iterator[Any]:
    try:
        text = payload.decode().strip()
        yield float(text) if _NUMBER.fullmatch(text) else json.loads(text)
    except (ValueError, RecursionError):
        return


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_senml(document: object) -> bool:
    return (
        isinstance(document, list)
        and bool(document)
        and all(isinstance(record, dict) for record in document)
        and any(
            {"n", "bn"} & record.keys() and {"v", "bv", "vs", "vb", "bu", "u"} & record.keys()
            for record in document
        )
    )


def _from_objects(documents: Sequence[Mapping[str, Any]]) -> Guess | None:
    leaves = _leaves_of_all(documents)
    found: list[_Found] = []
    remarks: list[str] = []
    for kind in _KINDS:
        candidates = [
            one for path, values in leaves.items() if (one := _measure(kind, path, values)) is not None
        ]
        best = max(candidates, key=lambda c: c.score, default=None)
        if best is not None and best.score > 0:
            found.append(best)
        remarks.extend(c.remark for c in candidates if c.remark and (c is best or c.score == 0))
    if not any(
        f.field.quantity in (Quantity.GRAVITY, Quantity.INCLINATION, Quantity.TEMPERATURE) for f in found
    ):
        return None
    instant = next(
        (time for path, values in leaves.items() if (time := _time(path, values)) is not None), None
    )
    if instant is not None:
        found += [instant] if instant.score else []
        remarks += [instant.remark] if instant.remark else []
    return Guess("json", tuple(f.field for f in found), tuple(remarks))


def _leaves_of_all(documents: Sequence[Mapping[str, Any]]) -> dict[str, list[Any]]:
    leaves: dict[str, list[Any]] = {}
    for document in documents:
        for path, value in _leaves(document, "", 0):
            if path in leaves or len(leaves) < MOST_FIELDS:
                leaves.setdefault(path, []).append(value)
    return leaves


def _leaves(value: Any, path: str, depth: int) -> Iterator[tuple[str, Any]]:
    if depth > MOST_DEPTH:
        return
    items: Iterable[tuple[str, Any]]
    if isinstance(value, dict):
        items = ((name, inner) for name, inner in value.items() if name and "." not in name)
    elif isinstance(value, list):
        items = ((str(i), inner) for i, inner in enumerate(value[:20]))
    else:
        if value is not None:
            yield path, value
        return
    for name, inner in items:
        yield from _leaves(inner, f"{path}.{name}" if path else name, depth + 1)


def _numbers(values: Iterable[Any]) -> list[float] | None:
    numbers: list[float] = []
    for value in values:
        is_text = isinstance(value, str) and len(value) <= 40 and _NUMBER.fullmatch(value.strip())
        if _is_number(value) or is_text:
            numbers.append(float(value))
        else:
            return None
    return numbers


def _measure(kind: _Kind, path: str, values: Sequence[Any]) -> _Found | None:
    """Return what a leaf is as one quantity; of score 0 if it has the name but cannot be taken."""
    steps = path.split(".")
    last, all_words = words_of(steps[-1]), {word for step in steps for word in words_of(step)}
    named = 3 if kind.names & set(last) else 2 if kind.names & all_words else 0
    if not named or all_words & _DERIVED:
        return None
    numbers = _numbers(values)
    if not numbers:
        return None
    unit, remark = _unit(kind, path, all_words, numbers)
    is_whole_name = steps[-1].lower() in kind.names
    return _Found(Field(kind.quantity, path, unit or ""), named + is_whole_name if unit else 0, remark)


_DERIVED: Final = frozenset(
    {"unit", "units", "interval", "count", "offset", "target", "setpoint", "status", "id", "og"}
)
"""Words that make of a quantity's name something else: a setting, a unit, a value somebody entered."""


def _unit(kind: _Kind, path: str, words: set[str], numbers: Sequence[float]) -> tuple[str | None, str]:
    """Return the unit that numbers called so are in, None if none fits, and a remark if it is unsure."""
    quantity, low, high = kind.quantity, min(numbers), max(numbers)
    told = next((unit for word, unit in _UNIT_WORDS.get(quantity, {}).items() if word in words), None)
    if told == "Bx":
        return ("Bx", "") if _BRIX[0] <= low <= high <= _BRIX[1] else (None, "")
    if told is not None:
        return told, ""
    fits = next((unit for unit, least, most in kind.units if least <= low <= high <= most), None)
    if quantity is Quantity.BATTERY and (fits is None or words & {"percent", "pct", "level", "soc"}):
        return (
            None,
            f"{path}: looks like a percentage; only volts can be taken, so it is left out"
            if high <= 100
            else "",
        )
    if fits == "kg/m3" and "density" not in words and "rho" not in words:
        return (
            fits,
            f"{path}: taken as kg/m³; if it is gravity times 1000, it reads 0.002 too high: have it sent as 1.050",
        )
    if quantity is Quantity.INCLINATION and max(abs(low), abs(high)) <= _RADIANS:
        return fits, f'{path}: taken as degrees; a float that says radians needs unit = "rad"'
    if fits is None:
        return None, f"{path}: {numbers[0]:g} is nothing a wine shows as {quantity}, so it is left out"
    return fits, ""


def _time(path: str, values: Sequence[Any]) -> _Found | None:
    if not _TIME_NAMES & set(words_of(path.split(".")[-1])):
        return None
    value = values[0]
    if isinstance(value, str):
        try:
            instant = datetime.fromisoformat(value)
        except ValueError:
            instant = None
        if instant is not None and instant.tzinfo is not None:
            return _Found(Field(Quantity.TIME, path, "iso"), 1)
        if instant is not None:
            return _Found(
                Field(Quantity.TIME, path, ""),
                0,
                f"{path}: a time without its offset from UTC; stamped on arrival instead",
            )
    numbers = _numbers(values)
    if not numbers:
        return None
    for unit, least in (("epoch_s", 1.5e9), ("epoch_ms", 1.5e12)):
        if least <= min(numbers) <= max(numbers) < least * 4:
            return _Found(Field(Quantity.TIME, path, unit), 1)
    return None


def _from_numbers(numbers: Sequence[float], topic: str) -> Guess | None:
    """Return what bare numbers are: by the topic's words, else by what they can be."""
    last, *_ = [*reversed(topic.split("/")), ""]
    for words in (set(words_of(last)), set(words_of(topic))):
        for kind in _KINDS:
            if kind.names & words:
                unit, remark = _unit(kind, topic, words, numbers)
                if unit is not None:
                    return Guess("number", (Field(kind.quantity, "", unit),), (remark,) if remark else ())
    low, high = min(numbers), max(numbers)
    if 0.98 <= low <= high <= 1.2 and any(round(n, 2) != n for n in numbers):
        return Guess(
            "number", (Field(Quantity.GRAVITY, "", "SG"),), (f"{topic}: taken for a gravity by its size",)
        )
    if -15.0 <= low <= high <= 45.0:
        return Guess(
            "number", (Field(Quantity.TEMPERATURE, "", "C"),), (f"{topic}: taken for °C by its size",)
        )
    return None
