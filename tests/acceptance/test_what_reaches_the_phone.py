"""What a winemaker reads on the phone, from a real daemon over a real broker and a real HTTP endpoint."""

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from typing import Any

import pytest

from brokers import Broker
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustsim import cellar as simulated_cellar
from mustsim.cellar import SimulatedCellar
from mustsim.configuration import mustwatch_toml
from mustsim.scenario import load

DAY_S, HOUR_S = 86_400, 3_600


def iso(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds")


@pytest.fixture(scope="module")
def kit() -> SimulatedCellar:
    """An ordinary kit ferment that has finished: 1.050 at 19 °C, a fortnight."""
    return simulated_cellar.run(load("kit"), seed=11, ending_ms=time.time_ns() // 1_000_000)


def configuration(broker: Broker, cellar: SimulatedCellar, phone: HttpEndpoint) -> str:
    toml = mustwatch_toml(cellar.scenario, "127.0.0.1", broker.port)
    toml = toml.replace("[cellar]", '[cellar]\nbacklog_hours = 10000\ntimezone = "Europe/Vienna"')
    return f'{toml}\n[web]\nenabled = false\n[[tell]]\nurl = "{phone.url}"\nquiet_hours = ""\n'


def started(daemon: Daemon, cellar: SimulatedCellar) -> None:
    daemon.done(
        "record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "19",
        "--at", iso(cellar.begins_ms / 1000),
    )  # fmt: skip
    daemon.start()


def open_kinds(daemon: Daemon) -> list[Any]:
    return [alert["kind"] for alert in daemon.json("alerts")]


@pytest.mark.broker
def test_a_bottling_ends_every_alert_of_the_wine_and_sends_nothing(
    mosquitto: Broker,
    daemon_with: Callable[[str], Daemon],
    http_endpoint: HttpEndpoint,
    kit: SimulatedCellar,
) -> None:
    daemon = daemon_with(configuration(mosquitto, kit, http_endpoint))
    started(daemon, kit)
    mosquitto.publish(*[(m.topic, m.payload) for m in kit.messages])
    wait_until(lambda: "finished" in open_kinds(daemon), 60, "the wine looks finished")
    wait_until(
        lambda: any(t.startswith("Looks finished") for t in http_endpoint.titles()), 30, "it is told so"
    )
    bottled_s = time.time()
    told = len(http_endpoint.titles())
    for days in (3, 0.01):
        daemon.done(
            "record", "measure", "kit", "--gravity", "0.995", "--celsius", "20",
            "--at", iso(bottled_s - days * DAY_S), "--despite", "the simulated float is another wine's",
        )  # fmt: skip
    wait_until(lambda: not _is_behind(daemon), 30, "the checks are taken in")
    before = set(http_endpoint.titles()[told:])
    daemon.done(
        "record", "bottle", "kit", "28", "--at", iso(bottled_s), "--despite", "every gate is another test's"
    )

    wait_until(lambda: not [a for a in daemon.json("alerts") if a["lot"] == "kit"], 30, "no alert is left")
    wait_until(lambda: not _waiting(daemon), 30, "nothing waits to be told")
    assert daemon.stop() == 0

    assert set(http_endpoint.titles()[told:]) == before
    finished = next(a for a in daemon.json("alerts", "--all") if a["kind"] == "finished")
    assert finished["ended_with_lot"] == "bottled"
    assert "until it was bottled" in finished["summary"]
    assert "bottled " in daemon.done("alerts", "--all")


def _asked(daemon: Daemon, sql: str) -> Any:
    with closing(sqlite3.connect(f"file:{daemon.store}?mode=ro", uri=True)) as connection:
        return connection.execute(sql).fetchone()[0]


def _is_behind(daemon: Daemon) -> bool:
    """Say whether entries of the book wait to be concluded from."""
    kept = "SELECT coalesce((SELECT value FROM kept WHERE name='book_seq'), 0)"
    return int(_asked(daemon, kept)) < _asked(daemon, "SELECT coalesce(max(seq), 0) FROM book_change")


def _waiting(daemon: Daemon) -> int:
    """Return how many messages wait in the outbox."""
    waiting = "SELECT count(*) FROM outbox WHERE told_ms IS NULL AND expired_ms IS NULL"
    return int(_asked(daemon, waiting))
