"""`mustwatch welcome`, walked by a person at a terminal: a real broker, a float that speaks, an endpoint that is told."""

import os
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from brokers import NativeBroker
from daemons import COMMAND, Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.cli.welcome import BrokerLog
from mustwatch.config.adding import add_entry

pytestmark = pytest.mark.broker


class Walker:
    """A person at the terminal, who reads what is said before they answer."""

    def __init__(self, daemon: Daemon) -> None:
        """Type `mustwatch welcome`."""
        self.process = subprocess.Popen(
            [*COMMAND, "welcome"],
            env=daemon.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        self.said = ""
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as stdout:
            while data := os.read(stdout.fileno(), 4096):
                self.said += data.decode()

    def leaves(self) -> int:
        """Return how the command ended."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.reader.join(30)
        return self.process.wait(30)

    def sees(self, words: str) -> None:
        """Wait for words that were not said before, and have read them."""
        wait_until(lambda: words in self.said, 30, f"{words!r} in: {self.said}")
        self.said = self.said.split(words, 1)[1]

    def answers(self, question: str, answer: str = "") -> None:
        """Answer a question; nothing takes what is proposed."""
        self.sees(question)
        assert self.process.stdin is not None
        self.process.stdin.write(f"{answer}\n".encode())
        self.process.stdin.flush()


def test_a_walk_ends_with_a_float_that_is_watched_and_a_person_who_is_told(
    daemon_with: Callable[[str], Daemon], mosquitto: NativeBroker, http_endpoint: HttpEndpoint
) -> None:
    cellar = daemon_with(f"[mqtt]\nport = {mosquitto.port}\n[web]\nenabled = false")
    walker = Walker(cellar)
    walker.sees("takes mustwatch")
    walker.answers("A name for the float", "green")
    walker.sees("topic cellar/green")
    walker.sees("Waiting")
    speaking = threading.Event()

    def speak() -> None:
        while not speaking.wait(0.5):
            mosquitto.publish(("cellar/green", b'{"sg": 1.0532, "temp": 19.4}'))

    threading.Thread(target=speak, daemon=True).start()
    try:
        walker.answers("The vessel", "back")
        walker.answers("A name for the float", "green")
        walker.answers("The vessel", "tub")
        walker.answers("What is that?")
        walker.answers("How many litres")
        walker.answers("What do you call", "elder")
        for question in ("In which vessel", "Its gravity", "Of a sample", "How many litres"):
            walker.answers(question)
        walker.answers("The address", "nonsense://of/mine")
        walker.answers("The address", http_endpoint.url)
        walker.answers("yes or no")
        walker.sees("Start `mustwatch run`")
        cellar.start()
        walker.answers("; then Enter")
        walker.sees("1.0532")
        assert walker.leaves() == 0
    finally:
        speaking.set()

    config = tomllib.loads(cellar.config.read_text())
    assert [(s["id"], s["vessel"]) for s in config["sensor"]] == [("green", "tub")]
    assert [tell["url"] for tell in config["tell"]] == [http_endpoint.url]
    assert http_endpoint.titles() == ["mustwatch: a test"]
    assert cellar.json("cellar")["vessels"][0]["lot"] == "elder"
    assert "no faults" in cellar.done("check", "--config-only")


def test_every_step_can_be_skipped_and_nothing_is_changed(
    daemon_with: Callable[[str], Daemon], mosquitto: NativeBroker
) -> None:
    cellar = daemon_with(f"[mqtt]\nport = {mosquitto.port}")
    before = cellar.config.read_text()

    done = subprocess.run(
        [*COMMAND, "welcome"],
        env=cellar.environment,
        input="skip\n" * 4,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stderr
    assert "That is all" in done.stdout
    assert cellar.config.read_text() == before


def test_an_entry_with_a_fault_changes_nothing(daemon_with: Callable[[str], Daemon]) -> None:
    cellar = daemon_with("")
    before = cellar.config.read_text()

    (fault,) = add_entry(cellar.config, '[[vessel]]\nname = "tub"\nkind = "jug"\nlitres = 5')
    assert "vessel tub.kind" in fault
    assert cellar.config.read_text() == before
    assert add_entry(cellar.config, '[[vessel]]\nname = "tub"\nkind = "bucket"\nlitres = 5') == []
    assert [p.name for p in cellar.folder.iterdir()] == ["mustwatch.toml"]


def test_a_float_that_is_refused_is_seen_in_the_broker_s_log(
    tmp_path: Path, mosquitto_with: Callable[..., NativeBroker]
) -> None:
    broker = mosquitto_with(password="s3cret-word")
    log = BrokerLog(broker.directory / "log")
    for password in ("wrong", "s3cret-word"):
        subprocess.run(
            [sys.executable, "-c", SPEAK, str(broker.port), password],
            capture_output=True,
            check=False,
            timeout=60,
        )
    time.sleep(0.2)

    remarks = log.remarks("cellar")

    assert any("refused" in remark for remark in remarks), (broker.directory / "log").read_text()
    assert any("has come in" in remark for remark in remarks)


SPEAK = """
import sys, time
import paho.mqtt.client as paho
client = paho.Client(paho.CallbackAPIVersion.VERSION2)
client.username_pw_set("cellar", sys.argv[2])
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
time.sleep(1)
"""
