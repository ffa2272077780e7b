"""A store that a house with one detector more, or one fewer, has written opens: its lots are evaluated anew."""

import sys
import time
from collections.abc import Callable
from contextlib import closing

import pytest

import daemons
from cellars import gravity_at
from daemons import Daemon, wait_until
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import load
from mustwatch.store.store import Store
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.lot_watch import LotWatch

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

HOUSES = {
    "one fewer": "d.ENROLLED = d.ENROLLED[:-1]",
    "one more": "d.ENROLLED += (type('Another', (d.ENROLLED[-1],), {'judge': lambda self, view: ()}),)",
}


def fits(daemon: Daemon) -> bool | None:
    """Return whether the lot's newest snapshot is one of this house's, None where there is none."""
    with closing(Store(daemon.store, 0)) as store:
        newest = store.watching.checkpoint_before("kit", 2**62)
    if newest is None or newest.horizon_ms < time.time_ns() // 1_000_000 - DAY_MS:
        return None
    try:
        LotWatch.restore(newest.snapshot, Profile())
    except ValueError:  # outdated, or worse
        return False
    return True


def estimates(daemon: Daemon) -> list[Estimate]:
    """Return all that is estimated of the lot."""
    with closing(Store(daemon.store, 0)) as store:
        return list(store.watching.estimates("kit"))


@pytest.mark.parametrize("house", HOUSES)
def test_a_store_of_a_house_with_other_detectors_opens_and_concludes_alike(
    house: str, daemon_with: Callable[[str], Daemon], monkeypatch: pytest.MonkeyPatch
) -> None:
    daemon = daemon_with(CONFIG)
    plan, now_ms = plan_of(load(daemon.config)), time.time_ns() // 1_000_000
    from_ms = now_ms - 3 * DAY_MS
    with closing(Store(daemon.store, from_ms)) as store:
        note_places(store, plan, from_ms)
        said = (
            Reading("float", at_ms, at_ms, round(gravity_at((at_ms - from_ms) / DAY_MS), 4), None, 19.0)
            for at_ms in range(from_ms, now_ms - 60 * MINUTE_MS, 15 * MINUTE_MS)
        )
        store.readings.add(list(said))
        store.book.append(Entry("start", "kit", from_ms, from_ms, Start("bucket", gravity=1.050)))
        store.watching.keep("job:backup", str(now_ms))  # it would only take time
    with monkeypatch.context() as there:
        code = (
            f"import mustwatch.watch.enrolled as d; {HOUSES[house]}; from mustwatch.cli import main; main()"
        )
        there.setattr(daemons, "COMMAND", [sys.executable, "-c", code])
        daemon.start(listening=False)
        wait_until(lambda: fits(daemon) is False, 30, "the other house has concluded")
        assert daemon.stop() == 0
    concluded = estimates(daemon)

    daemon.start(listening=False)
    wait_until(lambda: fits(daemon), 30, "the lot has been evaluated anew")
    assert daemon.stop() == 0
    assert estimates(daemon)[: len(concluded)] == concluded
    assert len(concluded) > 200
