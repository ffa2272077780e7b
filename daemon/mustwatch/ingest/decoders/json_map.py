"""The ``json`` decoder: a field map says where in the payload each quantity stands, and in which unit."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Field, Quantity, Sensor
from mustwatch.ingest.decoders.json_text import json_of
from mustwatch.ingest.decoders.outcome import (
    Decode,
    Outcome,
    Refusal,
    Rejected,
    RejectReason,
    UnfitSensorError,
)
from mustwatch.ingest.decoders.units import EMPTY, OLDEST_MS, TIMES, Scale, checked_time, read, scale_for

_SENSOR: Final = Stamp.SENSOR
_ARRIVAL: Final = Stamp.ARRIVAL

_new: Final = tuple.__new__
"""Makes a named tuple of values known to be of the right number, at a third of its own maker's cost."""

Find = Callable[[Any], Any]


class _Time(NamedTuple):
    """Where the time is found and how it is read; ``name`` and ``find`` as for a ``_Slot``."""

    name: str | None
    find: Find
    read: Callable[[object], int]


class _Slot(NamedTuple):
    """Where a quantity is found and how it is read.

    Attributes:
        name: the key of an object, where that is all of the path; else None, and ``find`` finds it.
        low, high: what is taken as it comes, without a conversion.
    """

    name: str | None
    find: Find
    scale: Scale
    position: int
    low: float
    high: float


def compile_json_map(sensor: Sensor) -> Decode:
    """Return the decoder of a sensor's field map, the map compiled once.

    A quantity that is absent or ``null`` is not read; one that is there and wrong refuses the whole payload,
    since a sensor that errs in one thing is not to be believed in another. Without a time (absent, ``null`` or
    not mapped) the reading is stamped on arrival.

    Raises:
        UnfitSensorError: the field map is empty, or names a path or unit that cannot be.
    """
    sensor_id = sensor.id
    time, slots = _compiled(sensor)
    time_name, find_time, read_time = time if time is not None else _Time(None, _nothing, _no_time)
    expected = ", ".join(field.path for field in sensor.fields if field.quantity is not Quantity.TIME)

    def decode(payload: bytes, topic: str, received_ms: int, clock_can_judge: bool = True, /) -> Outcome:
        try:
            document = json_of(payload)
            get = document.get if type(document) is dict else _nothing
            values = list(EMPTY)
            nothing = True
            for name, find, scale, position, low, high in slots:
                value = find(document) if name is None else get(name)
                if value is not None:
                    # What `read` would say of the ordinary case, without the call.
                    is_plain = type(value) is float and low <= value <= high
                    values[position] = value if is_plain else read(scale, value)
                    nothing = False
            if nothing:
                return Rejected(RejectReason.NOTHING_KNOWN, f"none of the mapped fields is there: {expected}")
            said = find_time(document) if time_name is None else get(time_name)
            if said is not None:
                observed_ms = read_time(said)
                if not OLDEST_MS <= observed_ms <= received_ms:
                    checked_time(observed_ms, received_ms, clock_can_judge)
                return [_new(Reading, (sensor_id, observed_ms, received_ms, *values, _SENSOR))]
            return [_new(Reading, (sensor_id, received_ms, received_ms, *values, _ARRIVAL))]
        except Refusal as refusal:
            return refusal.rejected

    return decode


def _compiled(sensor: Sensor) -> tuple[_Time | None, tuple[_Slot, ...]]:
    time: _Time | None = None
    slots: list[_Slot] = []
    for field in sensor.fields:
        find = finder(field.path)
        name = field.path if _is_key(field.path) else None
        if field.quantity is Quantity.TIME:
            time = _Time(name, find, _time_reader(field))
        else:
            scale = scale_for(field.quantity, field.unit)
            low, high = (scale.low, scale.high) if scale.convert is None else (1.0, 0.0)
            slots.append(_Slot(name, find, scale, scale.position, low, high))
    if not slots:
        raise UnfitSensorError(
            f"sensor {sensor.id}: no fields; expected where in the payload a quantity stands"
        )
    return time, tuple(slots)


def _time_reader(field: Field) -> Callable[[object], int]:
    try:
        return TIMES[field.unit]
    except KeyError:
        raise UnfitSensorError(f"time in {field.unit!r}; expected one of {', '.join(TIMES)}") from None


def _is_key(path: str) -> bool:
    return "." not in path and not path.isdecimal()


def _nothing(of: Any) -> None:
    return None


def _no_time(said: object) -> int:
    raise AssertionError("no time is mapped, so none is found")


def finder(path: str) -> Find:
    """Return a function that finds what stands at a dotted path, or None; list positions are numbers.

    Raises:
        UnfitSensorError: the path is empty or has an empty step.
    """
    steps = path.split(".")
    if not all(steps):
        raise UnfitSensorError(f"path {path!r}; expected names joined by dots, e.g. data.0.temp")
    if _is_key(path):
        return lambda document: document.get(path) if type(document) is dict else None
    keyed = tuple((step, int(step) if step.isascii() and step.isdecimal() else None) for step in steps)

    def find(document: Any) -> Any:
        found = document
        for name, index in keyed:
            if type(found) is dict:
                found = found.get(name)
            elif type(found) is list and index is not None and index < len(found):
                found = found[index]
            else:
                return None
        return found

    return find
