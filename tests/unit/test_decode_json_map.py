"""JSON by a field map."""

import json
from typing import Any

import pytest

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.ingest.decoders import Decode, Rejected, RejectReason, decoder_for
from mustwatch.ingest.decoders.json_map import finder

NOW_MS = 1_790_000_000_000  # 2026-09-21T14:13:20Z
NOW_S = NOW_MS // 1000


def decoder(**fields: tuple[str, str]) -> Decode:
    mapped = tuple(Field(Quantity(name), path, unit) for name, (path, unit) in fields.items())
    return decoder_for(Sensor("f", SensorKind.FLOAT, "json", topic="t", fields=mapped))


USUAL = decoder(gravity=("sg", "SG"), temperature=("temp", "C"), time=("at", "iso"))


def reading_of(decode: Decode, document: object) -> Reading:
    outcome = decode(json.dumps(document).encode(), "t", NOW_MS)
    assert isinstance(outcome, list), outcome
    assert len(outcome) == 1
    return outcome[0]


def refused(decode: Decode, document: object) -> RejectReason:
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    outcome = decode(payload, "t", NOW_MS)
    assert isinstance(outcome, Rejected), outcome
    return outcome.reason


def test_mapped_fields_make_a_reading() -> None:
    document = {"sg": 1.0525, "temp": 19.5, "at": "2026-09-21T16:13:00+02:00", "name": "anything"}
    assert reading_of(USUAL, document) == Reading("f", NOW_MS - 20_000, NOW_MS, 1.0525, None, 19.5)


def test_fields_are_found_at_any_depth_and_in_lists() -> None:
    decode = decoder(gravity=("data.0.sg", "SG"), battery=("status.power.volts", "V"))
    reading = reading_of(decode, {"data": [{"sg": 1.05}, {"sg": 1.06}], "status": {"power": {"volts": 3.7}}})
    assert (reading.gravity, reading.battery_v) == (1.05, 3.7)


def test_a_number_in_a_path_is_a_position_in_a_list_and_a_name_in_an_object() -> None:
    find = finder("a.1")
    assert find({"a": [1, 2]}) == 2
    assert find({"a": {"1": 3}}) == 3
    assert find({"a": [1]}) is None
    assert finder("0")([5]) == 5
    assert finder("0")({"0": 6}) == 6
    assert finder("name")([5]) is None


@pytest.mark.parametrize("path", ["", ".", "a..b", "a.", ".a"])
def test_a_path_with_an_empty_step_is_a_configuration_error(path: str) -> None:
    with pytest.raises(ValueError, match="path"):
        finder(path)


def test_absent_and_null_quantities_are_simply_not_read() -> None:
    reading = reading_of(USUAL, {"sg": 1.05, "temp": None})
    assert (reading.gravity, reading.temperature_c) == (1.05, None)


def test_a_payload_with_none_of_the_fields_is_refused_naming_them() -> None:
    outcome = USUAL(b'{"gravity": 1.05, "at": "2026-09-21T16:13:00+02:00"}', "t", NOW_MS)
    assert isinstance(outcome, Rejected)
    assert outcome.reason is RejectReason.NOTHING_KNOWN
    assert "sg, temp" in outcome.detail


def test_one_wrong_quantity_refuses_the_whole_reading() -> None:
    # 85 °C is what a common probe shows when it has not measured yet: its gravity is then suspect as well
    assert refused(USUAL, {"sg": 1.05, "temp": 85.0}) is RejectReason.OUT_OF_RANGE


# --- numbers ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [1.05, "1.05", " 1.050\n", "+1.05", "1.05e0", "105e-2"])
def test_a_plain_number_is_read_also_from_a_string(value: object) -> None:
    assert reading_of(USUAL, {"sg": value}).gravity == 1.05


def test_a_whole_number_is_a_number() -> None:
    assert reading_of(USUAL, {"sg": 1, "temp": 20}).temperature_c == 20.0


@pytest.mark.parametrize(
    "value",
    [
        True,
        False,
        [],
        {},
        [1.05],
        "",
        " ",
        "1,050",
        "1.05 SG",
        "0x1",
        "1_05",
        "1.0.5",
        "١",
        "1" * 33,
        "--1",
        ".",
    ],
)
def test_what_is_no_plain_number_is_refused(value: object) -> None:
    # a decimal comma could mean either of two gravities; Python's own reading of numbers is far too generous
    assert refused(USUAL, {"sg": value}) is RejectReason.NOT_A_NUMBER


@pytest.mark.parametrize(
    "payload",
    [
        b'{"sg": NaN}',
        b'{"sg": Infinity}',
        b'{"sg": -Infinity}',
        b'{"sg": 1e999}',
        b'{"sg": "NaN"}',
        b'{"sg": "inf"}',
        b'{"sg": "-Infinity"}',
        b'{"sg": "1e999"}',
        b'{"sg": 1' + b"0" * 400 + b"}",
        b'{"sg": 1.05, "note": NaN}',
    ],
)
def test_what_is_not_finite_is_refused(payload: bytes) -> None:
    assert refused(USUAL, payload) is RejectReason.NOT_FINITE


@pytest.mark.parametrize("gravity", [0.95, 0.9875, 1.0, 1.12, 1.20])
def test_the_range_of_gravity_includes_its_ends(gravity: float) -> None:
    assert reading_of(USUAL, {"sg": gravity}).gravity == gravity


@pytest.mark.parametrize("gravity", [0.949999, 1.200001, 0, -1.05, 1050, 105, 21.5])
def test_no_wine_has_another_gravity(gravity: float) -> None:
    assert refused(USUAL, {"sg": gravity}) is RejectReason.OUT_OF_RANGE


@pytest.mark.parametrize("temperature", [-20.001, 60.001, -127, 85, 300])
def test_no_cellar_has_another_temperature(temperature: float) -> None:
    assert refused(USUAL, {"temp": temperature}) is RejectReason.OUT_OF_RANGE


# --- units -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("quantity", "unit", "value", "field", "expected", "within"),
    [
        ("temperature", "C", 20.5, "temperature_c", 20.5, 0.0),
        (
            "temperature",
            "F",
            68.0,
            "temperature_c",
            20.0,
            1e-9,
        ),  # by definition 32 °F = 0 °C, 212 °F = 100 °C
        ("temperature", "F", 32.0, "temperature_c", 0.0, 0.0),
        ("temperature", "K", 293.15, "temperature_c", 20.0, 1e-9),  # 0 °C = 273.15 K by definition
        ("gravity", "SG", 1.05, "gravity", 1.05, 0.0),
        # sucrose tables, true density 20/20 by ICUMSA SPS-4; NBS Circular 440 differs in the fifth decimal
        ("gravity", "Bx", 10.0, "gravity", 1.03998, 1e-5),
        ("gravity", "Bx", 22.0, "gravity", 1.09189, 1e-5),
        ("gravity", "Bx", 0.0, "gravity", 1.0, 1e-9),
        (
            "gravity",
            "Bx",
            -2.0,
            "gravity",
            0.9923,
            1e-4,
        ),  # apparent, in wine; own evaluation of the same formula
        ("gravity", "kg/m3", 998.2067, "gravity", 1.0, 1e-6),  # water at 20 °C, Tanaka et al. 2001
        ("gravity", "kg/m3", 1089.93, "gravity", 1.09189, 1e-5),  # 22 °Bx, ICUMSA SPS-4
        ("inclination", "deg", -45, "inclination_deg", -45.0, 0.0),
        ("inclination", "rad", 0.7853981633974483, "inclination_deg", 45.0, 1e-12),  # π/4
        ("battery", "V", 3.3, "battery_v", 3.3, 0.0),
        ("battery", "mV", 3300, "battery_v", 3.3, 0.0),
        ("signal", "dBm", -70, "signal_dbm", -70.0, 0.0),
        ("signal", "dBW", -100, "signal_dbm", -70.0, 0.0),  # a watt is a thousand milliwatts
    ],
)
def test_units_are_brought_to_those_of_a_reading(
    quantity: str, unit: str, value: float, field: str, expected: float, within: float
) -> None:
    reading = reading_of(decoder(**{quantity: ("x", unit)}), {"x": value})
    assert getattr(reading, field) == pytest.approx(expected, abs=within)


@pytest.mark.parametrize(
    ("quantity", "unit", "value"),
    [
        ("gravity", "Bx", 46.0),
        ("gravity", "Bx", -14.0),
        ("gravity", "Bx", 1e9),
        ("gravity", "Bx", -1e9),
        ("gravity", "kg/m3", 1.05),
        ("temperature", "K", 20.0),
        ("temperature", "F", 141.0),
        ("battery", "mV", 3.7e6),
        ("battery", "V", -0.1),
        ("inclination", "rad", 3.2),
        ("signal", "dBm", -201),
    ],
)
def test_the_range_is_that_of_the_reading_whatever_the_unit(quantity: str, unit: str, value: float) -> None:
    decode = decoder(**{quantity: ("x", unit)})
    outcome = decode(json.dumps({"x": value}).encode(), "t", NOW_MS)
    assert isinstance(outcome, Rejected)
    assert outcome.reason is RejectReason.OUT_OF_RANGE
    assert quantity in outcome.detail


def test_a_unit_that_cannot_be_is_a_configuration_error_naming_those_that_can() -> None:
    with pytest.raises(ValueError, match="one of SG, Bx, kg/m3"):
        decoder(gravity=("x", "degC"))
    with pytest.raises(ValueError, match="one of iso, epoch_s, epoch_ms"):
        decoder(gravity=("x", "SG"), time=("t", "hours"))
    with pytest.raises(ValueError, match="no fields"):
        decoder(time=("t", "iso"))


# --- times -----------------------------------------------------------------------------------------------------


def at(unit: str, value: Any, clock_can_judge: bool = True) -> Reading | Rejected:
    decode = decoder(gravity=("sg", "SG"), time=("t", unit))
    outcome = decode(json.dumps({"sg": 1.05, "t": value}).encode(), "t", NOW_MS, clock_can_judge)
    if isinstance(outcome, Rejected):
        return outcome
    assert isinstance(outcome, list)
    return outcome[0]


@pytest.mark.parametrize(
    ("unit", "value", "observed_ms"),
    [
        # ISO 8601, with every offset form Python 3.11 reads; 1790000000 is 2026-09-21T14:13:20Z (date -u -d @…)
        ("iso", "2026-09-21T14:13:20Z", NOW_MS),
        ("iso", "2026-09-21T14:13:20+00:00", NOW_MS),
        ("iso", "2026-09-21T16:13:20+02:00", NOW_MS),
        ("iso", "2026-09-21T04:13:20.250-1000", NOW_MS + 250),
        ("iso", "20260921T141320Z", NOW_MS),
        ("epoch_s", NOW_S, NOW_MS),
        ("epoch_s", NOW_S - 0.5, NOW_MS - 500),
        ("epoch_s", str(NOW_S), NOW_MS),
        ("epoch_ms", NOW_MS - 1, NOW_MS - 1),
        ("epoch_ms", str(NOW_MS), NOW_MS),
    ],
)
def test_a_payloads_own_time_is_the_readings(unit: str, value: object, observed_ms: int) -> None:
    reading = at(unit, value)
    assert isinstance(reading, Reading)
    assert (reading.observed_ms, reading.received_ms, reading.stamp) == (observed_ms, NOW_MS, Stamp.SENSOR)


def test_without_a_time_a_reading_is_stamped_on_arrival() -> None:
    for document in ({"sg": 1.05}, {"sg": 1.05, "at": None}):
        reading = reading_of(USUAL, document)
        assert (reading.observed_ms, reading.stamp) == (NOW_MS, Stamp.ARRIVAL)


@pytest.mark.parametrize(
    ("unit", "value", "reason"),
    [
        ("iso", "2026-09-21T14:13:20", RejectReason.BAD_TIME),  # which midnight would that be?
        ("iso", "21.09.2026 14:13", RejectReason.BAD_TIME),
        ("iso", "2026-13-01T00:00:00Z", RejectReason.BAD_TIME),
        ("iso", "", RejectReason.BAD_TIME),
        ("iso", "x" * 1000, RejectReason.BAD_TIME),
        ("iso", NOW_S, RejectReason.BAD_TIME),
        ("iso", True, RejectReason.BAD_TIME),
        ("epoch_s", "2026-09-21T14:13:20Z", RejectReason.NOT_A_NUMBER),
        ("epoch_s", [NOW_S], RejectReason.NOT_A_NUMBER),
        ("epoch_s", True, RejectReason.NOT_A_NUMBER),
        ("epoch_s", "1e999", RejectReason.NOT_FINITE),
        # more than an hour ahead
        ("epoch_s", NOW_S + 3601, RejectReason.TIME_IN_FUTURE),
        ("iso", "2026-09-21T15:13:21Z", RejectReason.TIME_IN_FUTURE),
        ("epoch_s", NOW_MS, RejectReason.TIME_IN_FUTURE),  # milliseconds taken for seconds
        ("epoch_s", 1e300, RejectReason.TIME_IN_FUTURE),
        # before 2020: a clock that was never set
        ("epoch_s", 0, RejectReason.TIME_TOO_OLD),
        ("epoch_ms", NOW_S, RejectReason.TIME_TOO_OLD),  # seconds taken for milliseconds
        ("iso", "2019-12-31T23:59:59Z", RejectReason.TIME_TOO_OLD),
        ("iso", "0001-01-01T00:00:00+14:00", RejectReason.TIME_TOO_OLD),
        ("epoch_s", -1e300, RejectReason.TIME_TOO_OLD),
    ],
)
def test_a_time_that_cannot_be_is_refused_with_its_reason(
    unit: str, value: object, reason: RejectReason
) -> None:
    outcome = at(unit, value)
    assert isinstance(outcome, Rejected)
    assert outcome.reason is reason


def test_an_hour_ahead_is_forgiven() -> None:
    assert isinstance(at("epoch_s", NOW_S + 3600), Reading)


def test_a_clock_known_to_be_wrong_does_not_judge_what_is_ahead_of_it() -> None:
    reading = at("epoch_s", NOW_S + 86_400 * 365, clock_can_judge=False)
    assert isinstance(reading, Reading)
    assert reading.stamp is Stamp.SENSOR
    far = at("epoch_s", 5e9, clock_can_judge=False)
    assert isinstance(far, Rejected)
    assert far.reason is RejectReason.TIME_IN_FUTURE
    old = at("epoch_s", 1e9, clock_can_judge=False)
    assert isinstance(old, Rejected)
    assert old.reason is RejectReason.TIME_TOO_OLD


# --- bytes -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", RejectReason.NOT_JSON),
        (b"{", RejectReason.NOT_JSON),
        (b"hello", RejectReason.NOT_JSON),
        (b'{"sg": 1.05} {"sg": 1.06}', RejectReason.NOT_JSON),
        (b'{"sg": 1.05,}', RejectReason.NOT_JSON),
        (b"{'sg': 1.05}", RejectReason.NOT_JSON),
        (b'\xef\xbb\xbf{"sg": 1.05}', RejectReason.NOT_JSON),
        (b'{"sg": 1.05, "name": "\xff"}', RejectReason.NOT_UTF8),
        (b'{"sg": 1.05, "name": "\xed\xa0\x80"}', RejectReason.NOT_UTF8),  # half a surrogate pair
        ('{"sg": 1.05}'.encode("utf-16"), RejectReason.NOT_UTF8),
        (b'{"sg":1.05,"x":"' + b"y" * 65536 + b'"}', RejectReason.TOO_LARGE),
        (b"[" * 17 + b"]" * 17, RejectReason.TOO_DEEP),
        (b"[" * 60_000, RejectReason.TOO_DEEP),
        (b'{"a":' * 10_000, RejectReason.TOO_DEEP),
        (b"1" * 5000, RejectReason.NOT_A_NUMBER),  # more digits than Python turns into an integer
        (b"1.05", RejectReason.NOTHING_KNOWN),
        (b"null", RejectReason.NOTHING_KNOWN),
        (b"[]", RejectReason.NOTHING_KNOWN),
    ],
)
def test_bytes_that_are_no_such_json_are_refused_with_their_reason(
    payload: bytes, reason: RejectReason
) -> None:
    assert refused(USUAL, payload) is reason


def test_white_space_around_the_json_is_nothing() -> None:
    assert reading_of(USUAL, {"sg": 1.05}) == USUAL(b' \r\n\t{"sg": 1.05}\n', "t", NOW_MS)[0]


def test_brackets_within_strings_are_not_depth_and_many_shallow_ones_are_fine() -> None:
    many = {"sg": 1.05, "text": "[" * 1000 + '"{' * 50, "list": [[]] * 100}
    assert reading_of(USUAL, many).gravity == 1.05


def test_sixteen_levels_are_read() -> None:
    path = ".".join(["a"] * 15) + ".sg"
    document: Any = {"sg": 1.05}
    for _ in range(15):
        document = {"a": document}
    assert reading_of(decoder(gravity=(path, "SG")), document).gravity == 1.05


def test_a_detail_is_one_bounded_line_whatever_the_payload() -> None:
    outcome = USUAL(json.dumps({"sg": "\n\x00" * 10_000}).encode(), "t", NOW_MS)
    assert isinstance(outcome, Rejected)
    assert len(outcome.detail) < 250
    assert outcome.detail.isprintable()
