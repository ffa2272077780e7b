"""A damaged file: it is seen, set aside and kept, and the watch goes on from the newest good backup or anew."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from cellars import T0, new_store, readings
from mustwatch.cellar.instant import DAY_MS
from mustwatch.store.backup import make_backup
from mustwatch.store.keeper import Keeper
from mustwatch.store.opening import open_store
from mustwatch.store.soundness import is_damage, mark_damaged, may_pass, quick_check, set_aside
from mustwatch.store.store import Store


@pytest.fixture
def path(tmp_path: Path) -> Path:
    store = new_store(tmp_path / "cellar.db")
    store.readings.add(readings(20.0))
    store.close()
    return store.path


def scribble(path: Path, page: int) -> None:
    with path.open("r+b") as file:
        file.seek(page * 4096)
        file.write(os.urandom(4096))


def test_a_sound_file_is_opened_as_it_is(path: Path, tmp_path: Path) -> None:
    opened = open_store(path, T0, tmp_path / "backups")
    assert (opened.is_new, opened.damage, opened.store.readings.count()) == (False, None, 1920)
    opened.store.close()
    assert quick_check(path) is None


def test_a_file_that_cannot_be_opened_for_damage_is_kept_aside_and_a_new_one_begun(
    path: Path, tmp_path: Path
) -> None:
    scribble(path, 0)
    opened = open_store(path, T0, tmp_path / "backups")

    assert opened.is_new
    assert opened.damage is not None
    assert "no good backup was found" in opened.damage
    assert opened.store.readings.count() == 0
    assert (tmp_path / "cellar.db.damaged-20260901T000000Z").stat().st_size > 4096


def test_the_watch_goes_on_from_the_newest_good_backup(path: Path, tmp_path: Path) -> None:
    make_backup(path, tmp_path / "backups", T0)
    newer = make_backup(path, tmp_path / "backups", T0 + DAY_MS)
    scribble(newer.path, newer.path.stat().st_size // 4096 // 2)
    scribble(path, 0)
    opened = open_store(path, T0, tmp_path / "backups")

    assert not opened.is_new
    assert opened.damage is not None
    assert "cellar-20260901T000000Z.db" in opened.damage
    assert opened.store.readings.count() == 1920


def test_damage_deep_in_the_file_is_found_by_reading_it_through(path: Path) -> None:
    """Opening sees the first page only; the check after an unclean end reads them all."""
    with closing(sqlite3.connect(path)) as connection:  # no page of the schema, which opening reads
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name='reading'").fetchone()
    scribble(path, page - 1)
    Store(path, T0).close()

    assert quick_check(path) is not None


def test_a_store_marked_as_damaged_is_set_aside_at_the_next_start(path: Path, tmp_path: Path) -> None:
    mark_damaged(path, "database disk image is malformed")
    opened = open_store(path, T0, tmp_path / "backups")
    opened.store.close()
    assert opened.damage is not None
    assert opened.damage.startswith("database disk image is malformed")

    assert open_store(path, T0 + 1, tmp_path / "backups").damage is None, "the mark goes with the file"


def test_setting_aside_twice_in_a_second_loses_neither_file(path: Path) -> None:
    first = set_aside(path, T0)
    path.write_bytes(b"another")
    second = set_aside(path, T0)

    assert first != second
    assert first.exists()
    assert second.read_bytes() == b"another"


def test_the_log_goes_aside_with_its_file(path: Path) -> None:
    store = Store(path, T0)
    store.readings.add(readings(21.0, from_day=20.0))
    aside = set_aside(path, T0)
    store.close()

    assert not list(path.parent.glob("cellar.db-*"))
    assert Store(aside, T0).readings.count() == 2016


def test_a_full_card_a_damaged_file_and_a_locked_one_are_told_apart(path: Path) -> None:
    def error(code: int) -> sqlite3.OperationalError:
        made = sqlite3.OperationalError("x")
        made.sqlite_errorcode = code
        return made

    assert may_pass(error(sqlite3.SQLITE_FULL))
    assert may_pass(error(sqlite3.SQLITE_IOERR_WRITE))
    assert may_pass(OSError(28, "No space left on device"))
    assert may_pass(error(sqlite3.SQLITE_READONLY))
    assert may_pass(OSError(30, "Read-only file system"))
    assert is_damage(error(sqlite3.SQLITE_CORRUPT))
    assert is_damage(error(sqlite3.SQLITE_CORRUPT_INDEX))
    assert not is_damage(error(sqlite3.SQLITE_FULL))
    assert not is_damage(error(sqlite3.SQLITE_BUSY))
    assert not may_pass(error(sqlite3.SQLITE_BUSY))
    assert not may_pass(PermissionError(13, "Permission denied"))


def test_an_unclean_end_is_known_at_the_next_start_and_a_command_in_between_does_not_hide_it(
    path: Path,
) -> None:
    with Keeper(path) as first:
        assert first.left_behind == ""
        first.note("77")
    with Keeper(path) as command:
        assert command.left_behind == "77"
    with Keeper(path) as second:
        assert second.left_behind == "77"
        second.note("")
    with Keeper(path) as third:
        assert third.left_behind == ""
