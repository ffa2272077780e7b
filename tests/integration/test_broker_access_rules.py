"""The broker's users and rules as deploy/broker_access.py writes them, on a real mosquitto.

A float may write its own topic and no other, and reads nothing of the cellar; the daemon reads all and writes nothing;
nobody comes in without a password.
"""

import argparse
import importlib.util
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from brokers import missing
from daemons import wait_until

pytestmark = pytest.mark.broker
PROJECT = Path(__file__).resolve().parents[2]
CONFIG = """
[mqtt]
port = {port}
username = "mustwatch"
password = "the daemon's own"

[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30

[[sensor]]
id = "float-1"
kind = "float"
vessel = "bucket"
topic = "cellar/float-1"
decoder = "senml"

[[sensor]]
id = "Stube"
kind = "probe"
room = true
decoder = "number"
fields = {{ temperature = {{ topic = "haus/die stube/temp", unit = "C" }} }}
"""


def module() -> ModuleType:
    """Load deploy/broker_access.py, which is no part of the package."""
    spec = importlib.util.spec_from_file_location("broker_access", PROJECT / "deploy/broker_access.py")
    assert spec is not None
    assert spec.loader is not None
    loaded = importlib.util.module_from_spec(spec)
    sys.modules["broker_access"] = loaded
    spec.loader.exec_module(loaded)
    return loaded


access = module()


class Guarded:
    """A mosquitto with the files that the script wrote."""

    def __init__(self, folder: Path, changed: Callable[[str], str] = lambda conf: conf) -> None:
        """Write the configuration, let two floats in, and start the broker, with its file changed."""
        program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
        if program is None:
            missing("mosquitto is not installed (apt install mosquitto)")
        import socket

        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.folder = folder
        (folder / "mustwatch.toml").write_text(CONFIG.format(port=self.port), encoding="utf-8")
        self.passwords = {
            "mustwatch": "the daemon's own",
            "float-1": self.script("password", "float-1"),
            "Stube": self.script("password", "Stube"),
            "float-9": self.script("add", "float-9"),
            "hub": self.script("add", "hub", "cellar/a", "cellar/+/b"),
        }
        conf = folder / "mosquitto.conf"
        conf.write_text(changed(f"user root\n{conf.read_text()}"))
        self.log = folder / "log"
        with self.log.open("wb") as log:
            self.process = subprocess.Popen([program, "-c", str(conf)], stdout=log, stderr=log)
        wait_until(lambda: " running" in self.log.read_text(), 20, f"mosquitto: {self.log.read_text()}")

    def script(self, *arguments: str) -> str:
        """Run the script; return the password it printed, or ""."""
        places = (
            f"--config {self.folder}/mustwatch.toml --access {self.folder} --conf {self.folder}/mosquitto.conf"
            f" --data {self.folder}/ --group {os.getgid()} --reload none --restart none --set-up"
        )
        done = subprocess.run(
            [sys.executable, str(PROJECT / "deploy/broker_access.py"), *places.split(), *arguments],
            capture_output=True,
            text=True,
            check=True,
        )
        lines = [line for line in done.stdout.splitlines() if line.startswith("password")]
        return lines[0].split()[1] if lines else ""

    def client(self, user: str | None, password: str | None = None) -> paho.Client:
        """Return a client of MQTT 5, which hears why something was refused."""
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        if user is not None:
            client.username_pw_set(user, self.passwords[user] if password is None else password)
        return client

    def lets_in(self, user: str | None, password: str | None = None) -> bool:
        """Say whether somebody is let in."""
        answers: list[bool] = []
        client = self.client(user, password)
        client.on_connect = lambda c, u, f, reason, p: answers.append(not reason.is_failure)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        wait_until(lambda: answers, 10, "an answer to CONNECT")
        client.disconnect()
        client.loop_stop()
        return answers[0]

    def reaches(self, writer: str, topic: str, reader: str) -> bool:
        """Say whether what one publishes comes to one who has subscribed to everything."""
        heard: list[str] = []
        ready, end = threading.Event(), threading.Event()
        listening = self.client(reader)
        listening.on_subscribe = lambda *_: ready.set()

        def hear(_client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
            heard.append(message.topic)
            if message.topic == "cellar/float-1":
                end.set()

        listening.on_message = hear
        listening.on_connect = lambda c, *_: c.subscribe(
            [("#", paho.SubscribeOptions(1)), (topic, paho.SubscribeOptions(1))]
        )
        listening.connect("127.0.0.1", self.port)
        listening.loop_start()
        assert ready.wait(10)
        self.takes(writer, topic)
        # The broker keeps order: once this second message has come to the daemon, the first would have come too.
        if reader == "mustwatch":
            self.takes("float-1", "cellar/float-1")
            assert end.wait(10)
        else:
            end.wait(0.7)
        listening.disconnect()
        listening.loop_stop()
        return topic in heard

    def takes(self, user: str, topic: str) -> bool:
        """Say whether the broker takes a message; one it may not have is answered with 'not authorized'."""
        answers: list[bool] = []
        client = self.client(user)
        client.on_publish = lambda c, u, mid, reason, p: answers.append(not reason.is_failure)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        client.publish(topic, b"1", qos=1)
        wait_until(lambda: answers, 10, "an answer to PUBLISH")
        client.disconnect()
        client.loop_stop()
        return answers[0]


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guarded]:
    guarded = Guarded(tmp_path_factory.mktemp("guarded"))
    yield guarded
    guarded.process.terminate()
    guarded.process.wait(10)


def test_nobody_comes_in_without_the_right_password(broker: Guarded) -> None:
    assert not broker.lets_in(None)
    assert not broker.lets_in("float-1", "guessed")
    assert not broker.lets_in("float-1", "")
    assert not broker.lets_in("nobody", "guessed")
    assert broker.lets_in("float-1")
    assert broker.lets_in("mustwatch")


@pytest.mark.parametrize(
    ("user", "topic", "may"),
    [
        ("float-1", "cellar/float-1", True),
        ("float-1", "cellar/float-2", False),
        ("float-1", "cellar/float-1/more", False),
        ("float-1", "cellar", False),
        ("float-1", "haus/die stube/temp", False),
        ("Stube", "haus/die stube/temp", True),
        ("Stube", "haus/die", False),
        # let in by hand, not configured yet: its own corner
        ("float-9", "cellar/float-9", True),
        ("float-9", "cellar/float-9/gravity", True),
        ("float-9", "cellar/float-1", False),
        # given topics of its own
        ("hub", "cellar/a", True),
        ("hub", "cellar/x/b", True),
        ("hub", "cellar/hub", False),
        # the daemon writes nothing
        ("mustwatch", "cellar/float-1", False),
    ],
)
def test_each_writes_where_it_may_and_nowhere_else(broker: Guarded, user: str, topic: str, may: bool) -> None:
    assert broker.takes(user, topic) is may
    assert broker.reaches(user, topic, "mustwatch") is may or topic == "cellar/float-1"


def test_the_daemon_hears_and_a_float_does_not(broker: Guarded) -> None:
    assert broker.reaches("float-9", "cellar/float-9", "mustwatch")
    assert not broker.reaches("float-9", "cellar/float-9", "float-1")
    assert not broker.reaches("float-1", "cellar/float-1", "float-9")
    assert not broker.reaches("float-1", "cellar/float-1", "float-1")


def test_what_no_float_says_in_one_message_is_not_taken(broker: Guarded) -> None:
    """100 kB are a night's readings in one pack; what is longer only fills memory."""
    heard = waiting_for_the_daemon(broker, [100_000], [140_000], [300_000], [1_000])

    assert heard == [100_000, 1_000]


def test_one_float_that_floods_fills_no_more_than_so_many_bytes(tmp_path: Path) -> None:
    """With a hundredth of the limit, so that the test need not fill the memory either."""
    broker = Guarded(
        tmp_path, lambda conf: conf.replace("max_queued_bytes 134217728", "max_queued_bytes 1342177")
    )
    try:
        heard = waiting_for_the_daemon(broker, [10_000] * 400)

        assert 100 <= len(heard) <= 140, "1.34 MB of 4"
    finally:
        broker.process.terminate()
        broker.process.wait(10)


def waiting_for_the_daemon(broker: Guarded, *parts: list[int]) -> list[int]:
    """Return the sizes of what comes of a float's messages of some sizes, published while the daemon is away."""
    heard: list[int] = []

    def daemon() -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="a-daemon", clean_session=False)
        client.username_pw_set("mustwatch", broker.passwords["mustwatch"])
        client.on_connect = lambda c, *_: c.subscribe("cellar/#", 1)
        client.on_message = lambda _c, _u, message: heard.append(len(message.payload))
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        return client

    ready = threading.Event()
    first = daemon()
    first.on_subscribe = lambda *_: ready.set()
    assert ready.wait(10)
    first.disconnect()
    first.loop_stop()
    for part in parts:  # a connection each: who says too much is put out
        client = broker.client("float-1")
        said: list[int] = []
        gone = threading.Event()
        client.on_publish = lambda *_, said=said: said.append(1)
        client.on_disconnect = lambda *_, gone=gone: gone.set()
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        for size in part:
            client.publish("cellar/float-1", b"x" * size, qos=1)
        wait_until(lambda: len(said) == len(part) or gone.is_set(), 20, "answers")  # noqa: B023 - called here
        client.loop_stop()
    again = daemon()
    before = -1
    while before < len(heard):
        before = len(heard)
        time.sleep(0.7)
    again.disconnect()
    again.loop_stop()
    return heard


def test_a_float_that_is_shut_out_stays_out(broker: Guarded) -> None:
    broker.script("remove", "float-9")
    broker.process.send_signal(1)  # SIGHUP: read users and rules again
    wait_until(lambda: not broker.lets_in("float-9"), 10, "float-9 is shut out")
    assert broker.lets_in("float-1")


def test_passwords_are_kept_as_hashes_that_nobody_else_may_read(broker: Guarded) -> None:
    file = broker.folder / "mustwatch.passwords"
    text = file.read_text()

    assert file.stat().st_mode & 0o007 == 0
    assert not any(password in text for password in broker.passwords.values())
    assert access.is_password(broker.passwords["hub"], access.passwords_in(text)["hub"])


@pytest.mark.parametrize("topic", ["#", "+/x", "", "$SYS/x", "a/#/b", "a/b#", "a\nuser mustwatch"])
def test_a_topic_that_would_open_the_cellar_is_refused(topic: str) -> None:
    with pytest.raises(access.AccessError):
        access.checked_topic(topic)


@pytest.mark.parametrize("name", ["", "a:b", "a\nb", "a/b", "#", "mustwatch", " a"])
def test_a_name_that_could_be_somebody_elses_is_refused(name: str) -> None:
    with pytest.raises(access.AccessError):
        access.checked_name(name)


def test_no_rule_holds_for_everybody() -> None:
    lines = access.rules_text({"a": ["cellar/a"]}).splitlines()
    rules = [line for line in lines if line and not line.startswith("#")]

    assert rules[0].startswith("user ")
    assert not any(line.startswith("pattern") for line in rules)


def test_two_sensors_never_share_a_user() -> None:
    with pytest.raises(access.AccessError):
        access.writers({"a:b": ["x"], "a_b": ["y"]}, {})
    with pytest.raises(access.AccessError):
        access.writers({"mustwatch": ["x"]}, {})


def test_running_it_again_writes_nothing(broker: Guarded) -> None:
    files = [broker.folder / name for name in ("mustwatch.acl", "mustwatch.passwords")]
    before = [file.stat().st_mtime_ns for file in files]
    broker.script("sync")

    assert [file.stat().st_mtime_ns for file in files] == before


def test_it_explains_itself() -> None:
    text = access._parser().format_help()
    assert isinstance(access._parser(), argparse.ArgumentParser)
    for word in ("sync", "add", "password", "remove", "list"):
        assert word in text


# --- a broker of one's own -------------------------------------------------------------------------------------


def asked(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the script beside a broker's own files, which it finds as a person left them."""
    (folder / "mustwatch.toml").write_text(CONFIG.format(port=1883), encoding="utf-8")
    (folder / "conf.d").mkdir(exist_ok=True)
    (folder / "conf.d/mine.conf").write_text("listener 1883\nallow_anonymous true\n")
    places = f"--config {folder}/mustwatch.toml --access {folder} --conf {folder}/conf.d/mustwatch.conf --group {os.getgid()}"
    return subprocess.run(
        [sys.executable, str(PROJECT / "deploy/broker_access.py"), *places.split(), *arguments],
        capture_output=True,
        text=True,
        check=False,
    )


def test_beside_a_broker_of_one_s_own_nothing_is_written_and_what_to_enter_is_said(tmp_path: Path) -> None:
    added = asked(tmp_path, "add", "float-9")
    synced = asked(tmp_path, "sync")

    assert (added.returncode, synced.returncode) == (0, 0)
    assert sorted(p.name for p in tmp_path.rglob("*") if p.is_file()) == ["mine.conf", "mustwatch.toml"]
    for line in ("  user float-9", "  topic write cellar/float-9", "  topic write cellar/float-9/#"):
        assert line in added.stdout.splitlines()
    for line in ("  user mustwatch", "  topic read haus/die stube/temp", "  user float-1"):
        assert line in synced.stdout.splitlines()


def test_what_it_says_to_enter_lets_the_float_in(tmp_path: Path) -> None:
    said = asked(tmp_path, "add", "float-9").stdout.splitlines()
    password = next(line.split()[1] for line in said if line.startswith("password"))
    kept = next(line.strip().split(":", 1)[1] for line in said if line.startswith("  float-9:"))

    assert access.is_password(password, kept)


def test_what_the_broker_does_not_come_up_with_is_put_back(tmp_path: Path) -> None:
    refused = asked(tmp_path, "--restart", "false", "--set-up", "sync")

    assert refused.returncode == 1
    assert "as it was before" in refused.stderr
    assert sorted(p.name for p in tmp_path.rglob("*") if p.is_file()) == ["mine.conf", "mustwatch.toml"]
