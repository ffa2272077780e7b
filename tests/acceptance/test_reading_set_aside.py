"""One reading of 2099, as a Pi without a clock may have stored it: set aside by a person, kept, put back at will."""

import re
import time
import urllib.parse
from collections.abc import Callable
from contextlib import closing

import httpx
import pytest

from brokers import NativeBroker, _free_port
from daemons import Daemon, wait_until
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, iso
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import load
from mustwatch.store.store import Store

pytestmark = pytest.mark.broker
FAR_MS = 4_070_908_800_123
"""2099-01-01T00:00:00.123Z."""


@pytest.fixture
def daemon(daemon_with: Callable[[str], Daemon], mosquitto: NativeBroker) -> Daemon:
    port = _free_port()
    daemon = daemon_with(
        f'[mqtt]\nport = {mosquitto.port}\n[web]\nport = {port}\n[[vessel]]\nname = "bucket"\nkind = "bucket"\n'
        'litres = 30\n[[sensor]]\nid = "float"\nkind = "float"\nvessel = "bucket"\ntopic = "cellar/float"\n'
        'decoder = "senml"'
    )
    now_ms = time.time_ns() // 1_000_000
    with closing(Store(daemon.store, now_ms)) as store:
        note_places(store, plan_of(load(daemon.config)), now_ms - 3 * DAY_MS)
        start = Start("bucket", gravity=1.05, temperature_c=19.0)
        store.book.append(Entry("start", "kit", now_ms - DAY_MS, now_ms - DAY_MS, start))
        store.readings.add(
            [Reading("float", now_ms - i * 15 * MINUTE_MS, now_ms, 1.05, None, 19.0) for i in range(1, 90)]
        )
        store.readings.add([Reading("float", FAR_MS, now_ms, 1.05, None, 19.0)])
    daemon.start(until=("pages at",))
    return daemon


def faults(daemon: Daemon) -> str:
    return "\n".join(line for line in daemon.command("check").stdout.splitlines() if "ahead of" in line)


def is_settled(daemon: Daemon) -> bool:
    """Say whether the lot is evaluated, and nothing of it lies in a time to come."""
    with closing(Store(daemon.store, 0)) as store:
        if store.revising.all():
            return False
        newest = store.database.query("SELECT max(horizon_ms) FROM watch_state")[0][0]
        return newest is not None and newest < time.time_ns() // 1_000_000 + HOUR_MS


def publish(broker: NativeBroker) -> None:
    broker.publish(
        ("cellar/float", f'[{{"bt": {time.time()}, "n": "gravity", "u": "/", "v": 1.049}}]'.encode())
    )


def test_by_command_the_shouting_ends_and_the_lot_is_watched_again(
    daemon: Daemon, mosquitto: NativeBroker
) -> None:
    at = str(iso(FAR_MS))
    assert f"mustwatch record set-aside float {at}" in daemon.command("check").stdout
    assert daemon.json("record", "set-aside", "float", at, "--why", "no clock") == {
        "sensor": "float",
        "observed_at": at,
        "done": "set aside",
    }

    wait_until(lambda: is_settled(daemon), 20, "the lot evaluated without it")
    assert faults(daemon) == ""
    assert at not in daemon.done("export")
    publish(mosquitto)
    wait_until(lambda: "1.049" in daemon.done("export"), 20, "what comes next")
    time.sleep(1.0)
    assert is_settled(daemon), "what comes next is not late"
    observed = daemon.json("cellar")["vessels"][0]["observed_at"]
    assert observed < "2099"
    again = daemon.command("record", "set-aside", "float", at)
    assert (again.returncode, "no such reading" in again.stderr) == (2, True)

    daemon.stop()
    daemon.start(until=("pages at",))
    assert is_settled(daemon), "nor does a restart bring it back"
    daemon.done("record", "put-back", "float", "2099-01-01T00:00+00:00")
    assert f"mustwatch record set-aside float {at}" in faults(daemon) + daemon.command("check").stdout
    assert at in daemon.done("export")
    daemon.stop()


@pytest.mark.parametrize("way", ["api", "page"])
def test_by_api_and_page_it_is_the_same(daemon: Daemon, way: str) -> None:
    port = re.search(r"port = (\d+)\n\[\[vessel", daemon.config.read_text())
    assert port is not None
    with httpx.Client(base_url=f"http://127.0.0.1:{port[1]}", timeout=60) as client:
        at = str(iso(FAR_MS))
        path = f"/api/sensors/float/readings/{urllib.parse.quote(at)}/set-aside"

        def aside() -> list[dict[str, str]]:
            return list(client.get("/api/sensors").json()[0]["set_aside"])

        def sent(action: str, **fields: str | None) -> int:
            token = re.search(r'name="form_token" value="(\w+)"', client.get("/sensors").text)
            assert token is not None
            form = {"form_token": token[1], "sensor": "float", "at": at, **fields}
            return client.post(f"/sensors/{action}", data=form).status_code

        assert client.post(path.replace("2099", "2098"), json={}).status_code == 404
        assert client.post("/sensors/set-aside", data={"sensor": "float", "at": at}).status_code == 403
        done = (
            client.post(path, json={"why": "no clock"}).status_code
            if way == "api"
            else sent("set-aside", why="no clock")
        )
        assert done == (200 if way == "api" else 303)
        assert [(one["observed_at"], one["why"]) for one in aside()] == [(at, "no clock")]
        assert "no clock" in client.get("/sensors").text
        assert faults(daemon) == ""

        done = client.delete(path).status_code if way == "api" else sent("put-back")
        assert done == (200 if way == "api" else 303)
        assert aside() == []
        assert faults(daemon)
    daemon.stop()


def test_without_a_daemon_the_command_evaluates_itself_and_bad_words_are_refused_in_a_line(
    daemon: Daemon,
) -> None:
    daemon.stop()
    for words, said in (
        (("set-aside", "float", "sometime"), "cannot be read"),
        (("set-aside", "flaot", "2099-01-01"), "float"),
        (("put-back", "float", str(iso(FAR_MS))), "no such reading"),
    ):
        refused = daemon.command("record", *words)
        assert (refused.returncode, said in refused.stderr) == (2, True), refused.stderr
        assert "Traceback" not in refused.stderr
    daemon.done("record", "set-aside", "float", "2099-01-01T00:00+00:00")
    assert is_settled(daemon)
