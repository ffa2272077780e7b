"""The daemon watches itself: the watchdog is fed by the pipeline's going round, and a damaged file is outlived."""

import json
import os
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from brokers import Broker
from cellars import T0, new_store, readings
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.app import service as service_module
from mustwatch.app.pipeline import Pipeline
from mustwatch.app.service import PartFailedError, Service
from mustwatch.config.settings import Settings
from mustwatch.store.backup import make_backup


class Manager:
    """A service manager's socket, as systemd makes one. Source: sd_notify(3)."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.said: list[str] = []
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.settimeout(0.1)
        self.is_open = True
        self.thread = threading.Thread(target=self._listen)
        self.thread.start()

    def _listen(self) -> None:
        while self.is_open:
            try:
                self.said += self.socket.recv(4096).decode().splitlines()
            except TimeoutError:
                continue

    def close(self) -> None:
        self.is_open = False
        self.thread.join()
        self.socket.close()


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Manager]:
    made = Manager(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", str(made.path))
    monkeypatch.setattr(service_module, "WATCH_EVERY_S", 0.1)
    monkeypatch.setattr(service_module, "STUCK_AFTER_S", 20.0)
    yield made
    made.close()


class Running:
    """A service in a thread of this process, with no broker to be found."""

    def __init__(self, folder: Path) -> None:
        settings = Settings.model_validate(
            {"mqtt": {"port": 1}, "store": {"path": str(folder / "c.db")}, "web": {"enabled": False}}
        )
        self.service = Service(settings)
        self.fault: BaseException | None = None
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _run(self) -> None:
        try:
            self.service.run()
        except BaseException as fault:
            self.fault = fault

    def end(self) -> None:
        self.service.stop()
        self.thread.join(20)
        assert not self.thread.is_alive()


def test_a_daemon_that_goes_round_feeds_the_watchdog_even_without_a_broker(
    manager: Manager, tmp_path: Path
) -> None:
    running = Running(tmp_path)
    wait_until(lambda: manager.said.count("WATCHDOG=1") >= 5, 15, f"the watchdog fed: {manager.said}")
    running.end()
    wait_until(lambda: "STOPPING=1" in manager.said, 5, "leave taken")

    assert manager.said[0] == "READY=1"
    assert running.fault is None


def test_a_stuck_pipeline_starves_the_watchdog_and_ends_the_process_though_every_thread_lives(
    manager: Manager, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stuck, let_go = threading.Event(), threading.Event()

    def hang(self: Pipeline) -> None:
        if stuck.is_set():
            let_go.wait(180)

    monkeypatch.setattr(Pipeline, "_look_around", hang)
    running = Running(tmp_path)
    wait_until(lambda: "WATCHDOG=1" in manager.said, 15, "the watchdog fed")
    stuck.set()
    running.thread.join(0.1)
    wait_until(lambda: running.service._stop.is_set(), 60, "the daemon gives itself up")
    fed = manager.said.count("WATCHDOG=1")
    time.sleep(0.5)
    let_go.set()
    running.thread.join(30)

    assert manager.said.count("WATCHDOG=1") == fed
    assert isinstance(running.fault, PartFailedError)
    assert "pipeline" in str(running.fault)


def test_a_thread_that_dies_ends_the_process(
    manager: Manager, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(self: Pipeline) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(Pipeline, "_look_around", fail)
    running = Running(tmp_path)
    running.thread.join(30)

    assert isinstance(running.fault, ZeroDivisionError)

    running.service._failed(PartFailedError("the watch saw the thread gone"))
    assert isinstance(running.service._fault, ZeroDivisionError), "what came first is what was wrong"


# --- the real process ----------------------------------------------------------------------------------------


def configuration(broker: Broker, endpoint: HttpEndpoint, more: str = "") -> str:
    return (
        f'[mqtt]\nport = {broker.port}\n[web]\n{more or "enabled = false"}\n[[tell]]\nurl = "{endpoint.url}"\n'
        'quiet_hours = ""\n[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 25\n'
        '[[sensor]]\nid = "float"\nkind = "float"\nvessel = "bucket"\ntopic = "cellar/float"\ndecoder = "senml"\n'
    )


def scribble(path: Path, page: int) -> None:
    with path.open("r+b") as file:
        file.seek(page * 4096)
        file.write(os.urandom(4096))


@pytest.mark.broker
def test_damage_found_after_an_unclean_end_is_set_aside_told_and_outlived_from_the_backup(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], http_endpoint: HttpEndpoint
) -> None:
    daemon = daemon_with(configuration(mosquitto, http_endpoint))
    store = new_store(daemon.store)
    store.readings.add(readings(60.0))
    store.close()
    make_backup(daemon.store, daemon.folder / "backups", T0)
    daemon.start()
    daemon.kill()
    with closing(sqlite3.connect(daemon.store)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    scribble(daemon.store, daemon.store.stat().st_size // 4096 // 2)

    daemon.start(listening=False)
    process = daemon.process
    assert process is not None
    wait_until(lambda: process.poll() is not None, 30, f"the daemon ends to begin anew: {daemon.said()}")
    assert process.returncode != 0
    daemon.start()
    wait_until(lambda: _about_damage(http_endpoint), 30, "it is told")
    time.sleep(1.0)
    daemon.stop()

    told = _about_damage(http_endpoint)
    assert len(told) == 1
    assert "the watch goes on from the backup cellar-" in told[0]
    assert list(daemon.folder.glob("cellar.db.damaged-*"))
    with closing(sqlite3.connect(daemon.store)) as connection:
        assert connection.execute("SELECT count(*) FROM reading").fetchone() == (5760,)
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def _about_damage(endpoint: HttpEndpoint) -> list[str]:
    return [a.message for a in endpoint.arrived if "damaged" in a.title + a.message]


@pytest.mark.broker
def test_a_clean_end_is_not_followed_by_a_check_and_an_unclean_one_is(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], http_endpoint: HttpEndpoint
) -> None:
    daemon = daemon_with(configuration(mosquitto, http_endpoint))
    daemon.start()
    daemon.stop()
    daemon.start()
    assert "checked after an unclean end" not in daemon.said()
    daemon.kill()
    daemon.start()
    wait_until(lambda: "checked after an unclean end" in daemon.said(), 10, "the file read through")
    daemon.stop()


@pytest.mark.broker
def test_the_vitals_are_served_in_the_prometheus_format(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], http_endpoint: HttpEndpoint
) -> None:
    """Source: Prometheus documentation, "Exposition formats", text format 0.0.4."""
    daemon = daemon_with(configuration(mosquitto, http_endpoint, "port = 0"))
    daemon.start()
    wait_until(lambda: "pages at http://" in daemon.said(), 20, "the pages served")
    base = daemon.said().split("pages at ")[1].split("/\n")[0]
    payload = json.dumps([{"n": "gravity", "u": "/", "v": 1.05}]).encode()
    mosquitto.publish(("cellar/float", payload), ("cellar/float", b"nonsense"))
    wait_until(
        lambda: "mustwatch_readings_stored_total 1" in _get(f"{base}/metrics"), 10, "the reading counted"
    )
    text = _get(f"{base}/metrics")
    health = json.loads(_get(f"{base}/health"))
    daemon.stop()

    values = {}
    for line in text.splitlines():
        if not line.startswith("#"):
            name, _, value = line.rpartition(" ")
            values[name] = float(value)
    assert values["mustwatch_readings_in_total"] == 2
    assert values["mustwatch_readings_quarantined_total"] == 1
    assert values["mustwatch_outbox_depth"] == 0
    assert values["mustwatch_storage_writable"] == 1
    assert values["mustwatch_commit_lag_seconds"] >= 0
    assert values['mustwatch_sensor_heard_seconds_ago{sensor="float"}'] < 30
    assert "# TYPE mustwatch_readings_in_total counter" in text
    assert health


def _get(url: str) -> str:
    with urllib.request.urlopen(url, timeout=10) as answer:  # noqa: S310 - of this machine
        return str(answer.read().decode())


A_BUG = """
import mustwatch.app.service as service
from mustwatch.cli import main

def unpack(*_):
    one, two = (1, 2, 3)

service.note_places = unpack
main()
"""


def test_a_bug_at_the_start_is_shown_as_one_and_a_wrong_setting_as_wrong(
    daemon_with: Callable[[str], Daemon], tmp_path: Path
) -> None:
    sound, wrong = daemon_with(""), daemon_with(f'[mqtt]\nca_file = "{tmp_path}/gone.pem"\n')

    bug = subprocess.run(
        [sys.executable, "-c", A_BUG, "run"],
        env=sound.environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    refused = wrong.command("run")

    assert bug.returncode not in (0, 2)
    assert "Traceback" in bug.stderr
    assert "in unpack" in bug.stderr, "the journal says where"
    assert refused.returncode == 2
    assert "Traceback" not in refused.stderr
    assert "mqtt: ca_file" in refused.stderr
    assert "mqtt: ca_file" in wrong.command("check", "--config-only").stdout
