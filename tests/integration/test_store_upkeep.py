"""The timed upkeep: a backup that failed is made up for, little room is told once, and nothing is thinned too soon."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from cellars import T0, new_store, readings
from mustwatch.app import upkeep as upkeep_module
from mustwatch.app.schedule import due_ms
from mustwatch.app.self_watch import SelfWatch
from mustwatch.app.upkeep import Upkeep
from mustwatch.cellar.history import BEGINNING_MS, END_MS, Placement
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.settings import StoreSettings
from mustwatch.ingest.clock import ClockState
from mustwatch.store.rollup import roll_up
from mustwatch.store.soundness import StoreDamagedError

NOWHERE = Placement(None, None, BEGINNING_MS, END_MS)


class Bench:
    """Upkeep of a store, with what it found."""

    def __init__(self, folder: Path) -> None:
        self.store = new_store(folder / "cellar.db")
        self.folder = folder / "backups"
        self.now_ms = T0 + 10 * DAY_MS
        self.mirrored_ms: int | None = None
        self.damage: list[BaseException] = []
        self.self_watch = SelfWatch({}, [], 0.0)
        settings = StoreSettings(
            path=folder / "cellar.db", backup_dir=self.folder, backup_keep=2, keep_raw_days=30
        )
        self.upkeep = Upkeep(
            self.store,
            settings,
            self.self_watch,
            lambda: self.now_ms,
            damaged=self.damage.append,
            should_stop=lambda: False,
            mirrored_until_ms=lambda: self.mirrored_ms,
        )

    def found(self) -> list[tuple[str, str | None]]:
        """Return what began (with its part) and ceased since last asked."""
        seen = self.self_watch.look(self.now_ms, 0.0, ClockState.SURE, lambda sensor, at_ms: NOWHERE)
        return [(t.change.value, str(t.evidence.get("part") or "") or None) for t in seen]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.store.close()


def test_the_nightly_backup_is_made_and_rotated(bench: Bench) -> None:
    for _ in range(4):
        bench.upkeep.backup()
        bench.now_ms += DAY_MS

    assert len(list(bench.folder.iterdir())) == 2
    assert bench.found() == []


def test_a_backup_that_failed_is_a_finding_and_is_made_up_for_within_the_hour(bench: Bench) -> None:
    bench.folder.write_text("in the way")
    bench.upkeep.backup()
    assert bench.found() == [("raised", "backup")]
    bench.upkeep.hourly(bench.now_ms)
    assert bench.found() == [], "told once"
    bench.folder.unlink()
    bench.upkeep.hourly(bench.now_ms)

    assert bench.found() == [("cleared", None)]
    assert len(list(bench.folder.iterdir())) == 1
    bench.upkeep.hourly(bench.now_ms + HOUR_MS)
    assert len(list(bench.folder.iterdir())) == 1, "made up for once"


def test_a_store_that_turns_out_to_be_damaged_ends_the_process(bench: Bench) -> None:
    bench.store.readings.add(readings(30.0))
    bench.store.database.tidy_log()
    bench.store.close()
    with bench.store.path.open("r+b") as file:
        file.write(b"nothing like a database" * 100)
    bench.upkeep.backup()

    assert [type(fault) for fault in bench.damage] == [StoreDamagedError]


def test_little_room_is_told_once_and_over_only_when_there_is_clearly_more(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(bench.store.path.parent)._replace(total=30 * 2**30)

    def room(free_mb: int) -> None:
        monkeypatch.setattr(
            upkeep_module.shutil, "disk_usage", lambda _: usage._replace(free=free_mb * 2**20)
        )
        bench.upkeep.look_at_the_room()

    room(300)
    assert bench.found() == []
    room(190)
    assert bench.found() == [("raised", "room")]
    room(180)
    room(210)
    assert bench.found() == []
    room(260)
    assert bench.found() == [("cleared", None)]


def prepared(bench: Bench) -> None:
    bench.store.readings.add(readings(2.0))
    bench.now_ms = T0 + 100 * DAY_MS
    bench.store.readings.add([Reading("float", bench.now_ms, bench.now_ms, 0.995)])
    roll_up(bench.store.database, bench.now_ms)


def test_without_a_mirror_what_is_past_its_time_is_thinned(bench: Bench) -> None:
    prepared(bench)
    bench.upkeep.retention()
    assert bench.store.readings.count() == 1


def test_what_is_not_mirrored_yet_is_not_thinned(bench: Bench) -> None:
    prepared(bench)
    bench.mirrored_ms = T0 + DAY_MS
    bench.now_ms = T0 + 50 * DAY_MS
    bench.upkeep.retention()

    assert bench.store.readings.count() == 96 + 1


def test_a_mirror_that_never_comes_back_does_not_keep_readings_for_ever(bench: Bench) -> None:
    """Kept for thirty days, and for thirty more if they wait to be mirrored."""
    prepared(bench)
    bench.mirrored_ms = T0
    bench.upkeep.retention()
    assert bench.store.readings.count() == 1


def test_the_hourly_upkeep_rolls_up_and_cuts_the_log_back(bench: Bench) -> None:
    bench.store.readings.add(readings(9.0, every_min=2))
    assert bench.store.database.log_bytes() > 100_000
    bench.upkeep.hourly(bench.now_ms)

    assert bench.store.database.log_bytes() == 0
    assert bench.store.database.query("SELECT count(*) FROM rollup")[0][0] > 1000


def test_a_missed_night_is_made_up_for_once(bench: Bench) -> None:
    job = next(job for job in bench.upkeep.jobs() if job.id == "backup")
    zone = ZoneInfo("Europe/Vienna")
    three_days_later = T0 + 3 * DAY_MS
    due = due_ms(job, three_days_later, T0, zone)
    assert due is not None
    assert due_ms(job, three_days_later + HOUR_MS, due, zone) is None
