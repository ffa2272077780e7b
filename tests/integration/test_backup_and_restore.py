"""Backups of a store in use, verified by what they are read back as, and the way back from them."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from cellars import T0, new_store, readings
from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.cellar.instant import DAY_MS
from mustwatch.store import backup as backup_module
from mustwatch.store.backup import (
    BackupError,
    SourceDamagedError,
    backups,
    make_backup,
    newest_good,
    put_back,
    verify,
)
from mustwatch.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = new_store(tmp_path / "cellar.db")
    made.readings.add(readings(2.0))
    yield made
    made.close()


def damage(path: Path) -> None:
    """Overwrite a page in the middle, as a dying card does."""
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2 // 4096 * 4096)
        file.write(os.urandom(4096))


def test_a_backup_holds_what_the_store_held(store: Store, tmp_path: Path) -> None:
    made = make_backup(store.path, tmp_path / "backups", T0)

    assert (made.readings, made.entries) == (192, 1)
    with closing(sqlite3.connect(made.path)) as copy:
        assert copy.execute("SELECT count(*), min(observed_ms) FROM reading").fetchone() == (192, T0)
    assert [p.name for p in (tmp_path / "backups").iterdir()] == ["cellar-20260901T000000Z.db"]


def test_a_backup_made_while_readings_are_written_is_one_moment_of_the_store(
    store: Store, tmp_path: Path
) -> None:
    store.readings.add(readings(200.0))
    stop = threading.Event()

    def write() -> None:
        days = 200.0
        while not stop.is_set():
            with store.transaction():
                store.readings.add(readings(days + 1.0, from_day=days))
            days += 1.0

    writing = threading.Thread(target=write)
    writing.start()
    try:
        for number in range(5):
            made = make_backup(store.path, tmp_path / "backups", T0 + number * 1000)
            assert made.readings % 96 == 0, "whole transactions only"
    finally:
        stop.set()
        writing.join()


def test_the_oldest_backups_go_and_an_unfinished_one_is_swept_up(store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    folder.mkdir()
    (folder / "cellar-20260101T000000Z.db.77.part").write_bytes(b"cut off")
    for day in range(5):
        make_backup(store.path, folder, T0 + day * DAY_MS, keep=3)

    assert [p.name[7:15] for p in sorted(folder.iterdir())] == ["20260903", "20260904", "20260905"]


def test_a_backup_that_cannot_be_written_leaves_nothing_and_the_older_ones(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "backups"
    make_backup(store.path, folder, T0, keep=1)
    usage = shutil.disk_usage(folder)
    monkeypatch.setattr(backup_module.shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(BackupError, match=r"no room .* MB are needed"):
        make_backup(store.path, folder, T0 + DAY_MS, keep=1)

    assert [p.name for p in folder.iterdir()] == ["cellar-20260901T000000Z.db"]


def test_a_backup_is_given_up_when_the_daemon_stops(store: Store, tmp_path: Path) -> None:
    with pytest.raises(BackupError, match="stopping"):
        make_backup(store.path, tmp_path / "backups", T0, should_stop=lambda: True)
    assert list((tmp_path / "backups").iterdir()) == []


def test_a_copy_that_is_not_what_was_written_is_no_backup(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is compared is read back from the file: here the card changed it."""
    monkeypatch.setattr(backup_module, "_to_the_card", damage)
    with pytest.raises(BackupError):
        make_backup(store.path, tmp_path / "backups", T0)
    assert list((tmp_path / "backups").iterdir()) == []


def test_a_damaged_store_is_told_from_a_backup_that_failed(tmp_path: Path) -> None:
    path = tmp_path / "cellar.db"
    path.write_bytes(b"not a database at all" * 1000)
    with pytest.raises(SourceDamagedError):
        make_backup(path, tmp_path / "backups", T0)


@pytest.mark.parametrize(
    ("content", "said"),
    [(None, "no such file"), (b"", "lacks its tables"), (b"SQLite format 3\0" + b"x" * 5000, "damaged")],
)
def test_what_is_no_backup_is_said_to_be_none(tmp_path: Path, content: bytes | None, said: str) -> None:
    path = tmp_path / "x.db"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(BackupError, match=said):
        verify(path)


def test_a_backup_of_a_newer_mustwatch_is_refused(store: Store, tmp_path: Path) -> None:
    made = make_backup(store.path, tmp_path, T0)
    with closing(sqlite3.connect(made.path)) as copy, copy:
        copy.execute("INSERT INTO migration VALUES (999, 'from the future', 0)")
    with pytest.raises(BackupError, match="install the newer"):
        verify(made.path)


def test_the_newest_good_backup_is_found_past_a_damaged_one(store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    good = make_backup(store.path, folder, T0)
    bad = make_backup(store.path, folder, T0 + DAY_MS)
    damage(bad.path)

    assert backups(folder) == [bad.path, good.path]
    assert newest_good(folder) == good.path


def test_what_waited_to_be_told_in_a_backup_is_told_as_a_possible_repeat(
    store: Store, tmp_path: Path
) -> None:
    message = written_message(MessageKind.REVIEW, "phone", "Good morning", "...", T0, DAY_MS, "2026-09-01")
    store.outbox.put([message])
    made = make_backup(store.path, tmp_path / "backups", T0)
    put_back(made.path, tmp_path / "restored.db")
    restored = Store(tmp_path / "restored.db", T0)

    assert [row.is_repeat_possible for row in store.outbox.waiting()] == [False]
    assert [row.is_repeat_possible for row in restored.outbox.waiting()] == [True]


# --- the commands --------------------------------------------------------------------------------------------

Command = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def mustwatch(store: Store, tmp_path: Path) -> Command:
    config = tmp_path / "mustwatch.toml"
    config.write_text(f'[store]\npath = "{store.path}"\n')

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "mustwatch", *arguments],
            env={**os.environ, "MUSTWATCH_CONFIG": str(config)},
            capture_output=True,
            text=True,
            check=False,
        )

    return run


def test_the_command_backs_up_a_store_in_use_and_restores_it_on_a_new_card(
    store: Store, mustwatch: Command, tmp_path: Path
) -> None:
    made = json.loads(mustwatch("backup", "--json").stdout)
    assert (made["readings"], made["verified"]) == (192, True)
    store.close()
    store.path.unlink()

    done = mustwatch("restore", "--from-backup", made["file"], "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["readings"] == 192


def test_a_store_that_is_there_is_not_overwritten_and_with_force_kept_aside(
    store: Store, mustwatch: Command
) -> None:
    file = json.loads(mustwatch("backup", "--json").stdout)["file"]
    store.readings.add(readings(3.0, from_day=2.0))
    store.close()
    refused = mustwatch("restore", "--from-backup", file)
    assert (refused.returncode, "--force" in refused.stderr) == (1, True)

    done = json.loads(mustwatch("restore", "--from-backup", file, "--force", "--json").stdout)
    assert done["readings"] == 192
    aside = Store(Path(done["set_aside"]), T0)
    assert aside.readings.count() == 288


def test_a_damaged_backup_is_refused_before_anything_is_moved(store: Store, mustwatch: Command) -> None:
    file = Path(json.loads(mustwatch("backup", "--json").stdout)["file"])
    damage(file)
    store.close()
    refused = mustwatch("restore", "--from-backup", str(file), "--force")

    assert refused.returncode == 1
    assert "damaged" in refused.stderr
    assert Store(store.path, T0).readings.count() == 192


def test_a_restore_while_the_daemon_keeps_watch_is_refused(store: Store, mustwatch: Command) -> None:
    from mustwatch.store.keeper import Keeper

    file = json.loads(mustwatch("backup", "--json").stdout)["file"]
    with Keeper(store.path):
        refused = mustwatch("restore", "--from-backup", file, "--force")
    assert (refused.returncode, "stop it first" in refused.stderr) == (1, True)


def test_a_restore_without_anything_lists_what_there_is_and_what_to_type(
    store: Store, mustwatch: Command, tmp_path: Path
) -> None:
    none = mustwatch("restore")
    assert (none.returncode, "No backup is in" in none.stdout) == (0, True)
    good = make_backup(store.path, tmp_path / "backups", T0)
    bad = make_backup(store.path, tmp_path / "backups", T0 + DAY_MS)
    damage(bad.path)

    said = mustwatch("restore").stdout
    document = json.loads(mustwatch("restore", "--json").stdout)

    assert f"{good.path.name}  " in said
    assert f"mustwatch restore --from-backup {good.path} --force" in said, (
        "the newest good one, and a store is here"
    )
    assert [row["fault"] is None for row in document["backups"]] == [False, True]
    assert document["backups"][1]["readings"] == 192


def test_a_restore_from_a_mirror_that_is_not_configured_is_wrong_input(mustwatch: Command) -> None:
    assert "[influx]" in mustwatch("restore", "--from-influx").stderr
