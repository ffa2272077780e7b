"""What a winemaker reads on the phone, from a real daemon over a real broker and a real HTTP endpoint."""

import json
import re
import sqlite3
import time
from collections.abc import Callable, Iterable
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
from mustwatch.demo import free_port
from page_forms import AtThePage

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


BY_HAND = """
[cellar]
name = "Hillside"
timezone = "UTC"
{review}
[mqtt]
port = {port}
[web]
enabled = false
[[tell]]
url = "{url}"
quiet_hours = ""
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30
[[vessel]]
name = "spare-carboy"
kind = "carboy"
litres = 23
"""


def _at_the_next_morning(daemon: Daemon, toml: str, review_s: float) -> None:
    """Set when the morning is, and that its message was last looked at the day before."""
    review = f'morning_review = "{datetime.fromtimestamp(review_s, UTC):%H:%M:%S}"'
    text = toml.replace("{review}", review)
    daemon.config.write_text(f'{text}\n[store]\npath = "{daemon.store}"\ncommit_seconds = 0.2\n')
    yesterday_ms = round((review_s - DAY_S) * 1000)
    with closing(sqlite3.connect(daemon.store)) as connection, connection:
        connection.execute(
            "INSERT OR REPLACE INTO kept (name, value) VALUES ('job:morning-review', ?)", (str(yesterday_ms),)
        )


def _looked_at_the_morning(daemon: Daemon, review_s: float) -> bool:
    kept = "SELECT value FROM kept WHERE name = 'job:morning-review'"
    return abs(int(_asked(daemon, kept)) / 1000 - review_s) < HOUR_S


@pytest.mark.broker
def test_a_morning_tells_what_is_due_and_nothing_else_even_when_the_daemon_starts_late(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], http_endpoint: HttpEndpoint
) -> None:
    toml = BY_HAND.replace("{port}", str(mosquitto.port)).replace("{url}", http_endpoint.url)
    daemon = daemon_with(toml.replace("{review}", ""))
    begun_s = time.time() - 10 * DAY_S
    daemon.done("record", "start", "kit", "--vessel", "bucket", "--profile", "kit", "--at", iso(begun_s))
    # The power was off for the two hours since the morning.
    review_s = time.time() - 2 * HOUR_S
    _at_the_next_morning(daemon, toml, review_s)
    daemon.start()

    (told,) = http_endpoint.wait_for(1)
    daemon.stop()

    assert told.title == "Good morning from Hillside: 1 thing due"
    assert "kit in bucket: Dip the hydrometer" in told.message
    for nothing_of in ("spare-carboy", "once ", "late", "delivered"):
        assert nothing_of not in told.message, told.message
    assert len(told.message.splitlines()) <= 8


@pytest.mark.broker
def test_a_morning_with_nothing_to_say_sends_nothing(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], http_endpoint: HttpEndpoint
) -> None:
    toml = BY_HAND.replace("{port}", str(mosquitto.port)).replace("{url}", http_endpoint.url)
    daemon = daemon_with(toml.replace("{review}", ""))
    daemon.done("record", "start", "kit", "--vessel", "bucket", "--at", iso(time.time() - 3 * HOUR_S))
    review_s = time.time() - 2 * HOUR_S
    _at_the_next_morning(daemon, toml, review_s)
    daemon.start()

    wait_until(lambda: _looked_at_the_morning(daemon, review_s), 30, "the morning is looked at")
    wait_until(lambda: not _waiting(daemon), 10, "nothing waits to be told")
    assert daemon.stop() == 0

    assert http_endpoint.titles() == []


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


UNBOOKED = """
[cellar]
timezone = "UTC"
backlog_hours = 10000
[mqtt]
port = {port}
[web]
port = {web}
[[tell]]
url = "{url}"
quiet_hours = ""
[[vessel]]
name = "bucket-3"
kind = "bucket"
litres = 30
[[sensor]]
id = "float-1"
kind = "float"
vessel = "bucket-3"
topic = "cellar/float-1"
decoder = "senml"
"""


def _says(broker: Broker, hours: Iterable[float]) -> None:
    """Have the float read a must that falls by 0.012 a day, at so many hours before now."""
    now_s = time.time()
    for i, ago in enumerate(hours):
        gravity = 1.056 + 0.0005 * ago + 0.0004 * (i % 2)
        pack = [
            {"bt": now_s - ago * HOUR_S, "n": "gravity", "u": "/", "v": round(gravity, 4)},
            {"n": "temperature", "u": "Cel", "v": 20.0},
        ]
        broker.publish(("cellar/float-1", json.dumps(pack).encode()))


@pytest.mark.broker
def test_a_wine_in_no_lot_is_told_once_and_is_over_when_a_lot_begins_there_on_the_page(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], http_endpoint: HttpEndpoint
) -> None:
    web = free_port()
    daemon = daemon_with(UNBOOKED.format(port=mosquitto.port, url=http_endpoint.url, web=web))
    daemon.start()
    _says(mosquitto, [12.0 - 0.25 * i for i in range(46)])

    (told,) = http_endpoint.wait_for(1)
    assert told.title == "Wine where the book has no lot: float-1 in bucket-3"
    # Readings of half a day come in a burst: how many of them are in when it is told turns on the machine.
    assert re.match(r"It reads 1\.0(5[6-9]|6\d)", told.message), told.message
    assert "mustwatch record start LOT --vessel VESSEL" in told.message
    assert daemon.stop() == 0
    daemon.start()
    _says(mosquitto, [0.5, 0.25])
    (alert,) = daemon.json("alerts")
    assert (alert["kind"], alert["sensor"], alert["vessel"]) == ("lot-missing", "float-1", "bucket-3")
    caution = next(c for c in daemon.json("cellar")["cautions"] if "float-1" in c)
    assert "1.056 and falling in bucket-3, where the book has no lot: begin one?" in caution

    page = AtThePage(f"http://127.0.0.1:{web}")
    begun = page.begin("Hillside red", "bucket-3", gravity="1.062", celsius="20", at=iso(time.time() - 600))
    assert begun.status_code == 303
    assert "lot-missing" not in page.alerts()
    page.close()
    _says(mosquitto, [0.1])

    assert daemon.json("alerts") == []
    assert not [c for c in daemon.json("cellar")["cautions"] if "float-1" in c]
    wait_until(lambda: not _waiting(daemon), 10, "nothing waits to be told")
    assert daemon.stop() == 0
    assert len(http_endpoint.titles()) == 1
