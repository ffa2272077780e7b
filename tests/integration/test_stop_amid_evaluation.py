"""A season that is evaluated again does not keep the daemon from ending; the next start takes it up and concludes alike."""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from shutil import copyfile

import pytest

from cellars import gravity_at
from daemons import Daemon, wait_until
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import load
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.store import Store

DAYS = 600
EVERY_MIN = 4
CONFIG = """
[mqtt]
port = 1
[web]
enabled = false
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30
[[sensor]]
id = "float"
kind = "float"
vessel = "bucket"
topic = "cellar/float"
decoder = "senml"
"""


def a_long_history(from_ms: int) -> Iterator[Reading]:
    for i in range(DAYS * 24 * 60 // EVERY_MIN):
        at_ms = from_ms + i * EVERY_MIN * MINUTE_MS
        jitter = 0.0008 * (((i * 7919) % 1000) / 500.0 - 1.0)
        gravity = round(gravity_at(i * EVERY_MIN / 1440) + jitter, 4)
        yield Reading("float", at_ms, at_ms + 1000, gravity, None, 19.0)


@pytest.fixture
def daemon(daemon_with: Callable[[str], Daemon]) -> Daemon:
    """Return a daemon, not started, on a store of many readings of which nothing has been concluded."""
    made = daemon_with(CONFIG)
    now_ms = time.time_ns() // 1_000_000
    from_ms = now_ms - (DAYS + 1) * DAY_MS
    store = Store(made.store, from_ms)
    note_places(store, plan_of(load(made.config)), from_ms)
    store.readings.add(list(a_long_history(from_ms)))
    start = Start("bucket", gravity=1.050, temperature_c=19.0)
    store.book.append(Entry("start", "kit", from_ms, from_ms, start))
    store.watching.keep("job:backup", str(now_ms))  # it would only take time
    store.close()
    return made


def reached(path: Path) -> tuple[int, int]:
    """Return how many estimates there are, and how many lots are still to be evaluated again."""
    with closing(sqlite3.connect(path, timeout=30.0)) as connection:
        estimates = connection.execute("SELECT count(*) FROM estimate").fetchone()[0]
        left = connection.execute("SELECT count(*) FROM kept WHERE name LIKE 'revise:%'").fetchone()[0]
    return estimates, left


def test_it_ends_in_order_amid_a_long_evaluation_and_the_next_start_goes_on_there(
    daemon: Daemon, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.db"
    copyfile(daemon.store, copy)

    daemon.start(listening=False)
    wait_until(lambda: reached(daemon.store)[0] > 0, 30, "the evaluation has begun")
    code = daemon.stop()

    assert code == 0
    done, left = reached(daemon.store)
    assert left == 1
    assert 0 < done < 0.9 * DAYS * 96

    daemon.start(listening=False)
    wait_until(lambda: reached(daemon.store)[1] == 0, 60, "the season evaluated")
    assert daemon.stop() == 0

    with closing(Store(copy, 0)) as reference, closing(Store(daemon.store, 0)) as store:
        at_once = Evaluation(reference, plan_of(load(daemon.config)), time.time_ns() // 1_000_000)
        at_once.read_book()
        at_once.settle(time.time_ns() // 1_000_000)
        assert store.watching.estimates("kit") == reference.watching.estimates("kit")
        assert store.watching.findings("kit") == reference.watching.findings("kit")
        kept = [[a.kind, a.opened_ms, a.cleared_ms] for a in store.alerts.of_lot("kit")]
        assert kept == [[a.kind, a.opened_ms, a.cleared_ms] for a in reference.alerts.of_lot("kit")]
