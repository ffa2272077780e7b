"""Files that call themselves backups: `restore` refuses each in a line, and what stood in the store's place stays."""

import hashlib
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from attack_table import Row

from cellars import T0, new_store, readings
from daemons import Daemon
from mustwatch.cli.restore import _copied
from mustwatch.store.backup import make_backup
from mustwatch.store.store import Store

ALTERED = {
    "the outbox is gone": "DROP TABLE outbox",
    "a column is gone": "ALTER TABLE entry RENAME COLUMN despite TO of_another",
    "the list of migrations is empty": "DELETE FROM migration",
    "a migration's number is a word": "DROP TABLE migration; CREATE TABLE migration (version TEXT, name TEXT,"
    " applied_ms INTEGER); INSERT INTO migration VALUES ('four', '', 0)",
    "a migration is left out": "DELETE FROM migration WHERE version=1",
    "a trigger writes into the book": "CREATE TRIGGER hook AFTER UPDATE ON outbox BEGIN DELETE FROM entry; END",
    "a trigger of ours does something else": "DROP TRIGGER mirror_entry_insert; CREATE TRIGGER mirror_entry_insert"
    " AFTER INSERT ON entry BEGIN DELETE FROM reading; END",
    "a table is a view": "ALTER TABLE finding RENAME TO other; CREATE VIEW finding AS SELECT * FROM other",
}


@pytest.fixture
def cellar(daemon_with: Callable[[str], Daemon], tmp_path: Path) -> tuple[Daemon, Path]:
    """Return a cellar of two days, and a backup of its first."""
    daemon = daemon_with("[mqtt]\nport = 1")
    with closing(new_store(daemon.store)) as store:
        store.readings.add(readings(1.0))
        backup = make_backup(store.path, tmp_path / "elsewhere", T0).path
        store.readings.add(readings(2.0, from_day=1.0))
    return daemon, backup


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("what", ALTERED)
def test_a_backup_that_was_tampered_with_changes_nothing(
    cellar: tuple[Daemon, Path], what: str, row: Callable[[str], Row]
) -> None:
    tried = row(f"a backup to restore in which {what}")
    daemon, backup = cellar
    with closing(sqlite3.connect(backup)) as db:
        db.executescript("PRAGMA legacy_alter_table=ON;" + ALTERED[what])
    before = digest(daemon.store)

    refused = daemon.command("restore", "--from-backup", str(backup), "--force")

    tried.tried, tried.lost = 1, int(digest(daemon.store) != before)
    assert "Traceback" not in refused.stderr, refused.stderr
    assert (refused.returncode, len(refused.stderr.strip().splitlines())) == (1, 1), refused.stderr
    assert str(backup) in refused.stderr
    assert tried.lost == 0
    assert not [f for f in daemon.folder.iterdir() if ".before-restore" in f.name or "unfinished" in f.name]


@pytest.mark.parametrize("what", ["a folder's name", "an endless device", "a pipe", "text", "half a backup"])
def test_what_is_no_backup_at_all_changes_nothing(
    cellar: tuple[Daemon, Path], tmp_path: Path, what: str, row: Callable[[str], Row]
) -> None:
    tried = row(f"{what} given as a backup to restore")
    daemon, backup = cellar
    given = {"a folder's name": tmp_path, "an endless device": Path("/dev/zero")}.get(what, tmp_path / "x.db")
    if what == "a pipe":
        os.mkfifo(given)
    elif what == "text":
        given.write_text("Dear diary\n" * 1000)
    elif what == "half a backup":
        given.write_bytes(backup.read_bytes()[: backup.stat().st_size // 2])
    before = digest(daemon.store)

    refused = daemon.command("restore", "--from-backup", str(given), "--force")

    tried.tried, tried.lost = 1, int(digest(daemon.store) != before)
    assert "Traceback" not in refused.stderr, refused.stderr
    assert (refused.returncode, tried.lost) == (1, 0), refused.stderr


def test_a_device_is_not_copied_beside_the_store(tmp_path: Path, row: Callable[[str], Row]) -> None:
    """On an installed machine a person's file is, before the service reads it."""
    row("an endless device given to the installed command").tried = 1
    with pytest.raises(OSError, match="a device or a pipe"):
        _copied(Path("/dev/zero"), tmp_path)


def test_the_daemon_passes_over_a_tampered_backup_when_its_store_is_damaged(
    cellar: tuple[Daemon, Path], row: Callable[[str], Row]
) -> None:
    tried = row("the store is damaged, and the newest backup was tampered with")
    daemon, backup = cellar
    folder = daemon.store.parent / "backups"
    folder.mkdir()
    (folder / "cellar-20260901T000000Z.db").write_bytes(backup.read_bytes())
    with closing(sqlite3.connect(backup)) as db:
        db.executescript(ALTERED["the outbox is gone"])
    (folder / "cellar-20260902T000000Z.db").write_bytes(backup.read_bytes())
    daemon.store.write_bytes(b"not a store" * 5000)

    daemon.start(listening=False)
    assert daemon.stop() == 0

    with closing(Store(daemon.store, T0)) as store:
        tried.tried, tried.lost = 1, 96 - store.readings.count()
    assert tried.lost == 0
