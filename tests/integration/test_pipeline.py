"""The pipeline's promise: acknowledged only what is on disk, everything acknowledged once, nothing stops the stream."""

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from cellars import PLAN, T0, new_store, readings
from mustwatch.app.pipeline import Pipeline
from mustwatch.app.self_watch import SelfWatch
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.reading import Reading
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.clock import ClockWatch
from mustwatch.store.store import Store

TOPIC = "cellar/float"


class Clocks:
    """A wall clock and a monotonic one that go on by hand, together."""

    def __init__(self, wall_ms: int) -> None:
        self.wall = wall_ms
        self.mono = 1000.0

    def go_on(self, seconds: float) -> None:
        self.mono += seconds
        self.wall += round(seconds * 1000)


class Queue:
    """A source whose arrivals are given by hand; it remembers what was acknowledged, and how the store stood then."""

    def __init__(self, store: Store, clocks: Clocks) -> None:
        self.store = store
        self.clocks = clocks
        self.is_connected = True
        self.waiting: list[Arrival] = []
        self.acknowledged: list[tuple[Arrival, int]] = []

    def send(self, *payloads: bytes, topic: str = TOPIC) -> None:
        for payload in payloads:
            self.waiting.append(
                Arrival(topic, payload, self.clocks.wall, self.clocks.mono, payload_bytes=len(payload))
            )

    def receive(self, most: int, timeout_s: float) -> list[Arrival]:
        taken, self.waiting = self.waiting[:most], self.waiting[most:]
        if not taken:
            self.clocks.go_on(max(timeout_s, 0.01))
        return taken

    def wake(self) -> None:
        return

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        on_disk = self.store.readings.count() + len(self.store.readings.quarantined(10_000))
        self.acknowledged += [(arrival, on_disk) for arrival in arrivals]


class Bench:
    """A pipeline on a real store with clocks and arrivals by hand."""

    def __init__(self, folder: Path, commit_s: float = 5.0, commit_readings: int = 500) -> None:
        self.clocks = Clocks(T0 + 30 * DAY_MS)
        self.store = new_store(folder / "c.db")
        self.queue = Queue(self.store, self.clocks)
        self.said: list[tuple[str, str]] = []
        self.told = 0
        self.commit = (commit_s, commit_readings)
        self.pipeline = self.make()

    def make(self) -> Pipeline:
        clock = ClockWatch(lambda: self.clocks.wall, lambda: self.clocks.mono, lambda: True, boot_id="a")
        return Pipeline(
            self.store,
            PLAN,
            self.queue,
            clock,
            SelfWatch(
                PLAN.sensors, [], self.clocks.mono, lambda title, body: self.said.append((title, body))
            ),
            mono_s=lambda: self.clocks.mono,
            commit_s=self.commit[0],
            commit_readings=self.commit[1],
            told=self.count_told,
            pause=self.clocks.go_on,
        )

    def count_told(self) -> None:
        self.told += 1

    def turns(self, seconds: float) -> None:
        ends = self.clocks.mono + seconds
        while self.clocks.mono < ends:
            self.pipeline.turn()


def senml(reading: Reading) -> bytes:
    base = {"bt": reading.observed_ms / 1000, "n": "gravity", "u": "/", "v": reading.gravity}
    return json.dumps([base, {"n": "temperature", "u": "Cel", "v": reading.temperature_c}]).encode()


PAYLOADS = [senml(r) for r in readings(9.0)]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_a_reading_is_on_disk_before_it_is_acknowledged(bench: Bench) -> None:
    bench.queue.send(*PAYLOADS[:100])
    bench.turns(10)

    assert len(bench.queue.acknowledged) == 100
    assert all(on_disk >= 100 for _, on_disk in bench.queue.acknowledged)


def test_a_batch_is_closed_after_its_time_and_not_before(bench: Bench) -> None:
    bench.turns(2)
    bench.queue.send(PAYLOADS[0])
    bench.turns(3)
    assert bench.queue.acknowledged == []

    bench.turns(3)
    assert len(bench.queue.acknowledged) == 1


def test_a_batch_is_closed_at_its_count_however_fast_they_come(tmp_path: Path) -> None:
    bench = Bench(tmp_path, commit_s=600.0, commit_readings=50)
    bench.queue.send(*PAYLOADS[:120])
    for _ in range(2):
        bench.pipeline.turn()

    assert len(bench.queue.acknowledged) == 100


def test_a_full_window_of_the_broker_is_closed_in_a_lull_and_a_small_batch_is_not(tmp_path: Path) -> None:
    bench = Bench(tmp_path, commit_s=600.0)
    bench.turns(2)
    bench.queue.send(*PAYLOADS[:19])
    bench.turns(5)
    assert bench.queue.acknowledged == []

    bench.queue.send(PAYLOADS[19])
    bench.turns(0.5)
    assert len(bench.queue.acknowledged) == 20


def test_a_finding_closes_the_batch_at_once(tmp_path: Path) -> None:
    bench = Bench(tmp_path, commit_s=600.0, commit_readings=5000)
    bench.queue.send(*PAYLOADS)
    bench.turns(3)

    kinds = {alert.kind.name for alert in bench.store.alerts.recent(0)}
    assert "rack-due" in kinds


def test_what_cannot_be_read_is_quarantined_acknowledged_and_does_not_stop_the_rest(bench: Bench) -> None:
    hostile = [
        b"",
        b"\xff\xfe",
        b"[" * 50_000,
        b"null",
        b'{"a":NaN}',
        b"x" * 100_000,
        b'[{"n":"gravity","v":9}]',
    ]
    bench.queue.send(PAYLOADS[0], *hostile, PAYLOADS[1])
    bench.queue.send(b"19.0", topic="nobody/knows")
    bench.turns(10)

    kept = bench.store.readings.quarantined()
    assert len(bench.queue.acknowledged) == len(hostile) + 3
    assert bench.store.readings.count() == 2
    assert len(kept) == len(hostile) + 1
    assert all(row.reason and row.detail for row in kept)
    assert max(len(row.payload) for row in kept) <= 512
    assert bench.pipeline.counters.quarantined == len(hostile) + 1


@contextmanager
def full_card(store: Store) -> Iterator[None]:
    """Make every commit of readings fail as a full card does."""
    whole = store.readings.add

    def fail(_: Sequence[Reading]) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    store.readings.add = fail  # type: ignore[method-assign, assignment]
    try:
        yield
    finally:
        store.readings.add = whole  # type: ignore[method-assign]


def test_a_full_card_acknowledges_nothing_says_so_once_and_recovers_by_itself(bench: Bench) -> None:
    with full_card(bench.store):
        bench.queue.send(*PAYLOADS[:50])
        bench.turns(200)
        assert bench.queue.acknowledged == []
        assert len(bench.said) == 1
        assert "nothing" in bench.said[0][1].lower() or "no reading is lost" in bench.said[0][1].lower()

    bench.turns(70)

    assert len(bench.queue.acknowledged) == 50
    assert bench.store.readings.count() == 50
    storage = [a for a in bench.store.alerts.recent(0) if a.kind.name == "storage-trouble"]
    assert len(storage) == 1
    assert storage[0].is_over


def test_while_the_card_is_full_no_more_is_taken_than_a_batch(tmp_path: Path) -> None:
    bench = Bench(tmp_path, commit_readings=100)
    with full_card(bench.store):
        bench.queue.send(*PAYLOADS[:300])
        bench.turns(100)

        assert len(bench.queue.waiting) == 200


def test_a_batch_of_retried_readings_is_concluded_once(tmp_path: Path) -> None:
    smooth = Bench(tmp_path / "smooth", commit_readings=100)
    (tmp_path / "rough").mkdir()
    rough = Bench(tmp_path / "rough", commit_readings=100)
    for bench in (smooth, rough):
        bench.queue.send(*PAYLOADS)
    smooth.turns(20)
    with full_card(rough.store):
        rough.turns(30)
    rough.turns(100)

    def alerts(bench: Bench) -> list[tuple[str, int]]:
        return [
            (a.kind.name, a.opened_ms)
            for a in bench.store.alerts.recent(0)
            if a.kind.name not in ("storage-trouble", "sensor-silent")
        ]

    assert alerts(rough) == alerts(smooth)
    assert rough.store.readings.count() == smooth.store.readings.count() == len(PAYLOADS)


def test_a_sensor_is_silent_only_after_its_time_and_heard_again_when_it_speaks(bench: Bench) -> None:
    bench.queue.send(PAYLOADS[0])
    bench.turns(2.9 * 3600)
    assert not [a for a in bench.store.alerts.open() if a.kind.name == "sensor-silent"]

    bench.turns(0.2 * 3600)
    assert [a.subject.sensor for a in bench.store.alerts.open() if a.kind.name == "sensor-silent"] == [
        "float"
    ]

    bench.queue.send(PAYLOADS[1])
    bench.turns(60)
    assert not [a for a in bench.store.alerts.open() if a.kind.name == "sensor-silent"]


def test_a_restart_does_not_make_sensors_silent_at_once(bench: Bench) -> None:
    bench.queue.send(PAYLOADS[0])
    bench.turns(60)
    bench.clocks.go_on(5 * 86_400)

    bench.pipeline = bench.make()
    bench.turns(2.5 * 3600)

    assert not [a for a in bench.store.alerts.open() if a.kind.name == "sensor-silent"]


def test_an_entry_typed_in_another_process_is_noticed(bench: Bench, tmp_path: Path) -> None:
    from cellars import entry
    from mustwatch.cellar.book import Racking

    bench.queue.send(*PAYLOADS)
    bench.turns(20)
    assert [a for a in bench.store.alerts.open() if a.kind.name == "rack-due"]

    other = Store(tmp_path / "c.db", T0)
    other.book.append(entry(4.5, Racking("carboy", "bucket", floats=("float",))))
    other.close()
    bench.turns(5)

    assert not [a for a in bench.store.alerts.open() if a.kind.name == "rack-due"]


def test_no_slot_is_closed_by_the_clock_while_the_broker_may_hold_a_backlog(bench: Bench) -> None:
    def horizon_ms() -> int:
        return bench.pipeline._evaluation.watches["kit"].horizon_ms

    bench.queue.is_connected = False
    bench.queue.send(PAYLOADS[0])
    bench.turns(10)
    open_slot_ms = horizon_ms()

    bench.turns(600)
    assert horizon_ms() == open_slot_ms, "the broker is away: what it holds may belong into the open slot"

    bench.queue.is_connected = True
    bench.turns(4)
    assert horizon_ms() == open_slot_ms, "it has only just come back"
    bench.turns(4)
    assert horizon_ms() > open_slot_ms


def test_with_the_broker_away_for_long_slots_are_closed_all_the_same(bench: Bench) -> None:
    bench.queue.is_connected = False
    bench.queue.send(PAYLOADS[0])
    bench.turns(6)
    open_slot_ms = bench.pipeline._evaluation.watches["kit"].horizon_ms

    bench.turns(2 * 3600)

    assert bench.pipeline._evaluation.watches["kit"].horizon_ms > open_slot_ms
