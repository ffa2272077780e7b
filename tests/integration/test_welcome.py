"""`mustwatch welcome`, walked by a person at a terminal: a real broker, a float that speaks, an endpoint that is told."""

import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from brokers import NativeBroker
from daemons import COMMAND, Daemon
from endpoints import HttpEndpoint
from mustwatch.config.adding import add_entry
from mustwatch.listening.broker_log import BrokerLog, logging_everything
from walker import Walker

pytestmark = pytest.mark.broker


def test_a_walk_ends_with_a_float_that_is_watched_and_a_person_who_is_told(
    daemon_with: Callable[[str], Daemon], mosquitto: NativeBroker, http_endpoint: HttpEndpoint
) -> None:
    cellar = daemon_with(f"[mqtt]\nport = {mosquitto.port}\n[web]\nenabled = false")
    walker = Walker([*COMMAND, "welcome"], cellar.environment)
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


def test_a_float_that_is_refused_is_told_why_from_the_broker_s_log(
    tmp_path: Path, mosquitto_with: Callable[..., NativeBroker]
) -> None:
    settings = tmp_path / "conf.d"
    settings.mkdir()
    acl = "user cellar\ntopic write cellar/cellar\n"
    broker = mosquitto_with(password="s3cret-word", acl=acl, extra=f"include_dir {settings}")
    assert broker.process is not None
    reload = ("kill", "-HUP", str(broker.process.pid))
    log = BrokerLog(broker.directory / "log")
    with logging_everything(settings, reload):
        time.sleep(0.3)
        for password, topic in (("wrong", "cellar/cellar"), ("s3cret-word", "cellar/other")):
            speak(broker, password, topic)
        remarks = log.remarks("cellar")
    time.sleep(0.3)
    speak(broker, "s3cret-word", "cellar/other")

    assert any("its user or its password is wrong" in remark for remark in remarks), broker.log()
    assert any("cellar has come in, from 127.0.0.1" in remark for remark in remarks)
    assert "cellar writes to cellar/other, which it may not: set its topic to cellar/cellar" in remarks
    assert not [remark for remark in log.remarks("cellar") if "writes to" in remark], "logged only meanwhile"
    assert list(settings.iterdir()) == []


def speak(broker: NativeBroker, password: str, topic: str) -> None:
    """Say something as a float does."""
    subprocess.run(
        [sys.executable, "-c", SPEAK, str(broker.port), password, topic],
        capture_output=True,
        check=False,
        timeout=60,
    )
    time.sleep(0.2)


SPEAK = """
import sys, time
import paho.mqtt.client as paho
client = paho.Client(paho.CallbackAPIVersion.VERSION2)
client.username_pw_set("cellar", sys.argv[2])
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
client.publish(sys.argv[3], "1", qos=1)
time.sleep(1)
"""
