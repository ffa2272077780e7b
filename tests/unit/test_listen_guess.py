"""What a payload nobody has described is taken for, and the entry that is proposed for it.

The payloads are invented; their names are what anybody would call these quantities.
"""

import tomllib

import pytest

from mustwatch.cellar.sensor import Quantity
from mustwatch.config.settings import Settings
from mustwatch.ingest.decoders import decoder_for
from mustwatch.listening.guess import guess
from mustwatch.listening.report import MOST_TOPICS, Ear, Proposal, Topic, proposals, shown, toml_of

NOW_MS = 1_795_600_000_000


def fields(payload: bytes, topic: str = "") -> dict[str, tuple[str, str]]:
    """Return what is guessed: by quantity, its path and unit."""
    guessed = guess([payload], topic)
    assert guessed is not None
    return {f.quantity.value: (f.path, f.unit) for f in guessed.fields}


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        # the plain case
        (b'{"sg": 1.0532, "temp": 19.4}', {"gravity": ("sg", "SG"), "temperature": ("temp", "C")}),
        # numbers sent as strings
        (b'{"gravity": "1.0532"}', {"gravity": ("gravity", "SG")}),
        # density by its size, degrees Brix by its name
        (b'{"density": 1051.3}', {"gravity": ("density", "kg/m3")}),
        (b'{"brix": 12.5}', {"gravity": ("brix", "Bx")}),
        # a must of 68 degrees is in Fahrenheit, one of 292 in kelvin; a name that says the unit is believed
        (b'{"temperature": 68.2}', {"temperature": ("temperature", "F")}),
        (b'{"temperature": 292.4}', {"temperature": ("temperature", "K")}),
        (b'{"temp_f": 44.0}', {"temperature": ("temp_f", "F")}),
        # words run together, nested, in lists
        (b'{"sensor": {"inclineAngle": 43.2}}', {"inclination": ("sensor.inclineAngle", "deg")}),
        (b'{"d": [{"Temperature": 17.2}]}', {"temperature": ("d.0.Temperature", "C")}),
        # volts or millivolts by their size, signal below zero
        (
            b'{"temp": 19.4, "battery": 3980, "rssi": -61}',
            {"temperature": ("temp", "C"), "battery": ("battery", "mV"), "signal": ("rssi", "dBm")},
        ),
        # its own time, in each of the forms that can be read
        (
            b'{"temp": 19.4, "time": "2026-11-25T08:00:00+01:00"}',
            {"temperature": ("temp", "C"), "time": ("time", "iso")},
        ),
        (b'{"temp": 19.4, "ts": 1795600000}', {"temperature": ("temp", "C"), "time": ("ts", "epoch_s")}),
        (b'{"temp": 19.4, "ts": 1795600000000}', {"temperature": ("temp", "C"), "time": ("ts", "epoch_ms")}),
        # a setting is no measurement
        (b'{"temp": 19.4, "temp_offset": 0.5, "sg_target": 1.0}', {"temperature": ("temp", "C")}),
    ],
)
def test_fields_are_known_by_name_and_by_what_wine_can_show(
    payload: bytes, expected: dict[str, tuple[str, str]]
) -> None:
    assert fields(payload) == expected


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"on",
        b"\xff\xfe",
        b"{",
        b"null",
        b"true",
        b"[]",
        b"[1, 2]",
        b'{"humidity": 60}',
        b'{"temp": 900}',  # nothing a wine shows
        b'{"temp": true}',
        b'{"battery": 3.9}',  # says nothing about wine
        b"[" * 5000,
        b"9" * 5000,
    ],
)
def test_what_says_nothing_about_wine_is_not_guessed_at(payload: bytes) -> None:
    assert guess([payload], "x") is None


def test_a_percentage_is_left_out_with_a_remark() -> None:
    guessed = guess([b'{"temp": 19.4, "battery": 87}'])

    assert guessed is not None
    assert [f.quantity for f in guessed.fields] == [Quantity.TEMPERATURE]
    assert "percentage" in guessed.remarks[0]


def test_a_time_without_an_offset_is_left_out_with_a_remark() -> None:
    guessed = guess([b'{"temp": 19.4, "time": "2026-11-25T08:00:00"}'])

    assert guessed is not None
    assert [f.quantity for f in guessed.fields] == [Quantity.TEMPERATURE]
    assert "offset" in guessed.remarks[0]


@pytest.mark.parametrize(
    ("payload", "topic", "quantity", "unit"),
    [
        (b"1.0532", "cellar/float-1/gravity", "gravity", "SG"),
        (b"43.2", "cellar/float-1/incline", "inclination", "deg"),
        (b"68.1", "cellar/float-1/temp_f", "temperature", "F"),
        (b"3980", "cellar/float-1/batt", "battery", "mV"),
        (b"1.0532", "a/b", "gravity", "SG"),  # by its size
        (b"19.4", "a/b", "temperature", "C"),
    ],
)
def test_a_bare_number_is_known_by_its_topic_or_its_size(
    payload: bytes, topic: str, quantity: str, unit: str
) -> None:
    assert fields(payload, topic) == {quantity: ("", unit)}


SENML = b'[{"bn":"f/","n":"gravity","u":"/","v":1.05},{"n":"temperature","u":"Cel","v":20}]'


def heard(**payloads: bytes) -> list[Topic]:
    """Return topics as heard, a double underscore standing for the slash."""
    return [Topic(name.replace("__", "/"), 1, 0, [payload]) for name, payload in payloads.items()]


def proposed(
    topics: list[Topic], taken: tuple[str, ...] = (), vessels: tuple[str, ...] = ("bucket",)
) -> list[Proposal]:
    return proposals(topics, taken, vessels, NOW_MS)


def configured(proposal: Proposal) -> Settings:
    """Return the configuration that a proposal, copied, makes."""
    text = '[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 30\n' + toml_of(proposal)
    return Settings(**tomllib.loads(text))


@pytest.mark.parametrize(
    "topics",
    [
        heard(cellar__f1=b'{"sg": 1.0532, "temp": 19.4, "batt": 3.98}'),
        heard(cellar__f1=SENML),
        heard(cellar__f1__gravity=b"1.0532", cellar__f1__temperature=b"19.4"),
        heard(room__state=b'{"ENV":{"Temperature":17.2}}'),
    ],
)
def test_a_proposal_copied_reads_the_payloads_it_was_made_from(topics: list[Topic]) -> None:
    (proposal,) = proposed(topics)
    (sensor,) = (s.sensor() for s in configured(proposal).sensor)
    decode = decoder_for(sensor)

    for topic in topics:
        readings = decode(topic.samples[0], topic.name, NOW_MS)
        assert isinstance(readings, list), readings


def test_topics_of_one_float_become_one_sensor() -> None:
    (proposal,) = proposed(heard(cellar__f1__gravity=b"1.0532", cellar__f1__temperature=b"19.4"))

    assert proposal.sensor.id == "f1"
    assert proposal.sensor.kind == "float"
    assert set(proposal.topics) == {"cellar/f1/gravity", "cellar/f1/temperature"}


def test_the_first_float_gets_the_free_vessel_and_the_next_is_to_be_placed() -> None:
    first, second = proposed(heard(a=b'{"sg": 1.05}', b=b'{"sg": 1.06}'))

    assert 'vessel = "bucket"' in toml_of(first)
    assert 'vessel = "NAME"' in toml_of(second)


def test_a_probe_is_proposed_for_the_room() -> None:
    (probe,) = proposed(heard(cellar__air=b'{"temp": 14.2}'))

    assert probe.sensor.room
    assert probe.sensor.kind == "probe"


def test_an_id_that_is_taken_gets_more_of_the_topic_or_a_number() -> None:
    (proposal,) = proposed(heard(cellar__f1=b'{"sg": 1.05}'), taken=("f1",))

    (other,) = proposed(heard(cellar__f1=b'{"sg": 1.05}'), taken=("f1", "cellar-f1"))

    assert proposal.sensor.id == "cellar-f1"
    assert other.sensor.id == "cellar-f1-2"


def test_a_float_that_says_how_it_leans_is_to_be_calibrated() -> None:
    (proposal,) = proposed(heard(cellar__f1=b'{"angle": 43.2}'))

    assert "calibrate" in toml_of(proposal)


@pytest.mark.parametrize("name", ['a"b', "a\\b", "käse", "a\x1b[31m", "a b"])
def test_any_topic_makes_a_proposal_that_can_be_copied(name: str) -> None:
    (proposal,) = proposed([Topic(f"cellar/{name}", 1, 0, [b'{"sg": 1.05}'])])

    assert configured(proposal).sensor[0].topic == f"cellar/{name}"


def test_nothing_from_the_network_reaches_the_terminal_raw() -> None:
    said = shown(b"\x1b[2J\xff\n\r\x07" + b"x" * 1000)

    assert said.isprintable()
    assert len(said) < 300


def test_a_babbling_broker_is_listened_to_within_bounds() -> None:
    ear = Ear()
    for i in range(MOST_TOPICS + 100):
        ear.hear(f"t/{i}", b"1", False)
        ear.hear("t/0", b"x" * 10, False)

    assert len(ear.topics) == MOST_TOPICS
    assert ear.passed_over == 100
    assert len(ear.topics["t/0"].samples) <= 5


@pytest.mark.parametrize(
    ("topic", "id_"),
    [
        ("cellar/float-1", "float-1"),
        ("cellar/float-1/state", "float-1"),
        ("tele/float-1/SENSOR", "float-1"),
        ("application/7/device/green-float/event/up", "green-float"),
        ("floats/12/data", "floats-12"),
        ("keller/große flasche", "große flasche"),
        ("data", "float"),
    ],
)
def test_a_sensor_is_called_by_the_last_part_of_its_topic_that_tells_anything(topic: str, id_: str) -> None:
    heard = Topic(topic)
    heard.samples.append(b'{"sg": 1.0532, "temp": 19.4}')

    (proposal,) = proposals([heard], [], [], NOW_MS)

    assert proposal.sensor.id == id_


def test_sensors_of_one_name_in_two_places_are_told_apart_by_the_place() -> None:
    heard = [Topic("shed/tub/state"), Topic("barn/tub/state"), Topic("x/barn/tub/state"), Topic("tub")]
    for topic in heard:
        topic.samples.append(b'{"sg": 1.0532}')

    ids = [p.sensor.id for p in proposals(heard, [], [], NOW_MS)]

    assert ids == ["tub", "barn-tub", "x-barn-tub", "tub-2"]
