"""Publishing a simulated cellar to a real mosquitto."""

import json
import shutil
import subprocess
import threading
import time
from datetime import datetime

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from typer.testing import CliRunner

from daemons import wait_until
from mustsim.cellar import run
from mustsim.cli import app
from mustsim.publish import Broker, Publisher, PublishError, publish
from mustsim.scenario import load

pytestmark = pytest.mark.broker


class Listener:
    """A subscriber of everything that keeps (topic, payload, qos, retain flag)."""

    def __init__(self, broker, session=None):
        self.got: list[tuple[str, bytes | bytearray, int, bool]] = []
        self._subscribed = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, session, session is None)
        if broker.options.password is not None:
            self._client.username_pw_set("cellar", broker.options.password)
        self._client.on_connect = lambda client, *_: client.subscribe("#", 1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = lambda _c, _d, m: self.got.append((m.topic, m.payload, m.qos, m.retain))
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        assert self._subscribed.wait(10)

    def wait_for(self, count, timeout_s=30.0):
        deadline = time.monotonic() + timeout_s
        while len(self.got) < count and time.monotonic() < deadline:
            time.sleep(0.02)
        assert len(self.got) >= count, f"only {len(self.got)} of {count} messages arrived"
        return self.got

    def wait_for_all_of(self, payloads, timeout_s=30.0):
        """Wait for each of these, however often some come: what was under way as a broker went comes again."""
        deadline = time.monotonic() + timeout_s
        while not payloads <= {payload for _, payload, *_ in self.got} and time.monotonic() < deadline:
            time.sleep(0.02)
        return {payload for _, payload, *_ in self.got}

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def roomy(mosquitto_with):
    """Return a broker that drops nothing for a subscriber that is slower than the simulator."""
    return mosquitto_with(extra="max_queued_messages 0")


def send_all(publisher, messages):
    for message in messages:
        publisher.send(message)


@pytest.fixture
def listener(roomy):
    subscriber = Listener(roomy)
    yield subscriber
    subscriber.close()


@pytest.mark.parametrize("form", ["senml", "json", "number"])
def test_everything_that_is_published_arrives_in_order(roomy, listener, form):
    cellar = run(load("kit"), 1, form=form)

    sent = publish(cellar, Broker(port=roomy.port))

    got = listener.wait_for(sent)
    assert sent == len(cellar.messages)
    assert [(topic, payload) for topic, payload, *_ in got] == [(m.topic, m.payload) for m in cellar.messages]
    assert {qos for _, _, qos, _ in got} == {1}


def test_live_it_keeps_the_pace_it_is_told(roomy, listener):
    cellar = run(load("kit"), 1)
    few = type(cellar)(
        cellar.scenario, 1, cellar.begins_ms, cellar.ends_ms, cellar.messages[:9], cellar.truth
    )
    lasts_s = (few.messages[-1].sent_ms - few.begins_ms) / 1000 / 7200

    began = time.monotonic()
    publish(few, Broker(port=roomy.port), speed=7200)

    assert lasts_s - 0.05 <= time.monotonic() - began < lasts_s + 60
    assert len(listener.wait_for(9)) == 9


def test_what_is_published_with_the_retain_flag_is_kept_by_the_broker(mosquitto):
    cellar = run(load("probe-freezes"), 1)
    publish(cellar, Broker(port=mosquitto.port))
    late = Listener(mosquitto)

    got = late.wait_for(1)
    late.close()

    assert [(topic, retain) for topic, _, _, retain in got] == [("cellar/probe", True)]
    assert got[0][1] == [m.payload for m in cellar.messages if m.sensor == "probe"][-1]


def test_a_closed_broker_takes_it_with_the_password_only(mosquitto_with):
    closed = mosquitto_with(password="s3cret", extra="max_queued_messages 0")
    cellar = run(load("stuck-forced"), 1)

    with pytest.raises(PublishError, match="refused: Not authorized; check --username and --password"):
        publish(cellar, Broker(port=closed.port))
    listener = Listener(closed)
    sent = publish(cellar, Broker(port=closed.port, username="cellar", password="s3cret"))
    assert len(listener.wait_for(sent)) == sent
    listener.close()


def test_a_broker_that_goes_and_comes_back_loses_nothing(roomy):
    cellar = run(load("kit"), 1)
    listener = Listener(roomy, session="keeps its place")
    halfway = len(cellar.messages) // 2

    def restart(count, _total):
        if count == halfway:
            roomy.restart()

    sent = publish(cellar, Broker(port=roomy.port), progress=restart)

    assert sent == len(cellar.messages)
    payloads = {m.payload for m in cellar.messages}
    received = listener.wait_for_all_of(payloads)
    listener.close()
    assert payloads == received


def test_a_broker_that_answers_nothing_is_told_apart_from_one_that_does(mosquitto, monkeypatch):
    monkeypatch.setattr("mustsim.publish.ACKNOWLEDGE_TIMEOUT_S", 0.5)
    cellar = run(load("kit"), 1)

    with Publisher(Broker(port=mosquitto.port), in_flight=5) as publisher:
        mosquitto.pause()
        try:
            with pytest.raises(PublishError, match="acknowledged nothing for"):
                send_all(publisher, cellar.messages[:50])
        finally:
            mosquitto.resume()


def test_the_command_publishes_and_says_so(roomy, listener):
    result = CliRunner().invoke(app, ["publish", "kit", "--port", str(roomy.port), "--format", "json"])

    assert result.exit_code == 0
    assert "1535 messages published to" in result.stderr
    assert json.loads(listener.wait_for(1535)[-1][1])["sg"] == pytest.approx(0.996, abs=0.006)


def test_a_real_subscriber_prints_what_write_writes(mosquitto_with):
    """Source: mosquitto_sub -F %j of the installed mosquitto."""
    broker = mosquitto_with(extra="max_queued_messages 0\nlog_type all")
    program = shutil.which("mosquitto_sub")
    if program is None:
        from brokers import missing

        missing("mosquitto_sub is not installed (apt install mosquitto-clients)")
    subscriber = subprocess.Popen(
        [program, "-p", str(broker.port), "-t", "#", "-q", "1", "-F", "%j", "-C", "500"],
        stdout=subprocess.PIPE,
        text=True,
    )
    wait_until(lambda: " 1 #\n" in broker.log(), 10, "the subscriber subscribed")
    publish(run(load("kit"), 1), Broker(port=broker.port))
    printed = [json.loads(line) for line in subscriber.communicate(timeout=120)[0].splitlines()]

    written = CliRunner().invoke(app, ["write", "kit"]).stdout.splitlines()[:500]
    ours = [json.loads(line) for line in written]

    assert len(printed) == 500
    for real, own in zip(printed, ours, strict=True):
        assert {k: v for k, v in real.items() if k != "tst"} == {k: v for k, v in own.items() if k != "tst"}
    assert set(ours[0]) == set(printed[0])
    assert datetime.fromisoformat(ours[0]["tst"]).tzinfo is not None
