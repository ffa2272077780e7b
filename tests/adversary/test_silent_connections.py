"""A thousand connections that say nothing: the pages' port gives them up, and telling, broker and card go on."""

import json
import os
import resource
import socket
import time
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from attack_table import Row

from brokers import NativeBroker, _free_port
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint

SILENT = 1_000


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def hot(ago_s: int) -> bytes:
    at_s = int(time.time()) - ago_s
    return json.dumps([{"bt": at_s, "n": "temperature", "u": "Cel", "v": 36.0}]).encode()


@pytest.mark.broker
def test_an_alert_is_told_meanwhile_and_the_pages_answer_again(
    bucket: Callable[..., Daemon],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
    row: Callable[[str], Row],
) -> None:
    tried = row("a thousand silent connections to the pages")
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    port = _free_port()
    daemon = bucket(f"port = {mosquitto.port}", web=f"port = {port}", tell=endpoint.url)
    begun = datetime.fromtimestamp(time.time() - 7200, UTC).isoformat()
    daemon.done(
        "record", "start", "kit", "--vessel", "bucket", "--gravity", "1.05", "--celsius", "19", "--at", begun
    )
    daemon.start(until=("pages at",))
    assert daemon.process is not None
    pid, said = daemon.process.pid, len(daemon.said())
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 4096), hard))
    silent = []
    try:
        for _ in range(SILENT):
            with suppress(OSError):
                silent.append(socket.create_connection(("127.0.0.1", port), 5.0))
        assert len(list(Path(f"/proc/{pid}/fd").iterdir())) < 300
        began, used = time.monotonic(), processor_s(pid)
        mosquitto.publish(*[("cellar/float", hot(ago_s)) for ago_s in range(6600, -1, -600)])
        wait_until(lambda: any("too warm" in a.title for a in endpoint.arrived), 20, "the alert is told")
        tried.told_late = int(time.monotonic() - began > 10)
        tried.notes.append(f"told after {time.monotonic() - began:.1f} s")
        time.sleep(3.0)
        share = (processor_s(pid) - used) / (time.monotonic() - began)
        wait_until(lambda: answers(port), 30, "the pages answer while the strangers still hold on")
    finally:
        for one in silent:
            one.close()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    written = len(daemon.said()) - said
    tried.tried = SILENT
    tried.notes.append(f"{share:.0%} of a core, {written} bytes of log")
    assert share < 0.5
    assert written < 20_000
    assert daemon.stop() == 0


def answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=3) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False
