"""Payloads: what a sensor says, as SenML, as JSON of its own making, or as bare numbers.

Written from the standards, apart from the daemon's decoders: a mistake in one does not hide in the other.
Source: RFC 8428 (SenML, base name and base time), RFC 8798 (further units).
"""

import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple

from mustsim.sensors import Sensor

SENML: Final = {
    "gravity": ("gravity", "/"),
    "inclination": ("inclination", "deg"),
    "temperature": ("temperature", "Cel"),
    "battery": ("battery", "V"),
    "signal": ("signal", "dBm"),
}
PLAIN_FIELDS: Final[Mapping[str, Mapping[str, str]]] = {
    "gravity": {"path": "sg", "unit": "SG"},
    "inclination": {"path": "angle", "unit": "deg"},
    "temperature": {"path": "temp", "unit": "C"},
    "battery": {"path": "battery", "unit": "V"},
    "signal": {"path": "rssi", "unit": "dBm"},
    "time": {"path": "t", "unit": "epoch_s"},
}
DECIMALS: Final = {
    "SG": 4, "Bx": 2, "kg/m3": 1, "deg": 2, "rad": 5, "C": 2, "F": 1, "K": 2, "V": 2, "mV": 0, "dBm": 0, "dBW": 0,
}  # fmt: skip
DEFAULT_UNITS: Final = {
    "gravity": "SG", "inclination": "deg", "temperature": "C", "battery": "V", "signal": "dBm", "time": "iso",
}  # fmt: skip


class Said(NamedTuple):
    """What a sensor says at one instant, by quantity: SG, degrees, °C, V, dBm."""

    at_ms: int
    values: Mapping[str, float]


def topics(sensor: Sensor, quantities: list[str]) -> dict[str, str]:
    """Return the topic of each quantity: one for all, or with ``number`` one each."""
    if sensor.form == "number":
        return {q: f"{sensor.base_topic}/{q}" for q in quantities}
    return dict.fromkeys(quantities, sensor.base_topic)


def payloads(sensor: Sensor, said: list[Said]) -> Iterator[tuple[str, bytes]]:
    """Yield (topic, payload) for what is sent at one time: one statement, or (SenML) a pack of several."""
    if sensor.form == "senml":
        yield sensor.base_topic, senml_pack(sensor.id, said)
        return
    for one in said:
        if sensor.form == "json":
            yield sensor.base_topic, json_object(sensor.fields or PLAIN_FIELDS, one)
        else:
            for quantity, value in one.values.items():
                yield f"{sensor.base_topic}/{quantity}", number(value, DEFAULT_UNITS[quantity])


def senml_pack(sensor_id: str, said: list[Said]) -> bytes:
    """Return a SenML JSON pack: base name and base time first, later times relative to it.

    Source: RFC 8428 sections 4.1-4.3 and 5.1.
    """
    base_ms = said[0].at_ms
    records: list[dict[str, Any]] = []
    for one in said:
        for quantity, value in one.values.items():
            name, unit = SENML[quantity]
            record: dict[str, Any] = {"n": name, "u": unit, "v": _rounded(value, DEFAULT_UNITS[quantity])}
            if one.at_ms != base_ms:
                record["t"] = (one.at_ms - base_ms) / 1000.0
            records.append(record)
    records[0] = {"bn": f"{sensor_id}/", "bt": base_ms / 1000.0, **records[0]}
    return json.dumps(records, separators=(",", ":")).encode()


def json_object(fields: Mapping[str, Mapping[str, str]], said: Said) -> bytes:
    """Return a JSON document with each quantity where ``fields`` says, in its unit.

    A path is dotted; a number in it is a place in a list, as in ``data.0.temp``.
    """
    document: dict[str, Any] = {}
    for quantity, spec in fields.items():
        unit = spec.get("unit", DEFAULT_UNITS[quantity])
        if quantity == "time":
            _place(document, spec["path"], time_value(said.at_ms, unit))
        elif quantity in said.values:
            value = in_unit(said.values[quantity], quantity, unit)
            _place(document, spec["path"], _rounded(value, unit))
    return json.dumps(document, separators=(",", ":")).encode()


def number(value: float, unit: str) -> bytes:
    """Return a bare number."""
    return repr(_rounded(value, unit)).encode()


def time_value(at_ms: int, unit: str) -> float | int | str:
    """Return an instant as seconds (a whole number), milliseconds, or ISO 8601 in UTC."""
    if unit == "epoch_s":
        return round(at_ms / 1000.0)
    if unit == "epoch_ms":
        return at_ms
    return (
        datetime.fromtimestamp(at_ms / 1000.0, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    )


def in_unit(value: float, quantity: str, unit: str) -> float:
    """Return a value (SG, deg, °C, V, dBm) in another unit of its quantity."""
    if unit == "F":
        return value * 9.0 / 5.0 + 32.0
    if unit == "K":
        return value + 273.15
    if unit == "Bx":
        return brix(value)
    if unit == "kg/m3":
        return value * 998.2067
    if unit == "rad":
        return value * 0.017453292519943295
    if unit == "mV":
        return value * 1000.0
    if unit == "dBW":
        return value - 30.0
    return value


def brix(gravity: float) -> float:
    """Return °Brix of a gravity 20/20. Source: cubic fit to NBS Circular 440, residual 0.0009 °Bx."""
    return ((182.4601 * gravity - 775.6821) * gravity + 1262.7794) * gravity - 669.5622


def _rounded(value: float, unit: str) -> float | int:
    decimals = DECIMALS[unit]
    return round(value, decimals) if decimals else round(value)


def _place(document: dict[str, Any], path: str, value: Any) -> None:
    """Put a value where a dotted path says, making objects and lists on the way."""
    here: Any = document
    parts = path.split(".")
    for part, following in zip(parts, [*parts[1:], None], strict=True):
        key: Any = int(part) if isinstance(here, list) else part
        if isinstance(here, list):
            here.extend([None] * (key + 1 - len(here)))
        if following is None:
            here[key] = value
        else:
            made = here[key] if isinstance(here, list) else here.get(key)
            if made is None:
                made = here[key] = [] if following.isdigit() else {}
            here = made
