"""For every decoder a sensor, a topic, a payload it reads and the reading in it; and bytes that no decoder likes."""

import json
from typing import NamedTuple

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind

NOW_MS = 1_790_000_000_000
TOPIC = "cellar/f"


class Sample(NamedTuple):
    """A sensor, what it may send, and what that says."""

    sensor: Sensor
    payload: bytes
    reading: Reading


SAMPLES = {
    "senml": Sample(
        Sensor("f", SensorKind.FLOAT, "senml", topic=TOPIC),
        b'[{"bn":"f:","n":"gravity","u":"/","v":1.0525},{"n":"temperature","u":"Cel","v":19.5}]',
        Reading("f", NOW_MS, NOW_MS, 1.0525, None, 19.5, stamp=Stamp.ARRIVAL),
    ),
    "json": Sample(
        Sensor(
            "f",
            SensorKind.FLOAT,
            "json",
            topic=TOPIC,
            fields=(
                Field(Quantity.GRAVITY, "a.0.sg", "SG"),
                Field(Quantity.INCLINATION, "incline", "rad"),
                Field(Quantity.TEMPERATURE, "t", "F"),
                Field(Quantity.BATTERY, "b", "mV"),
                Field(Quantity.SIGNAL, "s", "dBW"),
                Field(Quantity.TIME, "at", "epoch_s"),
            ),
        ),
        b'{"a":[{"sg":1.0525}],"b":3700}',
        Reading("f", NOW_MS, NOW_MS, 1.0525, battery_v=3.7, stamp=Stamp.ARRIVAL),
    ),
    "number": Sample(
        Sensor("f", SensorKind.FLOAT, "number", topics={TOPIC: Field(Quantity.GRAVITY, "", "SG")}),
        b"1.0525",
        Reading("f", NOW_MS, NOW_MS, 1.0525, stamp=Stamp.ARRIVAL),
    ),
}

HOSTILE = (
    b"",
    b"\x00",
    b"\xff" * 100,
    b"\xed\xa0\x80",
    b"nan",
    b"Infinity",
    b"[" * 65_536,
    b'{"a":' * 12_000,
    b"[" * 65_537,
    b"9" * 65_536,
    b'"' * 65_536,
    b'"' + b"\\" * 65_000,
    b"\\" * 65_000 + b'"',
    b'["' + b'\\"' * 32_000,
    b"{" + b"[]," * 20_000,
    b" " * 65_536,
    b"1" + b"0" * 4_400,
    b"[1e400]",
    json.dumps([{"n": "gravity", "t": t} for t in (1e308, -1e308, 2**28, -(2**28), 1e305)]).encode(),
    json.dumps([{"bt": 1e308, "t": 1e308, "n": "gravity", "v": 10**400}]).encode(),
    json.dumps({"a": [{"sg": 10**400}], "at": 1e305}).encode(),
    json.dumps({"a": [{"sg": 1.05}], "at": -1e305}).encode(),
    json.dumps({"incline": 1e308, "t": 1e308, "b": -1e308, "s": 1e308}).encode(),
)
