"""Old readings, a dozen at once or without end: their lots are evaluated again, and nobody else waits for it."""

import json
import random
import time
import tomllib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from shutil import copyfile

import pytest
from attack_table import Row
from slowed import others_load
from test_long_evaluation import LOTS, fetched, is_told, publish_hot, seasons, seconds_for_page, senml, toml

from brokers import NativeBroker, _free_port
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.cellar.instant import DAY_MS
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import Settings
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.store import Store

DAYS = 60
OLD = 1.03125
"""A gravity that no season says: theirs have four digits."""
FLOOD = 200
"""Messages of a float that says another day each time, twenty a second."""


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """Return a store of twelve lots that are evaluated up to the present, and when that was."""
    path, now_ms = tmp_path_factory.mktemp("lived") / "cellar.db", time.time_ns() // 1_000_000
    plan = plan_of(Settings(**tomllib.loads(toml(1, 1, "json://127.0.0.1:9/"))))
    with closing(Store(path, now_ms)) as store:
        note_places(store, plan, now_ms - (DAYS + 1) * DAY_MS)
        seasons(store, now_ms, DAYS)
        evaluation = Evaluation(store, plan, now_ms)
        evaluation.read_book()
        evaluation.settle(now_ms)
    return path, now_ms


@pytest.fixture
def cellar(
    lived: tuple[Path, int],
    daemon_with: Callable[[str], Daemon],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
) -> tuple[Daemon, int, int]:
    """Return a daemon on a copy of it that is at rest, its pages' port, and when its store was made."""
    port = _free_port()
    daemon = daemon_with(toml(mosquitto.port, port, endpoint.url))
    copyfile(lived[0], daemon.store)
    daemon.start(until=("pages at",))
    wait_until(lambda: not is_behind(port), 60, "a daemon at rest")
    publish_hot(mosquitto, 1)
    wait_until(lambda: is_told(endpoint, 1), 60, "a first one: who sends messages is awake")
    return daemon, port, lived[1]


def is_behind(port: int) -> bool:
    return bool(json.loads(fetched(port, "/health"))["evaluated_again"])


@pytest.mark.broker
def test_a_float_that_says_random_days_makes_no_other_lot_s_message_late(
    cellar: tuple[Daemon, int, int],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
    row: Callable[[str], Row],
) -> None:
    tried = row("a float that sends readings of random days, twenty a second, while another lot is too warm")
    daemon, port, made_ms = cellar
    dice, was_behind, told_s = random.Random(2026), 0, None
    for number in range(FLOOD):
        at_ms = made_ms - dice.randrange(4 * 60, DAYS * 24 * 60) * 60_000 + number + 1
        mosquitto.publish(("cellar/float-0", senml(at_ms, OLD, 19.0)))
        if number == FLOOD // 2:
            publish_hot(mosquitto, 3)
            sent = time.monotonic()
        if number > FLOOD // 2 and told_s is None and is_told(endpoint, 3):
            told_s = time.monotonic() - sent
        was_behind += number % 10 == 0 and is_behind(port)
        time.sleep(0.05)
    wait_until(lambda: is_told(endpoint, 3), 60, "told")
    told_s = time.monotonic() - sent if told_s is None else told_s
    crowd = others_load()
    wait_until(lambda: not is_behind(port), 120, "up to the present")
    daemon.stop()
    with closing(Store(daemon.store, made_ms)) as store:
        found = sum(r.gravity == OLD for r in store.readings.between(0, 2**62, ["float-0"]))
    tried.tried, tried.lost, tried.told_late = FLOOD, FLOOD - found, int(told_s > 2.0 * crowd)
    tried.told_twice = sum("too warm" in a.title and "lot-3 " in a.title for a in endpoint.arrived) - 1
    tried.notes.append(
        f"the urgent message after {told_s:.1f} s, {crowd:.1f} processes waiting for each core"
    )
    assert was_behind, "nothing was evaluated again meanwhile"
    assert (tried.lost, tried.told_twice, tried.told_late) == (0, 0, 0)


@pytest.mark.broker
def test_twelve_old_readings_at_full_speed_keep_nobody_from_page_or_book(
    cellar: tuple[Daemon, int, int],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
    row: Callable[[str], Row],
) -> None:
    tried = row("12 old readings, one of each lot's first day, at full speed")
    daemon, port, made_ms = cellar
    at_ms = made_ms - (DAYS - 1) * DAY_MS + 1  # at an instant at which its season says nothing
    mosquitto.publish(*[(f"cellar/float-{i}", senml(at_ms + i, OLD, 19.0)) for i in range(LOTS)])
    wait_until(lambda: is_behind(port), 30, "it begins")
    began = time.monotonic()
    daemon.done("record", "note", "lot-5", "tasted")
    noted_s = time.monotonic() - began
    pages = [seconds_for_page(port, path) for path in ("/", "/lot/lot-5", "/night") * 2]
    was_behind = is_behind(port)
    crowd = others_load()
    wait_until(lambda: not is_behind(port), 120, "up to the present")
    daemon.stop()
    with closing(Store(daemon.store, made_ms)) as store:
        found = sum(r.gravity == OLD for r in store.readings.between(0, 2**62))
        notes = sum(entry.what.kind == "note" for entry in store.book.entries("lot-5"))
    tried.tried, tried.lost = LOTS, LOTS - found + 1 - notes
    tried.notes.append(
        f"a note written in {noted_s:.1f} s, pages in {max(pages):.1f} s at most, with {crowd:.1f} processes waiting "
        "for each core"
    )
    assert was_behind, "it was over before anything was tried"
    assert tried.lost == 0
    assert noted_s <= 5.0 * crowd  # of which the command itself takes one to start
    assert max(pages) <= 2.0 * crowd
