"""The MQTT source against a real mosquitto, natively and in a container, over MQTT 5 and 3.1.1."""

import logging
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal

import pytest

from brokers import Broker, NativeBroker
from cuttable import Cable
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.broker_settings import BrokerSettings
from mustwatch.ingest.client import MqttSource
from mustwatch.ingest.intake import Decoded, Ignored, IgnoreReason, Intake

pytestmark = pytest.mark.broker

TOPIC = "cellar/float-1"
PATIENCE_S = 60.0

PROBE = Sensor("p", SensorKind.PROBE, "number", topics={TOPIC: Field(Quantity.TEMPERATURE, "", "C")})

Brokers = Callable[..., Broker]
Sources = Callable[..., MqttSource]
Protocol = Literal[5, 4]

both_protocols = pytest.mark.parametrize("protocol", [5, 4], ids=["mqtt5", "mqtt311"])


@pytest.fixture(params=["native", pytest.param("container", marks=pytest.mark.container)])
def broker_with(request: pytest.FixtureRequest) -> Brokers:
    name = "mosquitto_with" if request.param == "native" else "mosquitto_container_with"
    made: Brokers = request.getfixturevalue(name)
    return made


@pytest.fixture
def broker(broker_with: Brokers) -> Broker:
    return broker_with()


@pytest.fixture
def source_of() -> Iterator[Sources]:
    """Return a maker of started sources, which are stopped in the end."""
    sources: list[MqttSource] = []

    def make(settings: BrokerSettings, topics: tuple[str, ...] = (TOPIC,), **options: Any) -> MqttSource:
        source = MqttSource(settings, topics, backoff_first_s=0.05, backoff_most_s=0.2, **options)
        sources.append(source)
        source.start()
        return source

    yield make
    for source in sources:
        source.stop()


def wait_for(what: Callable[[], bool], why: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < deadline, f"in vain: {why}"
        time.sleep(0.01)


def connected(source: MqttSource) -> MqttSource:
    wait_for(lambda: source.status().is_connected, "connecting")
    return source


def arrivals_of(source: MqttSource, count: int) -> list[Arrival]:
    """Return the next arrivals, at least ``count``, and whatever else comes at once."""
    arrivals: list[Arrival] = []
    deadline = time.monotonic() + PATIENCE_S
    while len(arrivals) < count and time.monotonic() < deadline:
        arrivals += source.receive(10_000, 0.2)
    arrivals += source.receive(10_000, 0.2)
    assert len(arrivals) >= count, f"{len(arrivals)} of {count} came"
    return arrivals


def said(arrivals: list[Arrival]) -> list[bytes]:
    return [arrival.payload for arrival in arrivals]


def messages(*numbers: int) -> list[tuple[str, bytes]]:
    return [(TOPIC, b"%d" % number) for number in numbers]


# --- the session ----------------------------------------------------------------------------------------------


@both_protocols
def test_what_is_acknowledged_is_gone_and_what_is_not_comes_again(
    broker: Broker, source_of: Sources, protocol: Protocol
) -> None:
    settings = broker.settings(protocol=protocol)
    source = connected(source_of(settings))
    broker.publish(*messages(*range(10)))
    arrivals = arrivals_of(source, 10)
    assert said(arrivals) == [b"%d" % i for i in range(10)]
    assert not any(a.is_duplicate or a.is_retained for a in arrivals)
    source.acknowledge(arrivals[:6])
    source.stop()

    again = arrivals_of(connected(source_of(settings)), 4)

    assert said(again) == [b"6", b"7", b"8", b"9"]
    # what the redelivery ledger relies on: DUP set, and the packet identifiers of the first time
    assert all(a.is_duplicate for a in again)
    assert [a.token.packet_id for a in again if a.token] == [
        a.token.packet_id for a in arrivals[6:] if a.token
    ]
    assert all(a.token.resumed for a in again if a.token)


@both_protocols
def test_what_is_published_while_we_are_away_is_kept_for_us(
    broker: Broker, source_of: Sources, protocol: Protocol
) -> None:
    settings = broker.settings(protocol=protocol)
    connected(source_of(settings)).stop()
    broker.publish(*messages(1, 2, 3))
    source = connected(source_of(settings))
    arrivals = arrivals_of(source, 3)
    assert said(arrivals) == [b"1", b"2", b"3"]
    assert not any(a.is_duplicate for a in arrivals)


@both_protocols
def test_a_restarted_broker_that_kept_the_session_repeats_what_was_not_acknowledged(
    broker: Broker, source_of: Sources, protocol: Protocol
) -> None:
    source = connected(source_of(broker.settings(protocol=protocol)))
    broker.publish(*messages(1, 2, 3))
    first = arrivals_of(source, 3)
    source.acknowledge(first[:1])
    wait_for(lambda: source.status().acknowledged == 1, "acknowledging")
    broker.restart()
    connected(source)
    again = arrivals_of(source, 2)
    assert said(again) == [b"2", b"3"]
    assert all(a.is_duplicate for a in again)
    assert {a.token.generation for a in again if a.token} == {source.status().connections}
    broker.publish(*messages(4))
    assert said(arrivals_of(source, 1)) == [b"4"]


@both_protocols
def test_a_broker_that_forgot_us_is_subscribed_to_anew(
    broker: Broker, source_of: Sources, protocol: Protocol
) -> None:
    source = connected(source_of(broker.settings(protocol=protocol)))
    broker.publish(*messages(1))
    assert [a.token.resumed for a in arrivals_of(source, 1) if a.token] == [False]
    broker.kill()
    for file in broker.data.iterdir():
        file.unlink()
    broker.start()
    wait_for(lambda: source.status().connections >= 2, "reconnecting")
    connected(source)
    broker.publish(*messages(2))
    arrivals = arrivals_of(source, 1)
    assert said(arrivals) == [b"2"]
    assert [a.token.resumed for a in arrivals if a.token] == [False]


# --- reconnecting among unacknowledged messages ---------------------------------------------------------------


@both_protocols
def test_an_acknowledgement_never_slips_onto_another_connection(
    mosquitto: Broker, source_of: Sources, protocol: Protocol
) -> None:
    with Cable(mosquitto.port) as cable:
        source = connected(source_of(mosquitto.settings(protocol=protocol, port=cable.port)))
        mosquitto.publish(*messages(1, 2, 3))
        first = arrivals_of(source, 3)
        cable.cut()
        wait_for(lambda: not source.status().is_connected, "noticing the cut")
        cable.mend()
        connected(source)
        again = arrivals_of(source, 3)

        source.acknowledge(first)  # as if their commit had been slow
        wait_for(lambda: source.status().stale_acknowledgements == 3, "acknowledging in vain")
        assert source.status().acknowledged == 0
        source.stop()

        # the broker has been told nothing: everything is still there
        source = connected(source_of(mosquitto.settings(protocol=protocol)))
        third = arrivals_of(source, 3)
        assert said(first) == said(again) == said(third) == [b"1", b"2", b"3"]


@both_protocols
def test_nothing_is_lost_or_stored_twice_while_the_cable_is_cut_again_and_again(
    mosquitto: Broker, source_of: Sources, protocol: Protocol
) -> None:
    """Take, "commit" and acknowledge through the intake while the connection breaks: readings without own times."""
    intake = Intake([PROBE])
    stored: list[float | None] = []
    values = [20 + i // 2 / 100 for i in range(600)]  # each twice: two equal readings are two readings

    def commit(arrivals: list[Arrival]) -> None:
        for arrival in arrivals:
            taken = intake.take(arrival)
            if isinstance(taken, Decoded):
                stored.extend(reading.temperature_c for reading in taken.readings)
        intake.ledger.committed()

    with Cable(mosquitto.port) as cable:
        source = connected(source_of(mosquitto.settings(protocol=protocol, port=cable.port)))
        for start in range(0, len(values), 100):
            mosquitto.publish(*[(TOPIC, f"{value:.2f}".encode()) for value in values[start : start + 100]])
            taken = source.receive(40, 2.0)
            cable.cut()  # with some in our hands, some in the inbox, some on their way
            commit(taken)
            source.acknowledge(taken)
            cable.mend()
            connected(source)
            taken = source.receive(30, 2.0)
            commit(taken)
            source.acknowledge(taken)
        deadline = time.monotonic() + PATIENCE_S
        while len(stored) < len(values) and time.monotonic() < deadline:
            taken = source.receive(100, 0.5)
            commit(taken)
            source.acknowledge(taken)
        taken = source.receive(1000, 0.5)
        commit(taken)
    assert sorted(value for value in stored if value is not None) == [round(value, 2) for value in values]
    assert source.status().stale_acknowledgements > 0


@both_protocols
def test_a_killed_broker_that_comes_back_from_an_older_save_is_not_believed_twice(
    mosquitto: NativeBroker, source_of: Sources, protocol: Protocol
) -> None:
    source = connected(source_of(mosquitto.settings(protocol=protocol)))
    intake = Intake([PROBE])
    mosquitto.publish((TOPIC, b"20.1"), (TOPIC, b"20.1"))
    first = arrivals_of(source, 2)
    assert all(isinstance(intake.take(arrival), Decoded) for arrival in first)
    intake.ledger.committed()
    mosquitto.save()
    source.acknowledge(first)
    wait_for(lambda: source.status().acknowledged == 2, "acknowledging")
    mosquitto.kill()
    mosquitto.start()
    wait_for(lambda: source.status().connections >= 2, "reconnecting")
    again = arrivals_of(source, 2)
    assert [intake.take(arrival) for arrival in again] == [Ignored(IgnoreReason.REPEATED)] * 2
    source.acknowledge(again)
    mosquitto.publish((TOPIC, b"20.1"))
    (news,) = arrivals_of(source, 1)
    assert isinstance(intake.take(news), Decoded)


def test_a_broker_that_falls_silent_is_left_and_found_again(broker: Broker, source_of: Sources) -> None:
    source = connected(source_of(broker.settings(keepalive_s=1)))
    broker.pause()
    try:
        wait_for(lambda: not source.status().is_connected, "noticing the silence")
        assert source.healthy()
        assert source.status().trouble
    finally:
        broker.resume()
    connected(source)
    broker.publish(*messages(1))
    assert said(arrivals_of(source, 1)) == [b"1"]


# --- flow ------------------------------------------------------------------------------------------------------


@both_protocols
def test_the_flow_does_not_stall_at_the_limit_of_what_may_be_under_way(
    broker_with: Brokers, source_of: Sources, protocol: Protocol
) -> None:
    broker = broker_with(extra="max_queued_messages 100000")
    source = connected(source_of(broker.settings(protocol=protocol)))
    source.stop()
    broker.publish(*messages(*range(5000)))
    source = source_of(broker.settings(protocol=protocol))
    taken: list[Arrival] = []
    deadline = time.monotonic() + 2 * PATIENCE_S
    while len(taken) < 5000 and time.monotonic() < deadline:
        batch = source.receive(500, 0.5)
        source.acknowledge(batch)
        taken += batch
    assert said(taken) == [b"%d" % i for i in range(5000)]
    assert not any(a.is_duplicate for a in taken)


def test_under_mqtt_5_as_many_are_under_way_as_we_allow(broker: Broker, source_of: Sources) -> None:
    source = connected(source_of(broker.settings(receive_maximum=50)))
    broker.publish(*messages(*range(80)))
    assert len(arrivals_of(source, 50)) == 50


def test_under_mqtt_311_the_broker_decides_how_many_are_under_way(broker: Broker, source_of: Sources) -> None:
    # mosquitto.conf(5): max_inflight_messages defaults to 20 (2.0.11 keeps to it only until the first is acknowledged)
    source = connected(source_of(broker.settings(protocol=4)))
    broker.publish(*messages(*range(80)))
    arrivals = arrivals_of(source, 20)
    assert len(arrivals) <= 21
    acknowledged = 0
    while len(arrivals) < 80:
        source.acknowledge(arrivals[acknowledged:])
        acknowledged = len(arrivals)
        arrivals += arrivals_of(source, 1)
    assert said(arrivals) == [b"%d" % i for i in range(80)]


def test_a_full_inbox_stops_the_reading_and_loses_nothing(mosquitto: Broker, source_of: Sources) -> None:
    settings = mosquitto.settings(receive_maximum=5)  # hence room for ten
    source = connected(source_of(settings))
    taken: list[Arrival] = []
    with Cable(mosquitto.port) as cable:
        source = connected(
            source_of(mosquitto.settings(receive_maximum=5, port=cable.port, client_id="other"))
        )
        mosquitto.publish(*messages(*range(40)))
        for _ in range(4):  # every connection repeats the five under way, and nobody takes them
            wait_for(lambda: source.status().waiting >= 5, "filling the inbox")
            cable.cut()
            time.sleep(0.1)
            cable.mend()
            time.sleep(0.5)
        assert source.status().waiting <= 10
        assert source.healthy()
        deadline = time.monotonic() + PATIENCE_S
        while {*said(taken)} != {b"%d" % i for i in range(40)} and time.monotonic() < deadline:
            batch = source.receive(3, 0.5)
            source.acknowledge(batch)
            taken += batch
    assert {*said(taken)} == {b"%d" % i for i in range(40)}


@both_protocols
def test_a_payload_of_ten_megabytes_is_cut_short_and_the_stream_goes_on(
    broker: Broker, source_of: Sources, protocol: Protocol
) -> None:
    source = connected(source_of(broker.settings(protocol=protocol)))
    broker.publish((TOPIC, b"x" * 10_000_000), *messages(1))
    big, after = arrivals_of(source, 2)
    assert (len(big.payload), big.payload_bytes) == (65_537, 10_000_000)
    assert after.payload == b"1"
    source.acknowledge([big, after])
    wait_for(lambda: source.status().acknowledged == 2, "acknowledging")


# --- topics -----------------------------------------------------------------------------------------------------


@both_protocols
def test_topics_of_an_earlier_configuration_are_given_up(
    broker: Broker, source_of: Sources, protocol: Protocol
) -> None:
    settings = broker.settings(protocol=protocol)
    connected(source_of(settings, ("a", "b"))).stop()
    source = connected(source_of(settings, ("a",), former_topics=("b",)))
    broker.publish(("b", b"1"), ("a", b"2"))
    assert [a.topic for a in arrivals_of(source, 1)] == ["a"]


def test_a_topic_nobody_remembered_is_given_up_at_its_first_message(
    broker: Broker, source_of: Sources
) -> None:
    connected(source_of(broker.settings(), ("a", "b"))).stop()
    source = connected(source_of(broker.settings(), ("a",)))
    broker.publish(("b", b"1"), ("a", b"2"))
    assert sorted(a.topic for a in arrivals_of(source, 2)) == ["a", "b"]
    broker.publish(("b", b"3"), ("a", b"4"))
    assert said(arrivals_of(source, 1)) == [b"4"]


def test_hundreds_of_topics_are_all_subscribed_to(broker: Broker, source_of: Sources) -> None:
    topics = tuple(f"cellar/{i}/größe" for i in range(350))
    source = connected(source_of(broker.settings(), topics))
    broker.publish(*((topic, b"1") for topic in topics))
    assert {a.topic for a in arrivals_of(source, 350)} == set(topics)


def test_a_retained_message_says_so_but_not_when_it_is_news(broker: Broker, source_of: Sources) -> None:
    broker.publish((TOPIC, b"old"), retain=True)
    source = connected(source_of(broker.settings()))
    broker.publish((TOPIC, b"new"), retain=True)
    arrivals = arrivals_of(source, 2)
    assert [(a.payload, a.is_retained) for a in arrivals] == [(b"old", True), (b"new", False)]


def test_a_message_of_qos_0_needs_no_acknowledgement(broker: Broker, source_of: Sources) -> None:
    source = connected(source_of(broker.settings()))
    broker.publish(*messages(1), qos=0)
    (arrival,) = arrivals_of(source, 1)
    assert arrival.token is None
    source.acknowledge([arrival])


def test_a_topic_the_broker_does_not_let_us_have_is_named(broker_with: Brokers, source_of: Sources) -> None:
    broker = broker_with(password="for-a-test", acl="user cellar\ntopic readwrite a\ntopic deny b\n")
    source = source_of(broker.settings(), ("a", "b"))
    connected(source)
    broker.publish(("a", b"1"))
    assert said(arrivals_of(source, 1)) == [b"1"]
    # mosquitto 2.0 grants a subscription it will not serve; where it refuses, the topic is named
    assert set(source.status().refused_topics) <= {"b"}


# --- access -----------------------------------------------------------------------------------------------------


@both_protocols
def test_with_password_and_tls(broker_with: Brokers, source_of: Sources, protocol: Protocol) -> None:
    broker = broker_with(password="for-a-test", tls=True)
    source = connected(source_of(broker.settings(protocol=protocol)))
    broker.publish(*messages(*range(300)))
    arrivals = arrivals_of(source, 20)
    source.acknowledge(arrivals)
    while len(arrivals) < 300:
        more = arrivals_of(source, 1)
        source.acknowledge(more)
        arrivals += more
    assert said(arrivals) == [b"%d" % i for i in range(300)]


@both_protocols
def test_a_wrong_password_is_trouble_in_one_line_that_does_not_say_it(
    broker_with: Brokers, source_of: Sources, protocol: Protocol, caplog: pytest.LogCaptureFixture
) -> None:
    broker = broker_with(password="for-a-test")
    settings = broker.settings(protocol=protocol, password="quite-another")
    with caplog.at_level(logging.DEBUG):
        source = source_of(settings)
        wait_for(lambda: source.status().connections >= 3, "trying again")
    status = source.status()
    assert not status.is_connected
    assert status.trouble is not None
    assert "refuses us" in status.trouble
    assert source.healthy()
    assert "quite-another" not in caplog.text + repr(settings) + status.trouble
    assert len([r for r in caplog.records if r.name.startswith("mustwatch")]) == 1


def test_a_certificate_of_another_authority_is_not_trusted(
    broker_with: Brokers, source_of: Sources, tmp_path: Path
) -> None:
    broker, other = broker_with(tls=True), broker_with(tls=True)
    source = source_of(broker.settings(ca_file=other.ca_file))
    wait_for(lambda: source.status().trouble is not None, "being refused")
    assert "certificate verify failed" in str(source.status().trouble)
    assert not source.status().is_connected


def test_a_second_daemon_of_the_same_name_shows_as_trouble(broker: Broker, source_of: Sources) -> None:
    one = connected(source_of(broker.settings()))
    source_of(broker.settings())
    # mosquitto 2.0.11 says nothing of a session taken over, it just ends the older connection
    wait_for(
        lambda: "another program use client_id 'mustwatch'" in str(one.status().trouble), "suspecting it"
    )


# --- starting and ending ---------------------------------------------------------------------------------------


def test_a_broker_that_is_away_at_the_start_is_found_when_it_comes(
    broker: Broker, source_of: Sources, caplog: pytest.LogCaptureFixture
) -> None:
    broker.stop()
    with caplog.at_level(logging.INFO):
        source = source_of(broker.settings())
        time.sleep(1.0)
        assert source.healthy()
        assert source.status().trouble is not None
        broker.start()
        connected(source)
    assert source.status().trouble is None
    lines = [r.message for r in caplog.records if r.name == "mustwatch.ingest.client"]
    assert len(lines) == 2, lines
    assert "trouble" in lines[0]
    assert "recovered" in lines[1]
    broker.publish(*messages(1))
    assert said(arrivals_of(source, 1)) == [b"1"]


def test_acknowledgements_given_just_before_the_end_still_reach_the_broker(
    broker: Broker, source_of: Sources
) -> None:
    source = connected(source_of(broker.settings()))
    broker.publish(*messages(*range(200)))
    source.acknowledge(arrivals_of(source, 200))
    source.stop()
    assert not source.healthy()
    source = connected(source_of(broker.settings()))
    assert source.receive(10, 0.5) == []


def test_a_fault_of_ours_ends_the_source_and_is_told(
    mosquitto: Broker, source_of: Sources, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[BaseException] = []
    source = connected(source_of(mosquitto.settings(), on_fatal=told.append))

    def broken(arrival: Arrival) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(source._inbox, "put", broken)
    mosquitto.publish(*messages(1))
    wait_for(lambda: bool(told), "telling of the fault")
    assert isinstance(told[0], ZeroDivisionError)
    wait_for(lambda: not source.healthy(), "ending")
    monkeypatch.undo()
    # and nothing was acknowledged
    assert said(arrivals_of(connected(source_of(mosquitto.settings())), 1)) == [b"1"]


def test_arrivals_carry_both_clocks(mosquitto: Broker, source_of: Sources) -> None:
    source = source_of(mosquitto.settings(), wall_ms=lambda: 1_790_000_000_000, mono_s=time.monotonic)
    connected(source)
    before = time.monotonic()
    mosquitto.publish(*messages(1))
    (arrival,) = arrivals_of(source, 1)
    assert arrival.received_ms == 1_790_000_000_000
    assert before <= arrival.received_mono_s <= time.monotonic()
