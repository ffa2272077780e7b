"""The broker's session: who takes it takes what waits for the daemon. It is hard to find, and a loss is told."""

import json
import subprocess
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from shutil import copytree

import paho.mqtt.client as paho
import pytest
from attack_table import Row
from paho.mqtt.enums import CallbackAPIVersion

from brokers import NativeBroker
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.store.store import Store

PROJECT = Path(__file__).resolve().parents[2]
READINGS = 100


def mqtt(broker: NativeBroker, client_id: str) -> str:
    return (
        f'port = {broker.port}\nclient_id = "{client_id}"\nkeepalive_seconds = 5\nreconnect_most_seconds = 1'
    )


def waiting_readings(broker: NativeBroker) -> None:
    """Publish what waits in the daemon's session, as it is away."""
    now_s = time.time()
    for i in range(READINGS):
        record = {"bt": round(now_s - 60 * (READINGS - i)), "n": "gravity", "u": "/", "v": 1.05}
        broker.publish(("cellar/float", json.dumps([record]).encode()))


def take(broker: NativeBroker, client_id: str, *, clean: bool) -> int:
    """Connect under a name for a while and take what comes; return how much that was."""
    got: list[bytes] = []
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=clean)
    client.on_message = lambda _client, _userdata, message: got.append(bytes(message.payload))
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    time.sleep(1.5)
    client.disconnect()
    client.loop_stop()
    return len(got)


def stored(daemon: Daemon) -> int:
    with closing(Store(daemon.store, 0)) as store:
        return store.readings.count()


@pytest.mark.broker
def test_a_float_that_guesses_takes_nothing_from_a_session_of_a_random_name(
    bucket: Callable[..., Daemon],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
    tmp_path: Path,
    row: Callable[[str], Row],
) -> None:
    tried = row("a float connects once under the daemon's usual name while readings wait")
    copytree(PROJECT / "deploy", tmp_path / "deploy")
    names = []
    for _ in range(2):
        (tmp_path / "deploy/compose/.env").unlink(missing_ok=True)
        subprocess.run(["sh", str(tmp_path / "deploy/compose/prepare.sh")], check=True, capture_output=True)
        lines = (tmp_path / "deploy/compose/.env").read_text().splitlines()
        names += [line.partition("=")[2] for line in lines if line.startswith("MUSTWATCH_MQTT_CLIENT_ID=")]
    assert len(set(names)) == 2, "each installation makes a name of its own"
    assert min(map(len, names)) >= 24
    daemon = bucket(mqtt(mosquitto, names[0]), tell=endpoint.url)
    daemon.start()
    daemon.stop()
    waiting_readings(mosquitto)

    taken = take(mosquitto, "mustwatch", clean=False)
    daemon.start()
    wait_until(lambda: stored(daemon) == READINGS, 20, "what waited")
    daemon.stop()

    tried.tried, tried.lost = READINGS, READINGS - stored(daemon)
    assert taken == 0
    assert not any("broker" in a.title for a in endpoint.arrived)


@pytest.mark.broker
def test_a_session_that_was_emptied_is_told_at_once_with_since_when_readings_may_be_missing(
    bucket: Callable[..., Daemon],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
    row: Callable[[str], Row],
) -> None:
    tried = row("the daemon's session is thrown away under its own name")
    daemon = bucket(mqtt(mosquitto, "known"), tell=endpoint.url)
    daemon.start()
    waiting_readings(mosquitto)
    wait_until(lambda: stored(daemon) == READINGS, 20, "what came")
    daemon.stop()
    take(mosquitto, "known", clean=True)

    began = time.monotonic()
    daemon.start()
    wait_until(lambda: told(endpoint, "forgotten our session"), 20, "it is told")
    tried.tried, tried.told_late = 1, int(time.monotonic() - began > 60)
    tried.notes.append(f"told {time.monotonic() - began:.1f} s after the start")
    assert "Readings since" in told(endpoint, "forgotten our session")
    daemon.stop()
    before = len(endpoint.arrived)
    daemon.start()
    daemon.stop()
    assert len(endpoint.arrived) == before, "a session that is resumed is nothing to tell"


@pytest.mark.broker
def test_a_second_daemon_of_the_same_name_is_told(
    bucket: Callable[..., Daemon],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
    row: Callable[[str], Row],
) -> None:
    tried = row("a second daemon on a bench, under the same name")
    daemon = bucket(mqtt(mosquitto, "mustwatch"), tell=endpoint.url)
    other = bucket(mqtt(mosquitto, "mustwatch"), tell="json://127.0.0.1:9/")
    daemon.start()
    began = time.monotonic()
    other.start()
    wait_until(lambda: told(endpoint, "two programs under one name"), 30, "it is told")
    tried.tried, tried.told_late = 1, int(time.monotonic() - began > 60)
    tried.notes.append(f"told after {time.monotonic() - began:.1f} s")
    other.stop()
    daemon.stop()


def told(endpoint: HttpEndpoint, words: str) -> str:
    """Return the message that says something, or nothing."""
    return next((a.message for a in endpoint.arrived if words in (a.title + a.message).lower()), "")
