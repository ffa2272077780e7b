"""What every decoder owes, whichever. A new one is taken up by being in the registry; it must bring a sample."""

import time

import pytest

from decoder_samples import HOSTILE, NOW_MS, SAMPLES, TOPIC
from mustwatch.cellar.reading import GRAVITY_RANGE, Reading, Stamp
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.config.sensor_settings import UNITS, SensorSettings
from mustwatch.ingest.decoders import (
    DECODERS,
    MAX_PAYLOAD_BYTES,
    PartlyRejected,
    Rejected,
    RejectReason,
    decoder_for,
)
from mustwatch.ingest.decoders.units import CONVERSIONS, TIMES

each_decoder = pytest.mark.parametrize("name", sorted(DECODERS))


@each_decoder
def test_it_reads_its_sample(name: str) -> None:
    sample = SAMPLES[name]
    outcome = decoder_for(sample.sensor)(sample.payload, TOPIC, NOW_MS)
    assert outcome == [sample.reading]
    assert type(outcome[0]) is Reading


@each_decoder
def test_it_answers_whatever_the_bytes_and_says_why_in_one_line(name: str) -> None:
    decode = decoder_for(SAMPLES[name].sensor)
    for payload in HOSTILE:
        outcome = decode(payload, TOPIC, NOW_MS)
        assert isinstance(outcome, Rejected), payload[:40]
        assert isinstance(outcome.reason, RejectReason)
        assert 0 < len(outcome.detail) < 300
        assert "\n" not in outcome.detail


@each_decoder
def test_hostile_bytes_of_the_greatest_length_take_no_time_to_speak_of(name: str) -> None:
    # A scan that is quadratic in the length would take minutes for 64 KiB; linear ones take milliseconds.
    decode = decoder_for(SAMPLES[name].sensor)
    for payload in HOSTILE:
        began = time.process_time()
        decode(payload, TOPIC, NOW_MS)
        assert time.process_time() - began < 10.0, payload[:40]


@each_decoder
def test_a_payload_over_the_limit_is_refused_unread(name: str) -> None:
    sample = SAMPLES[name]
    padding = b" " * (MAX_PAYLOAD_BYTES - len(sample.payload))
    decode = decoder_for(sample.sensor)
    assert isinstance(decode(sample.payload + padding, TOPIC, NOW_MS), list)
    over = decode(sample.payload + padding + b" ", TOPIC, NOW_MS)
    assert isinstance(over, Rejected)
    assert over.reason is RejectReason.TOO_LARGE


@each_decoder
def test_it_says_the_same_of_the_same_bytes(name: str) -> None:
    sample = SAMPLES[name]
    one, other = decoder_for(sample.sensor), decoder_for(sample.sensor)
    for payload in (sample.payload, *HOSTILE):
        assert one(payload, TOPIC, NOW_MS) == other(payload, TOPIC, NOW_MS) == one(payload, TOPIC, NOW_MS)


@each_decoder
def test_a_reading_without_a_time_of_its_own_is_stamped_on_arrival(name: str) -> None:
    sample = SAMPLES[name]
    outcome = decoder_for(sample.sensor)(sample.payload, TOPIC, NOW_MS + 7)
    assert isinstance(outcome, list)
    assert (outcome[0].observed_ms, outcome[0].received_ms) == (NOW_MS + 7, NOW_MS + 7)
    assert outcome[0].stamp is Stamp.ARRIVAL


@each_decoder
def test_every_gravity_it_lets_through_is_one_of_wine(name: str) -> None:
    sample = SAMPLES[name]
    decode = decoder_for(sample.sensor)
    for thousandths in range(0, 2000, 7):
        said = f"{thousandths / 1000}".encode()
        outcome = decode(sample.payload.replace(b"1.0525", said), TOPIC, NOW_MS)
        is_wine = GRAVITY_RANGE[0] <= thousandths / 1000 <= GRAVITY_RANGE[1]
        assert isinstance(outcome, list) == is_wine
        assert not isinstance(outcome, PartlyRejected)


def test_an_unknown_decoder_is_a_configuration_error_naming_those_there_are() -> None:
    with pytest.raises(ValueError, match="one of senml, json, number"):
        decoder_for(Sensor("f", SensorKind.FLOAT, "xml", topic="t"))


def test_the_configuration_offers_exactly_the_decoders_there_are() -> None:
    offered = SensorSettings.model_fields["decoder"].annotation
    assert set(offered.__args__) == set(DECODERS)  # type: ignore[union-attr]


def test_the_configuration_offers_exactly_the_units_that_are_read() -> None:
    read = {quantity.value: set(units) for quantity, units in CONVERSIONS.items()} | {"time": set(TIMES)}
    assert {quantity: set(units) for quantity, units in UNITS.items()} == read
    for quantity, units in UNITS.items():
        for unit in units:
            fields = (Field(Quantity(quantity), "x", unit), Field(Quantity.BATTERY, "b", "V"))
            decoder_for(Sensor("f", SensorKind.FLOAT, "json", topic="t", fields=fields))
