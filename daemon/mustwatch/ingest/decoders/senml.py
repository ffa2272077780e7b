"""The ``senml`` decoder: Sensor Measurement Lists in JSON, with the quantities a cellar reads.

Source: RFC 8428 (records, base fields, resolution, time, units) and RFC 8798 (secondary units: mV, dBm).
"""

from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Quantity, Sensor
from mustwatch.ingest.decoders.json_text import json_of
from mustwatch.ingest.decoders.outcome import (
    Decode,
    Outcome,
    PartlyRejected,
    Refusal,
    Rejected,
    RejectReason,
    shown,
)
from mustwatch.ingest.decoders.units import (
    EMPTY,
    Convert,
    Scale,
    celsius_from_kelvin,
    checked_time,
    dbm_from_dbw,
    degrees_from_radians,
    gravity_from_density,
    number_from,
    read,
    scale,
    volts_from_millivolts,
)

VERSION: Final = 10
"""The version of SenML understood. Source: RFC 8428 section 4.4."""
ABSOLUTE_FROM_S: Final = float(2**28)
"""Times below are relative to now, from here on they are since the epoch. Source: RFC 8428 section 4.5.3."""

_BASE_LABELS: Final = frozenset(("bn", "bt", "bu", "bv", "bs", "bver"))
_VALUE_LABELS: Final = frozenset(("v", "vs", "vb", "vd"))
_KNOWN_LABELS: Final = _BASE_LABELS | _VALUE_LABELS | {"n", "u", "t", "ut", "s"}

_SENSOR: Final = Stamp.SENSOR
_ARRIVAL: Final = Stamp.ARRIVAL

_UNITS: Final[Mapping[Quantity, Mapping[str, Convert | None]]] = {
    Quantity.GRAVITY: {
        "/": None,
        "/100": lambda hundredths: hundredths / 100.0,
        "/1000": lambda thousandths: thousandths / 1000.0,
        "kg/m3": gravity_from_density,
    },
    Quantity.INCLINATION: {"rad": degrees_from_radians, "deg": None},
    Quantity.TEMPERATURE: {"Cel": None, "K": celsius_from_kelvin},
    Quantity.BATTERY: {"V": None, "mV": volts_from_millivolts},
    Quantity.SIGNAL: {"dBW": dbm_from_dbw, "dBm": None},
}
_ASSUMED: Final = {Quantity.GRAVITY: "/", Quantity.TEMPERATURE: "Cel", Quantity.BATTERY: "V"}
"""A record without a unit is taken so, as no other unit could be in range; an angle or a signal must say."""

_SCALES: Final[Mapping[tuple[str, str], Scale]] = {
    (quantity.value, unit): scale(quantity, unit, convert)
    for quantity, units in _UNITS.items()
    for unit, convert in units.items()
} | {(quantity.value, ""): scale(quantity, unit, None) for quantity, unit in _ASSUMED.items()}
_NAMES: Final = frozenset(quantity.value for quantity in _UNITS)


class Record(NamedTuple):
    """A record with the base fields worked in (RFC 8428 section 4.6), its value still unchecked.

    The resolved name is ``base_name + own_name``, the resolved value ``base_value + value``; an empty unit is none.
    """

    base_name: str
    own_name: str
    unit: str
    time_s: float
    value: object
    base_value: float


class Base(NamedTuple):
    """The base fields in force, ``bn``, ``bu``, ``bt`` and ``bv``; an empty unit is none."""

    name: str = ""
    unit: str = ""
    time_s: float = 0.0
    value: float = 0.0


_NO_BASE: Final = Base()

Instants = dict[tuple[bool, int], list[tuple[str, Record]]]
"""What was measured, by instant: whether its time is absolute, and milliseconds since the epoch or since arrival."""


def compile_senml(sensor: Sensor) -> Decode:
    """Return the SenML decoder of a sensor.

    Records of one instant make one reading. Records of other names are ignored; a pack without any known name
    is refused, as is one with a label that must be understood and is not. An instant with a value that cannot
    be is refused, and the pack's other instants stand.
    """
    sensor_id = sensor.id

    def decode(payload: bytes, topic: str, received_ms: int, clock_can_judge: bool = True, /) -> Outcome:
        try:
            instants = _by_instant(json_of(payload))
        except Refusal as refusal:
            return refusal.rejected
        readings: list[Reading] = []
        refused: Rejected | None = None
        for (is_absolute, time_ms), records in instants.items():
            try:
                observed_ms = time_ms if is_absolute else received_ms + time_ms
                checked_time(observed_ms, received_ms, clock_can_judge)
                stamp = _SENSOR if is_absolute else _ARRIVAL
                readings.append(
                    Reading._make((sensor_id, observed_ms, received_ms, *_values(records), stamp))
                )
            except Refusal as refusal:
                refused = refused or refusal.rejected
        if refused is None:
            return readings
        return PartlyRejected(readings, refused) if readings else refused

    return decode


def _values(records: list[tuple[str, Record]]) -> list[float | None]:
    values = list(EMPTY)
    for name, record in records:
        by = _SCALES.get((name, record.unit))
        if by is None:
            raise _wrong_unit(name, record.unit)
        if values[by.position] is not None:
            raise Refusal(RejectReason.WRONG_SHAPE, f"{name} stands twice at one instant; expected it once")
        value = _number(name, record.value)
        values[by.position] = read(by, value + record.base_value if record.base_value else value)
    return values


def _by_instant(pack: object) -> Instants:
    """Group the records of known names by time."""
    instants: Instants = {}
    for record in resolve(pack):
        name = _known_name(record.base_name, record.own_name)
        if name is not None:
            time_ms = record.time_s * 1000.0
            if time_ms - time_ms != 0.0:
                raise Refusal(RejectReason.NOT_FINITE, "a record's time is infinite; expected seconds")
            key = record.time_s >= ABSOLUTE_FROM_S, round(time_ms)
            instants.setdefault(key, []).append((name, record))
    if not instants:
        raise Refusal(RejectReason.NOTHING_KNOWN, f"no value named {', '.join(sorted(_NAMES))}")
    return instants


def resolve(pack: object) -> Iterator[Record]:
    """Yield a pack's records that have a value, with the base fields worked in.

    Raises:
        Refusal: it is no pack, or of a later version, or has a label that must be understood and is not.

    Source: RFC 8428 sections 4.1 to 4.6.
    """
    if type(pack) is not list or not pack:
        raise Refusal(RejectReason.WRONG_SHAPE, "not a SenML pack; expected a list of records")
    base = _NO_BASE
    for record in pack:
        if type(record) is not dict:
            raise Refusal(RejectReason.WRONG_SHAPE, f"a record is {shown(record)}; expected an object")
        if not record.keys() <= _KNOWN_LABELS:
            _refuse_must_understand(record)
        if not _BASE_LABELS.isdisjoint(record):
            base = _base_from(record, base)
        if not _VALUE_LABELS.isdisjoint(record):
            own_name = _text(record, "n", "")
            unit = _text(record, "u", base.unit)
            time_s = base.time_s + _number("t", record["t"]) if "t" in record else base.time_s
            yield Record(base.name, own_name, unit, time_s, record.get("v"), base.value)


def _refuse_must_understand(record: dict[str, object]) -> None:
    """Source: RFC 8428 section 4.4: a label that ends with "_" and is not understood voids the pack."""
    for label in record:
        if label.endswith("_"):
            raise Refusal(RejectReason.NOT_UNDERSTOOD, f"label {shown(label)} must be understood and is not")


def _base_from(record: dict[str, object], before: Base) -> Base:
    """Return the base in force from this record on: each field holds until the next record that has it."""
    version = record.get("bver", VERSION)
    if type(version) is not int or not 0 < version <= VERSION:
        raise Refusal(RejectReason.NOT_UNDERSTOOD, f"bver is {shown(version)}; expected at most {VERSION}")
    return Base(
        name=_text(record, "bn", before.name),
        unit=_text(record, "bu", before.unit),
        time_s=_number("bt", record.get("bt", before.time_s)),
        value=_number("bv", record.get("bv", before.value)),
    )


def _known_name(base_name: str, name: str) -> str | None:
    """Return the quantity a resolved name ends with ("urn:dev:ow:10e2073a01080063:gravity"), or None."""
    if name in _NAMES:
        return name
    resolved = base_name + name
    last = resolved.rsplit("/", 1)[-1].rsplit(":", 1)[-1]
    if last not in _NAMES and resolved.startswith("urn:dev:"):
        last = last.rsplit("_", 1)[-1]  # RFC 9039 section 3: a component of the device follows an underscore
    return last if last in _NAMES else None


def _text(record: dict[str, object], label: str, default: str) -> str:
    value = record.get(label, default)
    if type(value) is not str:
        raise Refusal(RejectReason.WRONG_SHAPE, f"{label} is {shown(value)}; expected a string")
    return value


def _number(name: str, value: object) -> float:
    """Return a number; unlike the field map's, SenML's are never strings (RFC 8428 section 4.3: vs is)."""
    if type(value) is str:
        raise Refusal(RejectReason.NOT_A_NUMBER, f"{name} is {shown(value)}; expected a number")
    return number_from(name, value)


def _wrong_unit(name: str, unit: str) -> Refusal:
    known = ", ".join(unit for of, unit in _SCALES if of == name and unit)
    said = "has no unit" if not unit else f"is in {shown(unit)}"
    return Refusal(RejectReason.WRONG_UNIT, f"{name} {said}; expected {known}")
