"""Decoders on whatever bytes. MUSTWATCH_FUZZ_EXAMPLES=100000 runs the long form; memory must stay flat."""

import gc
import json
import os
import tracemalloc

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder_samples import NOW_MS, SAMPLES, TOPIC
from mustwatch.cellar.reading import (
    BATTERY_RANGE_V,
    GRAVITY_RANGE,
    INCLINATION_RANGE_DEG,
    SIGNAL_RANGE_DBM,
    TEMPERATURE_RANGE_C,
    Reading,
)
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.ingest.decoders import DECODERS, Outcome, PartlyRejected, Rejected, RejectReason, decoder_for
from mustwatch.ingest.decoders.units import FUTURE_LIMIT_MS, NEWEST_MS, OLDEST_MS

EXAMPLES = int(os.environ.get("MUSTWATCH_FUZZ_EXAMPLES", "150"))
FLAT_WITHIN_BYTES = 512 * 1024

RANGES = (
    GRAVITY_RANGE,
    INCLINATION_RANGE_DEG,
    TEMPERATURE_RANGE_C,
    BATTERY_RANGE_V,
    SIGNAL_RANGE_DBM,
)

fuzz = settings(
    max_examples=EXAMPLES,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
each_decoder = pytest.mark.parametrize("name", sorted(DECODERS))

edge_numbers = st.sampled_from(
    [
        0,
        -1,
        1.05,
        0.95,
        1.2,
        20,
        60,
        -20,
        2**28,
        2**28 - 1,
        NOW_MS,
        NOW_MS / 1000,
        1e305,
        -1e308,
        10**400,
        5e-324,
    ]
)
numbers = st.one_of(
    edge_numbers, st.integers(), st.floats(allow_nan=True, allow_infinity=True), st.floats(0.94, 1.21)
)
scalars = st.one_of(
    numbers,
    st.none(),
    st.booleans(),
    st.text(max_size=20),
    numbers.map(str),
    st.sampled_from(["gravity", "temperature", "Cel", "/", "2026-09-21T14:13:20Z", "nan", "1,05"]),
)
keys = st.one_of(
    st.sampled_from(
        [
            "bn",
            "bt",
            "bu",
            "bv",
            "bs",
            "bver",
            "n",
            "u",
            "v",
            "vs",
            "vb",
            "vd",
            "s",
            "t",
            "ut",
            "x_",
            "a",
            "sg",
            "incline",
            "at",
            "b",
        ]
    ),
    st.text(max_size=6),
)
documents = st.recursive(
    scalars,
    lambda inner: st.one_of(st.lists(inner, max_size=5), st.dictionaries(keys, inner, max_size=6)),
    max_leaves=25,
)
packs = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "bn": st.sampled_from(["f:", "", "a/"]),
            "bt": numbers,
            "bu": st.sampled_from(["Cel", "/", "K", "V"]),
            "bv": numbers,
            "n": st.sampled_from(["gravity", "temperature", "battery", "inclination", "signal", "x"]),
            "u": st.sampled_from(["/", "Cel", "K", "V", "mV", "rad", "deg", "dBm", "dBW", "kg/m3", "/1000"]),
            "v": numbers,
            "t": numbers,
        },
    ),
    max_size=6,
)
maps = st.fixed_dictionaries(
    {},
    optional={
        "a": st.lists(st.fixed_dictionaries({"sg": scalars}), max_size=2),
        "incline": scalars,
        "t": scalars,
        "b": scalars,
        "s": scalars,
        "at": scalars,
    },
)
json_payloads = st.one_of(documents, packs, maps).map(lambda document: json.dumps(document).encode())
payloads = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")),
    json_payloads,
    st.floats().map(lambda number: str(number).encode()),
)


@st.composite
def spoiled(draw: st.DrawFn) -> bytes:
    """Draw a payload, mostly one that is nearly right, with some bytes changed, cut out or repeated."""
    payload = bytearray(
        draw(st.one_of(json_payloads, st.sampled_from([s.payload for s in SAMPLES.values()])))
    )
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(payload)))
        end = draw(st.integers(at, min(len(payload), at + 8)))
        payload[at:end] = draw(st.binary(max_size=8)) * draw(st.sampled_from([1, 1, 1, 50]))
    return bytes(payload)


def readings_in(outcome: Outcome) -> list[Reading]:
    if isinstance(outcome, Rejected):
        assert isinstance(outcome.reason, RejectReason)
        assert 0 < len(outcome.detail) < 400
        return []
    readings = outcome.readings if isinstance(outcome, PartlyRejected) else outcome
    assert readings, "an answer without a reading must be a refusal"
    return readings


@each_decoder
@fuzz
@given(payload=st.one_of(payloads, spoiled()), clock_can_judge=st.booleans())
def test_no_bytes_make_a_decoder_raise_or_say_what_cannot_be(
    name: str, payload: bytes, clock_can_judge: bool
) -> None:
    outcome = decoder_for(SAMPLES[name].sensor)(payload, TOPIC, NOW_MS, clock_can_judge)
    for reading in readings_in(outcome):
        assert reading.sensor == "f"
        assert reading.received_ms == NOW_MS
        latest_ms = NOW_MS + FUTURE_LIMIT_MS if clock_can_judge else NEWEST_MS
        assert OLDEST_MS <= reading.observed_ms <= latest_ms
        values = reading[3:8]
        assert any(value is not None for value in values)
        for value, (low, high) in zip(values, RANGES, strict=True):
            assert value is None or (type(value) is float and low <= value <= high)


@each_decoder
def test_memory_stays_flat_over_many_payloads(name: str) -> None:
    """Run the decoders over the same stream twice; what is still held afterwards must not have grown."""
    decode = decoder_for(SAMPLES[name].sensor)
    rounds = max(EXAMPLES, 2000)

    def run() -> None:
        for i in range(rounds):
            number = f"{i * 0.001:.3f}".encode()
            decode(SAMPLES[name].payload.replace(b"1.0525", number), f"cellar/{i}", NOW_MS + i)
            decode(SAMPLES[name].payload.replace(b"1.0525", number), TOPIC, NOW_MS + i)
            decode(b'{"key-%d": [' % i, TOPIC, NOW_MS)
            decode(b"\xff" * (i % 100), TOPIC, NOW_MS)

    run()
    gc.collect()
    tracemalloc.start()
    try:
        run()
        gc.collect()
        held_bytes, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held_bytes < FLAT_WITHIN_BYTES


@fuzz
@given(
    gravity=st.floats(*GRAVITY_RANGE),
    celsius=st.floats(*TEMPERATURE_RANGE_C),
    age_ms=st.integers(0, 10**9),
)
def test_what_json_says_is_what_is_read(gravity: float, celsius: float, age_ms: int) -> None:
    fields = (
        Field(Quantity.GRAVITY, "g", "SG"),
        Field(Quantity.TEMPERATURE, "c", "C"),
        Field(Quantity.TIME, "ms", "epoch_ms"),
    )
    decode = decoder_for(Sensor("f", SensorKind.FLOAT, "json", topic=TOPIC, fields=fields))
    payload = json.dumps({"g": gravity, "c": celsius, "ms": NOW_MS - age_ms}).encode()
    assert decode(payload, TOPIC, NOW_MS) == [
        Reading("f", NOW_MS - age_ms, NOW_MS, gravity, temperature_c=celsius)
    ]


@fuzz
@given(
    records=st.lists(st.tuples(st.integers(-(10**5), 0), st.floats(*GRAVITY_RANGE)), min_size=1, max_size=30)
)
def test_a_pack_of_many_instants_loses_none(records: list[tuple[int, float]]) -> None:
    by_second = dict(records)
    pack = [
        {"bn": "f:", "bt": NOW_MS // 1000, "n": "gravity", "u": "/", "t": t, "v": v}
        for t, v in by_second.items()
    ]
    outcome = decoder_for(SAMPLES["senml"].sensor)(json.dumps(pack).encode(), TOPIC, NOW_MS)
    assert isinstance(outcome, list)
    assert {(r.observed_ms, r.gravity) for r in outcome} == {
        (NOW_MS + 1000 * t, v) for t, v in by_second.items()
    }
