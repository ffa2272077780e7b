"""SenML packs. RFC 8428's own examples (section 5.1, as remembered) and rules, and a cellar's packs."""

import json

import pytest

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.ingest.decoders import Outcome, PartlyRejected, Rejected, RejectReason, decoder_for
from mustwatch.ingest.decoders.outcome import Refusal
from mustwatch.ingest.decoders.senml import resolve

NOW_MS = 1_790_000_000_000  # 2026-09-21T14:13:20Z
NOW_S = NOW_MS / 1000

FLOAT = Sensor("float-1", SensorKind.FLOAT, "senml", topic="cellar/float-1")


def decoded(pack: object, clock_can_judge: bool = True) -> Outcome:
    return decoder_for(FLOAT)(json.dumps(pack).encode(), FLOAT.topic, NOW_MS, clock_can_judge)


def reading_of(pack: object) -> Reading:
    outcome = decoded(pack)
    assert isinstance(outcome, list), outcome
    assert len(outcome) == 1
    return outcome[0]


def refused(pack: object) -> RejectReason:
    outcome = decoded(pack)
    assert isinstance(outcome, Rejected), outcome
    return outcome.reason


def resolved(text: str) -> list[tuple[str, str, float, object]]:
    return [(r.base_name + r.own_name, r.unit, r.time_s, r.value) for r in resolve(json.loads(text))]


# --- the standard's own examples ---------------------------------------------------------------------------------


def test_a_single_data_point_resolves_to_itself() -> None:
    # RFC 8428 section 5.1.1
    assert resolved('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]') == [
        ("urn:dev:ow:10e2073a01080063", "Cel", 0.0, 23.1)
    ]


def test_a_base_name_goes_before_each_name_and_a_base_unit_holds_where_no_unit_is() -> None:
    # RFC 8428 section 5.1.2: relative times count from the base time, whose version 5 is an earlier one
    text = """[
      {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
       "n":"voltage","u":"V","v":120.1},
      {"n":"current","t":-5,"v":1.2},
      {"n":"current","t":-4,"v":1.3},
      {"n":"current","v":1.7}
    ]"""
    name, at = "urn:dev:ow:10e2073a0108006:", 1276020076.001
    assert resolved(text) == [
        (name + "voltage", "V", at, 120.1),
        (name + "current", "A", at - 5, 1.2),
        (name + "current", "A", at - 4, 1.3),
        (name + "current", "A", at, 1.7),
    ]


def test_records_without_a_name_have_the_base_name() -> None:
    # RFC 8428 sections 5.1.3 and 5.1.4, the resolved form of which is printed there
    text = """[
      {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
      {"u":"lon","v":24.30621},
      {"u":"lat","v":60.07965},
      {"t":60,"v":20.3},
      {"u":"lon","t":60,"v":24.30622}
    ]"""
    name = "urn:dev:ow:10e2073a01080063"
    assert resolved(text) == [
        (name, "%RH", 1.320067464e09, 20),
        (name, "lon", 1.320067464e09, 24.30621),
        (name, "lat", 1.320067464e09, 60.07965),
        (name, "%RH", 1.320067524e09, 20.3),
        (name, "lon", 1.320067524e09, 24.30622),
    ]


def test_strings_booleans_and_data_are_values_too_but_no_numbers() -> None:
    # RFC 8428 section 5.1.5
    text = """[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
      {"n":"label","vs":"Machine Room"},
      {"n":"open","vb":false},
      {"n":"nfc-reader","vd":"aGkgCg"}
    ]"""
    assert [value for *_, value in resolved(text)] == [23.1, None, None, None]


def test_the_standards_collection_of_resources_is_refused_only_for_its_age() -> None:
    # RFC 8428 section 5.1.6: a temperature from 2011; the humidity beside it is none of ours
    text = (
        '[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},'
        '{"n":"humidity","u":"%RH","v":30}]'
    )
    assert refused(json.loads(text)) is RejectReason.TIME_TOO_OLD
    assert reading_of(json.loads(text.replace("1.320078429e+09", str(NOW_S)))).temperature_c == 25.2


# --- the standard's rules -------------------------------------------------------------------------------------


def test_base_fields_hold_until_the_next_record_that_has_them() -> None:
    # RFC 8428 section 4.1
    pack = [
        {"bn": "a/", "bu": "Cel", "n": "x", "v": 1},
        {"n": "y", "v": 2},
        {"bn": "b/", "n": "z", "v": 3},
        {"bu": "K", "v": 4},
    ]
    assert resolved(json.dumps(pack)) == [
        ("a/x", "Cel", 0.0, 1),
        ("a/y", "Cel", 0.0, 2),
        ("b/z", "Cel", 0.0, 3),
        ("b/", "K", 0.0, 4),
    ]


def test_a_base_value_is_added() -> None:
    # RFC 8428 section 4.1
    assert reading_of([{"bv": 1.0, "n": "gravity", "u": "/", "v": 0.05}]).gravity == pytest.approx(1.05)


def test_a_record_with_base_fields_alone_measures_nothing() -> None:
    assert reading_of([{"bn": "f/", "bt": NOW_S}, {"n": "gravity", "v": 1.05}]).observed_ms == NOW_MS


@pytest.mark.parametrize(
    ("t", "observed_ms", "stamp"),
    [
        # RFC 8428 section 4.5.3: "Values less than 2**28 represent time relative to the current time"
        (None, NOW_MS, Stamp.ARRIVAL),
        (0, NOW_MS, Stamp.ARRIVAL),
        (-300.5, NOW_MS - 300_500, Stamp.ARRIVAL),
        (5, NOW_MS + 5_000, Stamp.ARRIVAL),
        # and from 2**28 on they are absolute
        (NOW_S - 60, NOW_MS - 60_000, Stamp.SENSOR),
        (1.6e9, 1_600_000_000_000, Stamp.SENSOR),
    ],
)
def test_a_time_below_two_to_the_28_is_relative_to_the_arrival(
    t: float | None, observed_ms: int, stamp: Stamp
) -> None:
    record = {"n": "gravity", "u": "/", "v": 1.05} | ({} if t is None else {"t": t})
    reading = reading_of([record])
    assert (reading.observed_ms, reading.received_ms, reading.stamp) == (observed_ms, NOW_MS, stamp)


def test_the_border_of_relative_and_absolute_time_is_exact() -> None:
    # 2**28 s absolute is July 1978, hence too old; one below is relative and eight years ahead
    assert refused([{"n": "gravity", "v": 1.05, "t": 2**28}]) is RejectReason.TIME_TOO_OLD
    assert refused([{"n": "gravity", "v": 1.05, "t": 2**28 - 1}]) is RejectReason.TIME_IN_FUTURE


def test_a_label_that_must_be_understood_and_is_not_voids_the_whole_pack() -> None:
    # RFC 8428 section 4.4, also where it stands in a record of no concern to us
    pack = [{"n": "gravity", "u": "/", "v": 1.05}, {"n": "other", "v": 1, "secret_": 1}]
    assert refused(pack) is RejectReason.NOT_UNDERSTOOD


def test_other_unknown_labels_are_ignored() -> None:
    # RFC 8428 section 4.4
    assert reading_of([{"n": "gravity", "u": "/", "v": 1.05, "note": "x"}]).gravity == 1.05


@pytest.mark.parametrize("version", [11, 0, -1, True, "10", 10.5])
def test_a_version_that_is_not_known_is_refused(version: object) -> None:
    # RFC 8428 section 4.4: a larger version must not be used
    assert refused([{"bver": version, "n": "gravity", "v": 1.05}]) is RejectReason.NOT_UNDERSTOOD


def test_version_ten_is_the_default_and_may_be_said() -> None:
    assert reading_of([{"bver": 10, "n": "gravity", "v": 1.05}]).gravity == 1.05


def test_a_number_written_as_a_string_is_no_senml_number() -> None:
    assert refused([{"n": "gravity", "u": "/", "v": "1.05"}]) is RejectReason.NOT_A_NUMBER
    assert refused([{"n": "gravity", "u": "/", "vs": "1.05"}]) is RejectReason.NOT_A_NUMBER
    assert refused([{"n": "gravity", "u": "/", "v": True}]) is RejectReason.NOT_A_NUMBER


# --- a cellar's packs ------------------------------------------------------------------------------------------


def test_a_pack_of_one_instant_is_one_reading() -> None:
    pack = [
        {"bn": "urn:dev:float:7:", "bt": NOW_S - 30, "n": "gravity", "u": "/", "v": 1.0625},
        {"n": "inclination", "u": "deg", "v": 47.5},
        {"n": "temperature", "u": "Cel", "v": 19.25},
        {"n": "battery", "u": "V", "v": 3.71},
        {"n": "signal", "u": "dBm", "v": -71},
        {"n": "humidity", "u": "%RH", "v": 60},
    ]
    assert decoded(pack) == [
        Reading("float-1", NOW_MS - 30_000, NOW_MS, 1.0625, 47.5, 19.25, 3.71, -71.0, Stamp.SENSOR)
    ]


def test_a_burst_of_a_nights_readings_is_one_reading_per_instant() -> None:
    pack: list[dict[str, object]] = [{"bn": "float-1/", "bt": NOW_S}]
    for i in range(60):
        pack.append({"n": "gravity", "u": "/", "t": -60 * i, "v": 1.05})
        pack.append({"n": "temperature", "u": "Cel", "t": -60 * i, "v": 20 - i / 100})
    outcome = decoded(pack)
    assert isinstance(outcome, list)
    assert [r.observed_ms for r in outcome] == [NOW_MS - 60_000 * i for i in range(60)]
    assert all(r.gravity == 1.05 and r.stamp is Stamp.SENSOR for r in outcome)
    assert outcome[59].temperature_c == pytest.approx(19.41)


def test_one_wrong_instant_does_not_cost_the_others() -> None:
    pack = [
        {"bt": NOW_S, "n": "gravity", "u": "/", "v": 1.05},
        {"n": "gravity", "u": "/", "t": -60, "v": 1.5},
        {"n": "gravity", "u": "/", "t": -120, "v": 1.051},
    ]
    outcome = decoded(pack)
    assert isinstance(outcome, PartlyRejected)
    assert [r.gravity for r in outcome.readings] == [1.05, 1.051]
    assert outcome.rejected.reason is RejectReason.OUT_OF_RANGE
    assert "gravity 1.5" in outcome.rejected.detail


def test_all_instants_wrong_is_a_refusal() -> None:
    pack = [{"n": "gravity", "v": 1.5}, {"n": "gravity", "t": -60, "v": 0.5}]
    assert refused(pack) is RejectReason.OUT_OF_RANGE


@pytest.mark.parametrize(
    ("name", "unit", "value", "field", "expected"),
    [
        # units of RFC 8428 section 12.1, and secondary units of RFC 8798 section 3 with their scale
        ("gravity", "/", 1.05, "gravity", 1.05),
        ("gravity", "/1000", 1050, "gravity", 1.05),
        ("gravity", "/100", 105, "gravity", 1.05),
        ("gravity", "kg/m3", 1048.117, "gravity", 1.05),  # against water at 20 °C, 998.207 kg/m³ (CIPM)
        ("inclination", "rad", 0.5235987755982988, "inclination_deg", 30.0),  # π/6
        ("inclination", "deg", 30, "inclination_deg", 30.0),
        ("temperature", "Cel", 20.5, "temperature_c", 20.5),
        ("temperature", "K", 293.65, "temperature_c", 20.5),
        ("battery", "V", 3.7, "battery_v", 3.7),
        ("battery", "mV", 3700, "battery_v", 3.7),
        ("signal", "dBW", -100, "signal_dbm", -70.0),  # 1 W is 1000 mW: 30 dB
        ("signal", "dBm", -70, "signal_dbm", -70.0),
    ],
)
def test_units_are_brought_to_those_of_a_reading(
    name: str, unit: str, value: float, field: str, expected: float
) -> None:
    reading = reading_of([{"n": name, "u": unit, "v": value}])
    assert getattr(reading, field) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("gravity", "Cel"),
        ("temperature", "degF"),
        ("temperature", "degC"),
        ("battery", "A"),
        ("signal", "dB"),
    ],
)
def test_a_unit_that_does_not_fit_is_refused_by_name(name: str, unit: str) -> None:
    outcome = decoded([{"n": name, "u": unit, "v": 1}])
    assert isinstance(outcome, Rejected)
    assert outcome.reason is RejectReason.WRONG_UNIT
    assert name in outcome.detail
    assert unit in outcome.detail


def test_a_missing_unit_is_taken_where_it_can_only_be_one() -> None:
    reading = reading_of(
        [{"n": "gravity", "v": 1.05}, {"n": "temperature", "v": 20}, {"n": "battery", "v": 3.7}]
    )
    assert (reading.gravity, reading.temperature_c, reading.battery_v) == (1.05, 20.0, 3.7)
    assert refused([{"n": "inclination", "v": 1}]) is RejectReason.WRONG_UNIT
    assert refused([{"n": "signal", "v": -70}]) is RejectReason.WRONG_UNIT


@pytest.mark.parametrize(
    ("base_name", "name"),
    [
        ("", "gravity"),
        ("urn:dev:ow:10e2073a01080063:", "gravity"),
        ("cellar/float-1/", "gravity"),
        ("", "urn:dev:ow:10e2073a01080063:gravity"),
        ("float-1", "gravity"),  # no separator: not the standard's way, but what is meant is plain
        (
            "urn:dev:mac:0024befffe804ff1",
            "_gravity",
        ),  # RFC 9039: a component of a device follows an underscore
        ("urn:dev:mac:0024befffe804ff1_gravity", ""),
        ("cellar/float-1/gravity", ""),
    ],
)
def test_a_quantity_is_known_by_the_end_of_its_resolved_name(base_name: str, name: str) -> None:
    record = {"bn": base_name, "u": "/", "v": 1.05} | ({"n": name} if name else {})
    assert reading_of([record]).gravity == 1.05


@pytest.mark.parametrize("name", ["low_gravity", "gravity2", "room-temperature", "specificgravity", ""])
def test_other_names_are_none_of_ours(name: str) -> None:
    assert refused([{"bn": "f/", "n": name, "u": "/", "v": 1.05}]) is RejectReason.NOTHING_KNOWN


def test_the_same_quantity_twice_at_one_instant_is_refused() -> None:
    pack = [{"n": "a/temperature", "v": 20}, {"n": "b/temperature", "v": 25}]
    assert refused(pack) is RejectReason.WRONG_SHAPE


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ([], RejectReason.WRONG_SHAPE),
        ({"n": "gravity", "v": 1.05}, RejectReason.WRONG_SHAPE),
        ("gravity", RejectReason.WRONG_SHAPE),
        (None, RejectReason.WRONG_SHAPE),
        ([1], RejectReason.WRONG_SHAPE),
        ([[{"n": "gravity", "v": 1.05}]], RejectReason.WRONG_SHAPE),
        ([{"n": 7, "v": 1.05}], RejectReason.WRONG_SHAPE),
        ([{"n": "gravity", "u": None, "v": 1.05}], RejectReason.WRONG_SHAPE),
        ([{"bn": ["x"], "n": "gravity", "v": 1.05}], RejectReason.WRONG_SHAPE),
        ([{"n": "gravity", "v": None}], RejectReason.NOT_A_NUMBER),
        ([{"n": "gravity", "v": {}}], RejectReason.NOT_A_NUMBER),
        ([{"n": "gravity", "t": "now", "v": 1.05}], RejectReason.NOT_A_NUMBER),
        ([{"n": "gravity", "t": True, "v": 1.05}], RejectReason.NOT_A_NUMBER),
        ([{"bt": None, "n": "gravity", "v": 1.05}], RejectReason.NOT_A_NUMBER),
        ([{"n": "gravity"}], RejectReason.NOTHING_KNOWN),
        ([{"n": "gravity", "s": 12}], RejectReason.NOTHING_KNOWN),
        ([{}], RejectReason.NOTHING_KNOWN),
        ([{"n": "gravity", "t": 1e306, "v": 1.05}], RejectReason.NOT_FINITE),
        ([{"bt": 1e308, "t": 1e308, "n": "gravity", "v": 1.05}], RejectReason.NOT_FINITE),
        ([{"bv": 1.7e308, "n": "gravity", "v": 1.7e308}], RejectReason.NOT_FINITE),
        ([{"n": "gravity", "v": 10**400}], RejectReason.NOT_FINITE),
        ([{"n": "gravity", "v": 0.9499}], RejectReason.OUT_OF_RANGE),
        ([{"n": "gravity", "v": 1.2001}], RejectReason.OUT_OF_RANGE),
        ([{"n": "temperature", "v": 60.1}], RejectReason.OUT_OF_RANGE),
        ([{"n": "temperature", "v": -20.1}], RejectReason.OUT_OF_RANGE),
        ([{"n": "gravity", "t": NOW_S + 3601, "v": 1.05}], RejectReason.TIME_IN_FUTURE),
    ],
)
def test_what_is_no_pack_or_cannot_be_is_refused_with_its_reason(pack: object, reason: RejectReason) -> None:
    assert refused(pack) is reason


def test_a_refusal_never_leaves_resolve_half_way_unnoticed() -> None:
    with pytest.raises(Refusal):
        list(resolve([{"n": "a", "v": 1}, 7]))
