"""What simulated sensors say: SenML, JSON of their own making, bare numbers."""

import json

import pytest

from mustsim.encode import Said, brix, json_object, number, payloads, senml_pack, time_value, topics
from mustsim.sensors import Sensor

AT = 1_789_804_984_107
SAID = Said(AT, {"gravity": 1.0495, "temperature": 19.0625, "battery": 4.053})


def test_a_pack_has_base_name_and_base_time_first_and_the_standards_units():
    """Source: RFC 8428 section 5.1, RFC 8428 table 12.1: units "/", "Cel", "V"."""
    records = json.loads(senml_pack("float-1", [SAID]))

    assert records == [
        {"bn": "float-1/", "bt": 1789804984.107, "n": "gravity", "u": "/", "v": 1.0495},
        {"n": "temperature", "u": "Cel", "v": 19.06},
        {"n": "battery", "u": "V", "v": 4.05},
    ]


def test_further_readings_in_a_pack_are_dated_from_the_base_time():
    """Source: RFC 8428 section 4.5.3: a record's time is added to the base time."""
    records = json.loads(senml_pack("f", [SAID, Said(AT + 900_250, {"gravity": 1.0490})]))

    assert records[-1] == {"n": "gravity", "u": "/", "v": 1.049, "t": 900.25}


def test_json_puts_each_quantity_where_its_path_says():
    fields = {
        "gravity": {"path": "data.0.sg", "unit": "SG"},
        "temperature": {"path": "data.1", "unit": "F"},
        "battery": {"path": "power.mv", "unit": "mV"},
        "time": {"path": "at", "unit": "iso"},
    }

    assert json.loads(json_object(fields, SAID)) == {
        "data": [{"sg": 1.0495}, 66.3],
        "power": {"mv": 4053},
        "at": "2026-09-19T08:03:04.107Z",
    }


def test_what_it_does_not_say_is_left_out():
    assert json.loads(json_object({"gravity": {"path": "sg"}, "inclination": {"path": "incline"}}, SAID)) == {
        "sg": 1.0495
    }


@pytest.mark.parametrize(
    ("unit", "value"), [("epoch_s", 1789804984), ("epoch_ms", AT), ("iso", "2026-09-19T08:03:04.107Z")]
)
def test_time_is_told_in_seconds_milliseconds_or_words(unit, value):
    assert time_value(AT, unit) == value


# (SG, °Bx). Source: NBS Circular 440, 10 °Bx = 1.04003; cubic fit, forward values.
@pytest.mark.parametrize(
    ("gravity", "degrees"), [(1.04003, 10.0), (1.050, 12.387), (1.080, 19.331), (1.110, 25.943)]
)
def test_brix_is_that_of_the_table(gravity, degrees):
    assert brix(gravity) == pytest.approx(degrees, abs=0.003)


def test_a_bare_number_is_nothing_but_a_number():
    assert number(1.0495, "SG") == b"1.0495"
    assert number(19.0625, "C") == b"19.06"


def test_bare_numbers_have_a_topic_each():
    sensor = Sensor("f", topic="a/b", form="number")

    assert topics(sensor, ["gravity", "temperature"]) == {
        "gravity": "a/b/gravity",
        "temperature": "a/b/temperature",
    }
    assert list(payloads(sensor, [Said(AT, {"temperature": 19.0})])) == [("a/b/temperature", b"19.0")]


def test_kelvin_radians_density_and_watts_in_decibels_are_what_they_should_be():
    fields = {
        "temperature": {"path": "k", "unit": "K"},
        "inclination": {"path": "r", "unit": "rad"},
        "gravity": {"path": "d", "unit": "kg/m3"},
        "signal": {"path": "s", "unit": "dBW"},
    }
    said = Said(AT, {"temperature": 20.0, "inclination": 45.0, "gravity": 1.0, "signal": -60.0})

    assert json.loads(json_object(fields, said)) == {"k": 293.15, "r": 0.7854, "d": 998.2, "s": -90}
