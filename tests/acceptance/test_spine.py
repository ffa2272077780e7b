"""The main job, end to end on real parts: float, broker, daemon, store, and the winemaker's phone."""

import json
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from brokers import Broker
from daemons import Daemon, wait_until
from mustsim import cellar as simulated_cellar
from mustsim.cellar import SimulatedCellar
from mustsim.configuration import mustwatch_toml
from mustsim.scenario import load

HOUR_MS = 3_600_000


class Phone:
    """A real HTTP endpoint that remembers what it was told."""

    def __init__(self) -> None:
        self.told: list[dict[str, str]] = []
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                phone.told.append(json.loads(body))
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                return

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"json://127.0.0.1:{self._server.server_address[1]}/"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def titles(self) -> list[str]:
        return [told["title"] for told in self.told]

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def phone() -> Iterator[Phone]:
    made = Phone()
    yield made
    made.close()


@pytest.fixture(scope="module")
def kit() -> SimulatedCellar:
    """An ordinary kit ferment: 1.050 at 19 °C, about 1.000 after seven days (common practice, no source)."""
    return simulated_cellar.run(load("kit"), seed=11, ending_ms=time.time_ns() // 1_000_000)


def configuration(broker: Broker, cellar: SimulatedCellar, phone: Phone) -> str:
    toml = mustwatch_toml(cellar.scenario, "127.0.0.1", broker.port)
    toml = toml.replace("[cellar]", '[cellar]\nbacklog_hours = 10000\ntimezone = "Europe/Vienna"')
    return f'{toml}\n[web]\nenabled = false\n[[tell]]\nurl = "{phone.url}"\nquiet_hours = ""\n'


def start_lot(daemon: Daemon, cellar: SimulatedCellar) -> None:
    at = time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(cellar.begins_ms / 1000))
    daemon.done(
        "record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "19", "--at", at
    )  # fmt: skip


def truth(cellar: SimulatedCellar, kind: str) -> int:
    lot = next(iter(cellar.truth.lots.values()))
    return next(event.at_ms for event in lot.events if event.kind == kind)


def ms(iso: str) -> float:
    return datetime.fromisoformat(iso).timestamp() * 1000


def stored(daemon: Daemon) -> int:
    with closing(sqlite3.connect(f"file:{daemon.store}?mode=ro", uri=True)) as connection:
        return int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])


def judge(daemon: Daemon, cellar: SimulatedCellar) -> None:
    """The findings are the right ones at the right times, each an alert once."""
    alerts = [alert for alert in daemon.json("alerts", "--all") if not alert["withdrawn"]]
    by_kind = {alert["kind"]: alert for alert in alerts}
    assert sorted(by_kind) == sorted(alert["kind"] for alert in alerts), "one alert per finding"
    crossing, end = truth(cellar, "crossing"), truth(cellar, "end")
    rack_due, finished = ms(by_kind["rack-due"]["opened_at"]), ms(by_kind["finished"]["opened_at"])

    assert abs(rack_due - crossing) < 4 * HOUR_MS, "rack-due within a few hours of the true crossing of 1.010"
    assert finished > end, "finished only after it has settled"
    assert finished < end + 72 * HOUR_MS


@pytest.mark.broker
def test_a_ferment_goes_from_the_float_to_the_phone(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], phone: Phone, kit: SimulatedCellar
) -> None:
    daemon = daemon_with(configuration(mosquitto, kit, phone))
    start_lot(daemon, kit)
    daemon.start()

    mosquitto.publish(*[(m.topic, m.payload) for m in kit.messages])
    wait_until(
        lambda: len(phone.told) >= 2, 60, f"two messages on the phone; got {phone.titles()}: {daemon.said()}"
    )
    distinct = {(m.topic, m.observed_ms) for m in kit.messages}
    wait_until(lambda: stored(daemon) == len(distinct), 30, "every reading stored once")
    assert daemon.stop() == 0

    judge(daemon, kit)
    titles = phone.titles()
    assert sum("ack" in title for title in titles) >= 1
    assert len(titles) == len(set(titles)), f"told once each: {titles}"


@pytest.mark.broker
def test_kill_nine_in_the_middle_loses_nothing_and_tells_nothing_twice(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], phone: Phone, kit: SimulatedCellar
) -> None:
    daemon = daemon_with(configuration(mosquitto, kit, phone))
    start_lot(daemon, kit)
    daemon.start()
    messages = [(m.topic, m.payload) for m in kit.messages]
    quarter = len(messages) // 4

    for part in range(4):
        mosquitto.publish(*messages[part * quarter : (part + 1) * quarter if part < 3 else None])
        if part < 3:
            time.sleep(0.1)
            daemon.kill()
            daemon.start()
    distinct = {(m.topic, m.observed_ms) for m in kit.messages}
    wait_until(lambda: len(phone.told) >= 2, 60, f"two messages on the phone; got {phone.titles()}")
    wait_until(lambda: stored(daemon) == len(distinct), 30, "every reading stored once")
    assert daemon.stop() == 0

    judge(daemon, kit)
    for title in set(phone.titles()):  # what was in flight at a kill is repeated, and says so
        of_title = [told["message"] for told in phone.told if told["title"] == title]
        assert all("again" in message or "repeat" in message for message in of_title[1:]), of_title
