"""`mustwatch listen` on a real broker: what is heard, what is proposed, and that it leaves no trace."""

import json
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from brokers import NativeBroker
from mustwatch.listening.broker import Heard, visit

pytestmark = pytest.mark.broker

CONFIG = """
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30

[[vessel]]
name = "carboy"
kind = "carboy"
litres = 23

[[sensor]]
id = "float-1"
kind = "float"
vessel = "bucket"
topic = "cellar/float-1"
decoder = "json"
fields = { gravity = "sg", temperature = "temp" }
"""


class Listening:
    """The command, running."""

    def __init__(
        self, folder: Path, broker: NativeBroker, *arguments: str, mqtt: str = "", seconds: float = 2.5
    ) -> None:
        """Start it and give it time to have subscribed."""
        config = folder / "mustwatch.toml"
        config.write_text(
            f'[mqtt]\nport = {broker.port}\n{mqtt}\n[store]\npath = "{folder / "c.db"}"\n{CONFIG}'
        )
        self.process = subprocess.Popen(
            [sys.executable, "-m", "mustwatch", "listen", "--seconds", str(seconds), *arguments],
            env={**os.environ, "MUSTWATCH_CONFIG": str(config)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        ends = time.monotonic() + 60
        while time.monotonic() < ends and not arguments_heard(broker) and self.process.poll() is None:
            time.sleep(0.05)

    def end(self) -> tuple[str, str, int]:
        """Wait for its end; return what it said and its exit code."""
        out, err = self.process.communicate(timeout=120)
        return out, err, self.process.returncode


def arguments_heard(broker: NativeBroker) -> bool:
    """Say whether the broker has seen the visitor subscribe."""
    return re.search(r"-visit-\S* [01] \S", broker.log()) is not None


def test_it_shows_what_arrives_and_proposes_what_is_new(tmp_path: Path, mosquitto: NativeBroker) -> None:
    listening = Listening(tmp_path, mosquitto, "--json")
    mosquitto.publish(
        ("cellar/float-1", b'{"sg": 1.0532, "temp": 19.4}'),
        ("cellar/float-2", b'{"gravity": 1.0910, "tempF": 68.0}'),
        ("cellar/float-1", b'{"sg": "high"}'),
    )

    out, _, code = listening.end()
    document = json.loads(out)

    assert code == 0
    by_topic = {row["topic"]: row for row in document["topics"]}
    assert by_topic["cellar/float-1"]["sensor"] == "float-1"
    assert by_topic["cellar/float-1"]["messages"] == 2
    assert "gravity is 'high'" in by_topic["cellar/float-1"]["why"]
    assert by_topic["cellar/float-2"]["readings"] == [{"gravity": 1.091, "celsius": pytest.approx(20.0)}]
    (proposal,) = document["proposals"]
    assert proposal["sensor"] == "float-2"
    assert 'vessel = "carboy"' in proposal["toml"]


def test_a_person_reads_the_entry_to_copy(tmp_path: Path, mosquitto: NativeBroker) -> None:
    listening = Listening(tmp_path, mosquitto)
    mosquitto.publish(("cellar/float-2/gravity", b"1.0532"), ("cellar/float-2/temperature", b"19.4"))

    out, _, code = listening.end()

    assert code == 0
    assert "new  cellar/float-2/gravity: gravity 1.0532" in out
    assert 'gravity = { topic = "cellar/float-2/gravity", unit = "SG" }' in out
    assert "copy into" in out


def test_silence_says_what_to_look_at(tmp_path: Path, mosquitto: NativeBroker) -> None:
    out, _, code = Listening(tmp_path, mosquitto, seconds=0.5).end()

    assert code == 0
    assert "Nothing was said" in out


def test_the_daemons_session_is_left_alone(mosquitto: NativeBroker) -> None:
    heard: list[Heard] = []
    settings = mosquitto.settings(client_id="mustwatch")
    other = threading.Thread(target=lambda: visit(settings, ["#"], 1.5, heard.append))
    other.start()
    gone = visit(settings, ["#"], 0.5)
    other.join()

    assert gone.trouble is None
    assert mosquitto.log().count("already connected") == 0


def test_a_broker_that_is_away_or_refuses_is_said_in_one_line(
    mosquitto_with: Callable[..., NativeBroker],
) -> None:
    closed = mosquitto_with(password="right")

    wrong = visit(closed.settings(password="wrong"), ["#"], 0)
    closed.stop()
    away = visit(closed.settings(), ["#"], 0)

    assert wrong.trouble is not None
    assert "refuses us" in wrong.trouble
    assert "password" in wrong.trouble
    assert away.trouble is not None
    assert "nobody listens there" in away.trouble


@pytest.mark.parametrize("protocol", [5, 4])
def test_it_speaks_both_versions_of_the_protocol(mosquitto: NativeBroker, protocol: Any) -> None:
    mosquitto.publish(("cellar/kept", b"1"), retain=True)
    heard: list[Heard] = []

    gone = visit(mosquitto.settings(protocol=protocol), ["cellar/#"], 0.5, heard.append)

    assert gone.trouble is None
    assert heard == [Heard("cellar/kept", b"1", True)]


def test_certificates_are_checked(mosquitto_with: Callable[..., NativeBroker]) -> None:
    secure = mosquitto_with(tls=True)

    assert visit(secure.settings(), ["#"], 0).trouble is None
    untrusted = visit(secure.settings(ca_file=None), ["#"], 0).trouble
    assert untrusted is not None
    assert "not trusted" in untrusted
