"""Bare numbers, one quantity per topic."""

import pytest

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.ingest.decoders import Rejected, RejectReason, decoder_for

NOW_MS = 1_790_000_000_000
GRAVITY, TEMPERATURE = "cellar/f/gravity", "cellar/f/fahrenheit"

SENSOR = Sensor(
    "f",
    SensorKind.FLOAT,
    "number",
    topics={GRAVITY: Field(Quantity.GRAVITY, "", "SG"), TEMPERATURE: Field(Quantity.TEMPERATURE, "", "F")},
)
DECODE = decoder_for(SENSOR)


def test_the_topic_says_which_quantity_a_number_is() -> None:
    assert DECODE(b"1.0525", GRAVITY, NOW_MS) == [
        Reading("f", NOW_MS, NOW_MS, gravity=1.0525, stamp=Stamp.ARRIVAL)
    ]
    assert DECODE(b"68", TEMPERATURE, NOW_MS) == [
        Reading("f", NOW_MS, NOW_MS, temperature_c=pytest.approx(20.0), stamp=Stamp.ARRIVAL)  # type: ignore[arg-type]
    ]


@pytest.mark.parametrize("payload", [b"1.05", b" 1.05\r\n", b"+1.05", b"1.05e0", b"1.0500"])
def test_a_plain_number_may_have_white_space_around_it(payload: bytes) -> None:
    outcome = DECODE(payload, GRAVITY, NOW_MS)
    assert isinstance(outcome, list)
    assert outcome[0].gravity == 1.05


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", RejectReason.NOT_A_NUMBER),
        (b"1.05 SG", RejectReason.NOT_A_NUMBER),
        (b"1,05", RejectReason.NOT_A_NUMBER),
        (b'"1.05"', RejectReason.NOT_A_NUMBER),
        (b"true", RejectReason.NOT_A_NUMBER),
        (b"1.05\x00", RejectReason.NOT_A_NUMBER),
        (b"1" * 100, RejectReason.NOT_A_NUMBER),
        (b"unavailable", RejectReason.NOT_A_NUMBER),
        (b"nan", RejectReason.NOT_FINITE),
        (b"-inf", RejectReason.NOT_FINITE),
        (b"1e999", RejectReason.NOT_FINITE),
        (b"1.3", RejectReason.OUT_OF_RANGE),
        (b"0", RejectReason.OUT_OF_RANGE),
        (b"\xff\xfe", RejectReason.NOT_UTF8),
        (b"1" * 70_000, RejectReason.TOO_LARGE),
    ],
)
def test_anything_else_is_refused_with_its_reason(payload: bytes, reason: RejectReason) -> None:
    outcome = DECODE(payload, GRAVITY, NOW_MS)
    assert isinstance(outcome, Rejected)
    assert outcome.reason is reason


def test_a_topic_that_is_none_of_the_sensors_is_refused() -> None:
    outcome = DECODE(b"1.05", "cellar/f/other", NOW_MS)
    assert isinstance(outcome, Rejected)
    assert outcome.reason is RejectReason.UNKNOWN_TOPIC


def test_a_sensor_without_topics_or_with_a_time_among_them_is_a_configuration_error() -> None:
    with pytest.raises(ValueError, match="no topics"):
        decoder_for(Sensor("f", SensorKind.PROBE, "number", topic="t"))
    timed = Sensor("f", SensorKind.PROBE, "number", topics={"t": Field(Quantity.TIME, "", "iso")})
    with pytest.raises(ValueError, match="time"):
        decoder_for(timed)
