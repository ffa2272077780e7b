"""Real time-series servers for the mirror's tests. Fixtures, found through tests/conftest.py.

victoria     a running VictoriaMetrics, which takes what InfluxDB 2 takes on /api/v2/write
influx       a bucket of its own, twice: on the stand-in of tests/stand_in_influx.py, and on a real InfluxDB 2, the one
             named by MUSTWATCH_TEST_INFLUXDB_URL, _TOKEN (all-access), _ORG, or an ``influxd`` of this machine; where
             there is neither, the second is skipped, saying so
stand_in     the stand-in alone, for what a real server cannot be made to do
"""

import contextlib
import json
import os
import shutil
import signal
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from brokers import _free_port, missing
from stand_in_influx import Rights, StandInInflux

STARTUP_S = 30.0
TOKEN = "a-token-for-tests-only"


class Victoria:
    """VictoriaMetrics with a data directory of its own, to be stopped, killed and started again."""

    def __init__(self, folder: Path) -> None:
        """Choose a port."""
        self.folder = folder
        self.port = _free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        program = shutil.which("victoria-metrics")
        if program is None:
            missing("victoria-metrics is not installed (apt install victoria-metrics)")
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [
                    program,
                    f"-storageDataPath={self.folder / 'data'}",
                    f"-httpListenAddr=127.0.0.1:{self.port}",
                    "-retentionPeriod=100y",
                    "-search.latencyOffset=0s",
                    "-memory.allowedBytes=200MB",
                ],
                stdout=log,
                stderr=log,
            )
        _wait_for(f"{self.url}/health", self.process, self.folder / "log")

    def stop(self) -> None:
        """End it in good order."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it at once."""
        self._end(signal.SIGKILL)

    def _end(self, how: signal.Signals) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(how)
            self.process.wait(30)
        self.process = None

    def series(self, measurement: str, field: str) -> dict[tuple[tuple[str, str], ...], dict[int, float]]:
        """Return every series of a field: its tags, and its values by instant (ms); a later value replaces a former."""
        with contextlib.suppress(urllib.error.URLError):
            _get(f"{self.url}/internal/force_flush")
        found: dict[tuple[tuple[str, str], ...], dict[int, float]] = {}
        for line in _get(f"{self.url}/api/v1/export?match[]={measurement}_{field}").splitlines():
            series = json.loads(line)
            tags = tuple(sorted((k, v) for k, v in series["metric"].items() if k not in ("__name__", "db")))
            found.setdefault(tags, {}).update(zip(series["timestamps"], series["values"], strict=True))
        return found


@dataclass
class Influx:
    """A bucket on an InfluxDB 2, what lets one in, and what a test may do to it."""

    url: str
    token: str
    org: str
    bucket: str
    stand_in: StandInInflux | None = None

    def toml(self, **changed: object) -> str:
        """Return the configuration that mirrors into it."""
        said = {"url": self.url, "org": self.org, "bucket": self.bucket, "token": self.token, **changed}
        return "[influx]\n" + "".join(f"{name} = {json.dumps(value)}\n" for name, value in said.items())

    def make_anew(self) -> None:
        """Have an empty bucket in its place, under the same name."""
        if self.stand_in is not None:
            self.stand_in.make_anew()
            return
        self._ask("DELETE", f"buckets/{self._bucket()['id']}")
        self._ask("POST", "buckets", {"orgID": self._org_id(), "name": self.bucket, "retentionRules": []})

    def keep_for(self, seconds: int) -> None:
        """Drop points older than this from now on."""
        if self.stand_in is not None:
            self.stand_in.retention_s = seconds
            return
        rules = [{"type": "expire", "everySeconds": seconds}]
        self._ask("PATCH", f"buckets/{self._bucket()['id']}", {"retentionRules": rules})

    def token_that(self, *, may_read: bool, may_write: bool) -> str:
        """Return a token for this bucket."""
        if self.stand_in is not None:
            self.stand_in.tokens["narrow"] = Rights(read=may_read, write=may_write)
            return "narrow"
        actions = [name for name, may in (("read", may_read), ("write", may_write)) if may]
        resource = {"type": "buckets", "id": self._bucket()["id"], "orgID": self._org_id()}
        permissions = [{"action": action, "resource": resource} for action in actions]
        made = self._ask("POST", "authorizations", {"orgID": self._org_id(), "permissions": permissions})
        return str(made["token"])

    def _org_id(self) -> str:
        return str(self._ask("GET", f"orgs?org={urllib.parse.quote(self.org)}")["orgs"][0]["id"])

    def _bucket(self) -> Any:
        asked = urllib.parse.urlencode({"org": self.org, "name": self.bucket})
        return self._ask("GET", f"buckets?{asked}")["buckets"][0]

    def _ask(self, method: str, path: str, body: object = None) -> Any:
        said = self._ask_text(method, path, body)
        return json.loads(said) if said else None

    def _ask_text(self, method: str, path: str, body: object = None) -> str:
        request = urllib.request.Request(  # noqa: S310 - of this machine
            f"{self.url}/api/v2/{path}",
            None if body is None else json.dumps(body).encode(),
            {"Authorization": f"Token {self.token}", "Content-Type": "application/json"},
            method=method,
        )
        with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310
            return str(answer.read().decode())


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[Victoria]:
    """Return a running VictoriaMetrics."""
    server = Victoria(tmp_path / "victoria")
    server.start()
    yield server
    server.kill()


@pytest.fixture
def stand_in() -> Iterator[StandInInflux]:
    """Return a stand-in for an InfluxDB 2."""
    server = StandInInflux()
    yield server
    server.stop()


@pytest.fixture(params=["stand-in", "real"])
def influx(request: pytest.FixtureRequest) -> Iterator[Influx]:
    """Return a bucket of its own on an InfluxDB 2."""
    if request.param == "stand-in":
        server: StandInInflux = request.getfixturevalue("stand_in")
        yield Influx(server.url, server.token, server.org, server.bucket, server)
        return
    real: Influx = request.getfixturevalue("real_influx")
    made = Influx(real.url, real.token, real.org, f"mustwatch-test-{uuid.uuid4().hex[:8]}")
    made._ask("POST", "buckets", {"orgID": made._org_id(), "name": made.bucket, "retentionRules": []})
    yield made
    made._ask("DELETE", f"buckets/{made._bucket()['id']}")


@pytest.fixture(scope="session")
def real_influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    """Return a real InfluxDB 2, or skip."""
    if os.environ.get("MUSTWATCH_TEST_INFLUXDB_URL"):
        url, token, org = (os.environ[f"MUSTWATCH_TEST_INFLUXDB_{key}"] for key in ("URL", "TOKEN", "ORG"))
        yield Influx(url, token, org, "")
        return
    program = shutil.which("influxd")
    if program is None:
        pytest.skip(
            "NOT TESTED HERE against a real InfluxDB 2, only against the stand-in: no influxd is installed, and "
            "MUSTWATCH_TEST_INFLUXDB_URL, _TOKEN and _ORG do not name one"
        )
    folder = tmp_path_factory.mktemp("influx")
    port = _free_port()
    url = f"http://127.0.0.1:{port}"
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [
                program,
                f"--bolt-path={folder / 'bolt'}",
                f"--engine-path={folder / 'engine'}",
                f"--sqlite-path={folder / 'sqlite'}",
                f"--http-bind-address=127.0.0.1:{port}",
                "--reporting-disabled",
                "--log-level=warn",
            ],
            stdout=log,
            stderr=log,
        )
    try:
        _wait_for(f"{url}/health", process, folder / "log")
        setup = {
            "username": "cellar",
            "password": "not-a-secret",
            "org": "home",
            "bucket": "cellar",
            "token": TOKEN,
        }
        _post(f"{url}/api/v2/setup", json.dumps(setup).encode(), {"Content-Type": "application/json"})
        yield Influx(url, TOKEN, "home", "cellar")
    finally:
        process.kill()
        process.wait(30)


def _wait_for(url: str, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + STARTUP_S
    while time.monotonic() < deadline and process.poll() is None:
        try:
            _get(url)
        except (OSError, urllib.error.URLError):
            time.sleep(0.05)
        else:
            return
    pytest.fail(f"{url} does not answer:\n{log.read_text(errors='replace')[-2000:]}")


def _get(url: str) -> str:
    with urllib.request.urlopen(url, timeout=30) as answer:  # noqa: S310 - of this machine
        return str(answer.read().decode())


def _post(url: str, body: bytes, headers: dict[str, str]) -> Any:
    request = urllib.request.Request(url, body, headers)  # noqa: S310 - of this machine
    with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310
        return answer.read()
