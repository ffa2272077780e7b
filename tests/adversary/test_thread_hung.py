"""A thread that hangs inside a transaction holds a lock that everybody waits for: the process ends all the same."""

import sys
import time
from collections.abc import Callable

import pytest
from attack_table import Row

import daemons
from brokers import NativeBroker
from daemons import Daemon, wait_until

HANGS = (
    sys.executable,
    "-c",
    """
import threading
from mustwatch.store.readings import Readings
add = Readings.add
def hang(self, readings):
    add(self, readings)
    if readings:
        with self._db.transaction():
            print("hanging", flush=True)
            threading.Event().wait()
Readings.add = hang
from mustwatch.cli import main
main()
""",
)
"""`mustwatch` whose pipeline never comes back from its first readings."""


@pytest.mark.broker
def test_the_process_ends_itself_within_a_minute(
    bucket: Callable[..., Daemon],
    mosquitto: NativeBroker,
    monkeypatch: pytest.MonkeyPatch,
    row: Callable[[str], Row],
) -> None:
    tried = row("a thread hangs inside a transaction")
    monkeypatch.setattr(daemons, "COMMAND", list(HANGS))
    daemon = bucket(f"port = {mosquitto.port}", web="port = 0")
    daemon.start()
    mosquitto.publish(("cellar/float", b'[{"n": "gravity", "u": "/", "v": 1.05}]'))
    wait_until(lambda: "hanging" in daemon.said(), 20, "it hangs")
    began = time.monotonic()

    process = daemon.process
    assert process is not None
    code = process.wait(120)
    tried.tried = 1
    tried.notes.append(f"ended after {time.monotonic() - began:.0f} s with {code}")
    assert time.monotonic() - began <= 60
    assert code == 1
    assert "pipeline, in a transaction" in daemon.said()
