"""The mirror against a real server that takes line protocol: what the store holds is there, through outages too."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from cellars import T0, entry, evaluate, new_store, readings
from mirrors import Victoria
from mustwatch.cellar.book import Racking, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.mirror import Mirror
from mustwatch.store.mirror_influx import Bucket, InfluxServer
from mustwatch.store.mirror_lines import Lines
from mustwatch.store.store import Store

pytestmark = pytest.mark.victoria
MINE = {"site": "home", "cellar": "shed"}
FLOAT = {**MINE, "sensor": "float", "kind": "float"}


class Clock:
    """Both of the daemon's clocks, by hand."""

    def __init__(self, now_ms: int) -> None:
        self.now_ms = now_ms
        self.mono_s = 0.0


def mirror_of(store: Store, victoria: Victoria, clock: Clock) -> Mirror:
    return Mirror(
        store,
        InfluxServer(Bucket(victoria.url, "home", "cellar", "token")),
        Lines("home", "shed"),
        "there",
        {"float": "float"},
        clock_ms=lambda: clock.now_ms,
        mono_s=lambda: clock.mono_s,
    )


def catch_up(mirror: Mirror, clock: Clock, turns: int = 200) -> None:
    for _ in range(turns):
        waits_s = mirror.turn()
        clock.mono_s += waits_s
        if waits_s >= 1.0:
            return
    raise AssertionError("the mirror does not catch up")


def gravities(victoria: Victoria) -> dict[int, float]:
    """Every gravity that stands, whatever its tags."""
    withdrawn = victoria.series("reading", "withdrawn")
    found: dict[int, float] = {}
    for tags, values in victoria.series("reading", "gravity").items():
        gone = {at_ms for at_ms, is_gone in withdrawn.get(tags, {}).items() if is_gone}
        found |= {at_ms: value for at_ms, value in values.items() if at_ms not in gone}
    return found


def stored(store: Store) -> dict[int, float]:
    return {r.observed_ms: r.gravity for r in store.readings.between(0, 2**62) if r.gravity is not None}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = new_store(tmp_path / "c.db")
    yield made
    made.close()


def tags(**more: str) -> tuple[tuple[str, str], ...]:
    return tuple(sorted({**FLOAT, **more}.items()))


def test_everything_the_store_holds_arrives_with_the_tags_that_keep_cellars_apart(
    victoria: Victoria, store: Store
) -> None:
    evaluate(store, [readings(6.0)])
    clock = Clock(T0 + 6 * DAY_MS)
    catch_up(mirror_of(store, victoria, clock), clock)

    arrived = victoria.series("reading", "gravity")
    assert list(arrived) == [tags(vessel="bucket", lot="kit")]
    assert gravities(victoria) == stored(store)
    estimates = victoria.series("estimate", "gravity")[tuple(sorted({**MINE, "lot": "kit"}.items()))]
    known = {e.at_ms: e.gravity for e in store.watching.estimates("kit") if e.gravity is not None}
    assert estimates == pytest.approx(known)
    assert len(victoria.series("entry", "is_undone")) == 1
    findings = sum(len(values) for values in victoria.series("finding", "withdrawn").values())
    assert findings == len(store.watching.findings()) > 0


def test_a_week_without_the_server_is_caught_up_after_a_restart_half_way(
    victoria: Victoria, store: Store, tmp_path: Path
) -> None:
    clock = Clock(T0)
    first = mirror_of(store, victoria, clock)
    week = readings(8.0, every_min=1)
    store.readings.add(week[:1440])
    clock.now_ms = T0 + DAY_MS
    catch_up(first, clock)
    victoria.stop()
    for day in range(1, 8):
        store.readings.add(week[day * 1440 : (day + 1) * 1440])
        clock.now_ms = T0 + (day + 1) * DAY_MS
        assert first.turn() >= 2.0, "a server that is away is waited for"
    assert first.status.depth >= 7 * 1440 - 1
    victoria.start()
    first.turn()
    clock.mono_s += 600
    half = mirror_of(store, victoria, clock)
    half.turn()

    second = mirror_of(store, victoria, clock)
    catch_up(second, clock)

    assert gravities(victoria) == stored(store)
    assert second.status.trouble is None


def test_what_is_sent_during_an_outage_comes_in_the_order_of_time(victoria: Victoria, store: Store) -> None:
    store.readings.add(readings(8.0, every_min=1))
    clock = Clock(T0 + 8 * DAY_MS)
    mirror = mirror_of(store, victoria, clock)
    seen: list[int] = []
    for _ in range(6):
        mirror.turn()
        seen.append(max(gravities(victoria), default=0))

    assert seen == sorted(seen)
    assert seen[0] < seen[-1]


def test_a_late_reading_a_completed_one_and_a_corrected_stamp_arrive_as_they_are_in_the_end(
    victoria: Victoria, store: Store
) -> None:
    clock = Clock(T0 + 2 * DAY_MS)
    mirror = mirror_of(store, victoria, clock)
    ordinary = readings(2.0)
    unsure = Reading("float", T0 + DAY_MS + 77, T0 + DAY_MS + 77, 1.0333, stamp=Stamp.ARRIVAL_UNSURE)
    store.readings.add(
        [*ordinary[:20], *ordinary[30:], unsure, Reading("float", T0 + 5, T0 + 5, temperature_c=9.0)]
    )
    catch_up(mirror, clock)

    store.readings.add(ordinary[20:30])
    store.readings.complete(Reading("float", T0 + 5, T0 + 5, gravity=1.0777))
    store.readings.correct_stamps(T0 + DAY_MS, T0 + DAY_MS + 100, HOUR_MS)
    catch_up(mirror, clock)

    assert gravities(victoria) == stored(store)
    assert T0 + DAY_MS + 77 not in gravities(victoria)
    assert gravities(victoria)[T0 + DAY_MS + HOUR_MS + 77] == 1.0333
    assert gravities(victoria)[T0 + 5] == 1.0777


def test_readings_are_sent_anew_under_the_vessel_and_lot_that_a_late_entry_gives_them(
    victoria: Victoria, store: Store
) -> None:
    clock = Clock(T0 + 4 * DAY_MS)
    mirror = mirror_of(store, victoria, clock)
    store.readings.add(readings(4.0))
    catch_up(mirror, clock)

    store.book.append(entry(3.0, Racking("carboy", floats=("float",))))
    store.book.append(entry(3.5, Start("bucket", gravity=1.09), lot="red"))
    catch_up(mirror, clock)

    standing = {
        tags: {at for at in values if not victoria.series("reading", "withdrawn").get(tags, {}).get(at)}
        for tags, values in victoria.series("reading", "gravity").items()
    }
    boundary = T0 + 3 * DAY_MS
    assert standing[tags(vessel="bucket", lot="kit")] == {at for at in stored(store) if at < boundary}
    assert standing[tags(vessel="carboy", lot="kit")] == {at for at in stored(store) if at >= boundary}
    assert gravities(victoria) == stored(store)
