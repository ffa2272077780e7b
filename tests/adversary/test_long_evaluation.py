"""An upgrade on a slow machine: twelve seasons are evaluated again, and nobody waits for it."""

import json
import time
import urllib.request
from collections.abc import Callable
from contextlib import closing

import pytest
from attack_table import Row
from slowed import others_load, slowed_to

from brokers import NativeBroker, _free_port
from cellars import gravity_at
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import load
from mustwatch.store.store import Store

LOTS = 12
DAYS = 150
EVERY_MIN = 15
HOT = 13


def toml(broker_port: int, port: int, url: str) -> str:
    lines = [
        f"[mqtt]\nport = {broker_port}\n[web]\nport = {port}",
        f'[[tell]]\nname = "phone"\nurl = "{url}"\nquiet_hours = ""',
    ]
    for i in range(LOTS):
        lines.append(f'[[vessel]]\nname = "vessel-{i}"\nkind = "bucket"\nlitres = 25')
        lines.append(
            f'[[sensor]]\nid = "float-{i}"\nkind = "float"\nvessel = "vessel-{i}"\n'
            f'topic = "cellar/float-{i}"\ndecoder = "senml"'
        )
    return "\n".join(lines)


def seasons(store: Store, now_ms: int, days: int = DAYS) -> None:
    """Write readings and book of lots of which nothing is concluded, as after an upgrade of the watch."""
    from_ms = now_ms - days * DAY_MS - 3 * HOUR_MS  # and nothing in the last three hours
    for i in range(LOTS):
        at_ms = from_ms + i * 1000
        store.book.append(Entry(f"start-{i}", f"lot-{i}", at_ms, at_ms, Start(f"vessel-{i}", gravity=1.050)))
        made = []
        for step in range(days * 24 * 60 // EVERY_MIN):
            at_ms = from_ms + i * 1000 + step * EVERY_MIN * MINUTE_MS
            jitter = 0.0008 * ((((step + i) * 7919) % 1000) / 500.0 - 1.0)
            gravity = round(gravity_at(step * EVERY_MIN / 1440) + jitter, 4)
            made.append(Reading(f"float-{i}", at_ms, at_ms, gravity, None, 19.0))
        store.readings.add(made)
    store.watching.keep("job:backup", str(now_ms))  # it would only take time


def senml(at_ms: int, gravity: float, celsius: float) -> bytes:
    return json.dumps(
        [
            {"bt": at_ms / 1000, "n": "gravity", "u": "/", "v": gravity},
            {"n": "temperature", "u": "Cel", "v": celsius},
        ]
    ).encode()


def seconds_for_page(port: int, path: str) -> float:
    began = time.monotonic()
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=60) as answer:
        answer.read()
    return time.monotonic() - began


@pytest.mark.broker
def test_twelve_seasons_evaluated_again_on_a_fifth_of_a_core(
    daemon_with: Callable[[str], Daemon],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
    row: Callable[[str], Row],
) -> None:
    tried = row("upgrade: 12 lots of 150 days evaluated again on a fifth of a core")
    port = _free_port()
    daemon = daemon_with(toml(mosquitto.port, port, endpoint.url))
    now_ms = time.time_ns() // 1_000_000
    with closing(Store(daemon.store, now_ms)) as store:
        note_places(store, plan_of(load(daemon.config)), now_ms - (DAYS + 1) * DAY_MS)
        seasons(store, now_ms)

    with slowed_to(0.2) as prefix:
        daemon.prefix = prefix
        began = time.monotonic()
        daemon.start()
        wait_until(lambda: is_served(port), 60, "a page")
        first_page_s = time.monotonic() - began
        health = json.loads(fetched(port, "/health"))
        assert health["evaluated_again"], health
        publish_hot(mosquitto, 1)
        wait_until(lambda: is_told(endpoint, 1), 60, "a first one: who sends messages is awake")
        sent = time.monotonic()
        publish_hot(mosquitto, 3)
        wait_until(lambda: is_told(endpoint, 3), 60, "told")
        told_s = time.monotonic() - sent
        pages = [seconds_for_page(port, "/") for _ in range(3)]
        noted_s = time.monotonic()
        daemon.done("record", "note", "lot-5", "tasted")
        noted_s = time.monotonic() - noted_s
        still = json.loads(fetched(port, "/health"))["evaluated_again"]
        held = float(metric(port, "mustwatch_storage_held_seconds_most"))
        pid = daemon.process.pid if daemon.process else 0
        wait_until(
            lambda: not json.loads(fetched(port, "/health"))["evaluated_again"], 300, "up to the present"
        )
        whole_s = time.monotonic() - began
        crowd = others_load()
        assert daemon.process is not None
        assert daemon.process.pid == pid
        assert daemon.process.poll() is None
        daemon.stop()
    with closing(Store(daemon.store, now_ms)) as store:
        found = sum(r.temperature_c == 36.0 for r in store.readings.between(now_ms - 4 * HOUR_MS, 2**62))
    assert still, "it was over before anything was tried"
    tried.tried, tried.lost, tried.told_twice = (
        1,
        2 * HOT - found,
        sum("too warm" in a.title for a in endpoint.arrived) - 2,
    )
    tried.told_late = int(told_s > 2.0 * crowd)
    tried.notes.append(
        f"first page after {first_page_s:.1f} s, urgent message after {told_s:.1f} s, further pages {max(pages):.1f} s, "
        f"the store's lock held {held * 1000:.0f} ms at most, a note written in {noted_s:.1f} s, all done after "
        f"{whole_s:.0f} s, with {crowd:.1f} processes waiting for each core"
    )
    assert (tried.lost, tried.told_twice) == (0, 0)
    # The aim is 0.25 s: 0.28 to 0.41 s were measured on a fifth of a core, which is frozen 80 ms of each 100.
    assert held <= 0.6 * crowd
    assert first_page_s <= 15.0 * crowd
    assert told_s <= 2.0 * crowd


def publish_hot(broker: NativeBroker, lot: int) -> None:
    at_ms = time.time_ns() // 1_000_000 - 1000
    steps = range(HOT - 1, -1, -1)
    broker.publish(*[(f"cellar/float-{lot}", senml(at_ms - i * 10 * MINUTE_MS, 0.995, 36.0)) for i in steps])


def is_told(endpoint: HttpEndpoint, lot: int) -> bool:
    return any("too warm" in a.title and f"lot-{lot} " in a.title for a in endpoint.arrived)


def fetched(port: int, path: str) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=60) as answer:
        return str(answer.read().decode())


def is_served(port: int) -> bool:
    try:
        return bool(fetched(port, "/"))
    except OSError:
        return False


def metric(port: int, name: str) -> str:
    return next(line.split()[1] for line in fetched(port, "/metrics").splitlines() if line.startswith(name))
