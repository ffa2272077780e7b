"""From an arrival to readings, to the quarantine, or to nothing."""

import json
import logging

import pytest

from mustwatch.cellar.reading import Stamp
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.ingest import intake as intake_module
from mustwatch.ingest.arrival import AckToken, Arrival
from mustwatch.ingest.clock import ClockState
from mustwatch.ingest.decoders import RejectReason
from mustwatch.ingest.intake import Decoded, Ignored, IgnoreReason, Intake, Quarantined

NOW_MS = 1_790_000_000_000
FIELDS = (Field(Quantity.GRAVITY, "sg", "SG"), Field(Quantity.TIME, "ms", "epoch_ms"))
FLOAT = Sensor("float", SensorKind.FLOAT, "json", topic="f", fields=FIELDS)
PACKS = Sensor("packs", SensorKind.FLOAT, "senml", topic="p")
ROOM = Sensor(
    "room",
    SensorKind.PROBE,
    "number",
    room=True,
    topics={"room/c": Field(Quantity.TEMPERATURE, "", "C"), "room/v": Field(Quantity.BATTERY, "", "V")},
)


@pytest.fixture
def intake() -> Intake:
    return Intake([FLOAT, PACKS, ROOM])


def came(
    topic: str,
    payload: bytes | object,
    *,
    at_ms: int = NOW_MS,
    retained: bool = False,
    dup: bool = False,
    packet_id: int = 1,
) -> Arrival:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return Arrival(topic, body, at_ms, 0.0, retained, dup, len(body), AckToken(1, packet_id, True))


def test_a_message_is_read_by_the_sensor_whose_topic_it_came_on(intake: Intake) -> None:
    taken = intake.take(came("f", {"sg": 1.05, "ms": NOW_MS - 5}))
    assert isinstance(taken, Decoded)
    assert [(r.sensor, r.gravity, r.observed_ms, r.stamp) for r in taken.readings] == [
        ("float", 1.05, NOW_MS - 5, Stamp.SENSOR)
    ]
    taken = intake.take(came("room/v", b"3.1"))
    assert isinstance(taken, Decoded)
    assert [(r.sensor, r.battery_v) for r in taken.readings] == [("room", 3.1)]


def test_every_topic_of_every_sensor_is_subscribed_to(intake: Intake) -> None:
    assert set(intake.topics) == {"f", "p", "room/c", "room/v"}


def test_two_sensors_on_one_topic_are_a_configuration_error() -> None:
    with pytest.raises(ValueError, match="'f' is claimed by float and by other"):
        Intake([FLOAT, Sensor("other", SensorKind.FLOAT, "senml", topic="f")])
    with pytest.raises(ValueError, match="no topic"):
        Intake([Sensor("other", SensorKind.FLOAT, "senml")])


def test_what_cannot_be_read_is_quarantined_with_its_topic_bytes_reason_and_time(intake: Intake) -> None:
    taken = intake.take(came("f", b"garbage\xff" * 1000))
    assert isinstance(taken, Quarantined)
    assert (taken.topic, taken.reason, taken.received_ms) == ("f", RejectReason.NOT_UTF8, NOW_MS)
    assert (taken.payload_head, taken.payload_bytes) == (b"garbage\xff" * 64, 8000)
    assert "byte 7" in taken.detail


def test_an_unknown_topic_is_quarantined(intake: Intake) -> None:
    taken = intake.take(came("removed/sensor", {"sg": 1.05}))
    assert isinstance(taken, Quarantined)
    assert (taken.topic, taken.reason) == ("removed/sensor", RejectReason.UNKNOWN_TOPIC)


def test_a_payload_cut_by_the_source_is_quarantined_with_its_whole_length(intake: Intake) -> None:
    taken = intake.take(came("f", b"x" * 65_537)._replace(payload_bytes=10_000_000))
    assert isinstance(taken, Quarantined)
    assert (taken.reason, taken.payload_bytes, len(taken.payload_head)) == (
        RejectReason.TOO_LARGE,
        10_000_000,
        512,
    )
    assert "10000000 bytes" in taken.detail


def test_of_a_pack_partly_wrong_the_rest_is_read_and_the_pack_quarantined(intake: Intake) -> None:
    pack = [
        {"bt": NOW_MS / 1000, "n": "gravity", "v": 1.05},
        {"t": -60, "n": "gravity", "v": 1.5},
    ]
    taken = intake.take(came("p", pack))
    assert isinstance(taken, Decoded)
    assert [r.gravity for r in taken.readings] == [1.05]
    assert taken.quarantined is not None
    assert taken.quarantined.reason is RejectReason.OUT_OF_RANGE


def test_a_fault_of_ours_costs_one_payload_and_not_the_stream(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(intake_module, "decoder_for", lambda sensor: broken)
    with caplog.at_level(logging.ERROR):
        taken = Intake([FLOAT]).take(came("f", {"sg": 1.05}))
    assert isinstance(taken, Quarantined)
    assert taken.reason is RejectReason.DECODER_FAULT
    assert "ZeroDivisionError" in caplog.text


# --- retained messages -----------------------------------------------------------------------------------------


def test_a_retained_value_without_its_own_time_is_no_new_reading(intake: Intake) -> None:
    for message in (
        came("f", {"sg": 1.05}, retained=True),
        came("room/c", b"20.1", retained=True),
        came("p", [{"n": "gravity", "v": 1.05, "t": -60}], retained=True),
    ):
        assert intake.take(message) == Ignored(IgnoreReason.RETAINED)


def test_a_retained_value_with_its_own_time_is_a_reading_of_that_time(intake: Intake) -> None:
    taken = intake.take(came("f", {"sg": 1.05, "ms": NOW_MS - 3_600_000}, retained=True))
    assert isinstance(taken, Decoded)
    assert taken.readings[0].observed_ms == NOW_MS - 3_600_000


def test_of_a_retained_pack_only_what_has_its_own_time_is_read(intake: Intake) -> None:
    pack = [{"n": "gravity", "v": 1.05}, {"n": "gravity", "v": 1.06, "t": NOW_MS / 1000 - 9}]
    taken = intake.take(came("p", pack, retained=True))
    assert isinstance(taken, Decoded)
    assert [r.gravity for r in taken.readings] == [1.06]


def test_an_unreadable_retained_message_is_quarantined_once_and_not_at_every_reconnect(
    intake: Intake,
) -> None:
    first = intake.take(came("f", b"garbage", retained=True))
    again = intake.take(came("f", b"garbage", retained=True, packet_id=2))
    another = intake.take(came("f", b"rubbish", retained=True, packet_id=3))
    assert isinstance(first, Quarantined)
    assert again == Ignored(IgnoreReason.RETAINED)
    assert isinstance(another, Quarantined)


# --- repeated messages -----------------------------------------------------------------------------------------


def test_a_repeated_reading_without_its_own_time_is_taken_once(intake: Intake) -> None:
    assert isinstance(intake.take(came("room/c", b"20.1")), Decoded)
    assert intake.take(came("room/c", b"20.1", dup=True, at_ms=NOW_MS + 9)) == Ignored(IgnoreReason.REPEATED)
    intake.ledger.committed()
    assert intake.take(came("room/c", b"20.1", dup=True, at_ms=NOW_MS + 99)) == Ignored(IgnoreReason.REPEATED)
    assert isinstance(intake.take(came("room/c", b"20.1", dup=True, packet_id=2)), Decoded)


def test_a_repeated_reading_with_its_own_time_is_left_to_the_stores_key(intake: Intake) -> None:
    first = intake.take(came("f", {"sg": 1.05, "ms": NOW_MS}))
    again = intake.take(came("f", {"sg": 1.05, "ms": NOW_MS}, dup=True, at_ms=NOW_MS + 9))
    assert isinstance(first, Decoded)
    assert isinstance(again, Decoded)
    assert first.readings[0].observed_ms == again.readings[0].observed_ms
    assert intake.ledger.change().rows == ()  # costs no row on the card


def test_what_was_quarantined_is_not_quarantined_again_when_repeated(intake: Intake) -> None:
    assert isinstance(intake.take(came("f", b"garbage")), Quarantined)
    assert intake.take(came("f", b"garbage", dup=True)) == Ignored(IgnoreReason.REPEATED)


# --- stamps ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clock", "stamp"),
    [
        (ClockState.SURE, Stamp.ARRIVAL),
        (ClockState.UNCONFIRMED, Stamp.ARRIVAL_UNSURE),
        (ClockState.BEHIND, Stamp.ARRIVAL_UNSURE),
    ],
)
def test_a_stamp_of_a_clock_that_is_not_sure_is_marked(
    intake: Intake, clock: ClockState, stamp: Stamp
) -> None:
    taken = intake.take(came("room/c", b"20.1"), clock)
    assert isinstance(taken, Decoded)
    assert taken.readings[0].stamp is stamp


def test_only_a_clock_known_to_be_wrong_believes_times_ahead_of_it(intake: Intake) -> None:
    ahead = came("f", {"sg": 1.05, "ms": NOW_MS + 86_400_000})
    for clock in (ClockState.SURE, ClockState.UNCONFIRMED):
        taken = intake.take(ahead, clock)
        assert isinstance(taken, Quarantined)
        assert taken.reason is RejectReason.TIME_IN_FUTURE
    taken = intake.take(ahead, ClockState.BEHIND)
    assert isinstance(taken, Decoded)
    assert taken.readings[0].stamp is Stamp.SENSOR


def test_readings_of_one_sensor_stamped_in_the_same_millisecond_are_kept_apart(intake: Intake) -> None:
    # the store's key is sensor and instant: a backlog that floods in must not lose all but one of each millisecond
    stamps = []
    for packet_id, payload in enumerate([b"20.1", b"20.2", b"20.1"], start=1):
        taken = intake.take(came("room/c", payload, packet_id=packet_id))
        assert isinstance(taken, Decoded)
        stamps.append(taken.readings[0].observed_ms)
    other = intake.take(came("f", {"sg": 1.05}, packet_id=9))
    assert isinstance(other, Decoded)
    assert stamps == [NOW_MS, NOW_MS + 1, NOW_MS + 2]
    assert other.readings[0].observed_ms == NOW_MS


def test_a_clock_set_back_is_not_held_up_by_stamps_from_before(intake: Intake) -> None:
    intake.take(came("room/c", b"20.1"))
    taken = intake.take(came("room/c", b"20.1", at_ms=NOW_MS - 3_600_000, packet_id=2))
    assert isinstance(taken, Decoded)
    assert taken.readings[0].observed_ms == NOW_MS - 3_600_000
