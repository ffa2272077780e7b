"""Backups: a copy of the store made while it is in use, verified after writing, rotated; and the way back.

The copy is SQLite's own (its backup interface, within one read transaction), never a copy of the live file. It
counts as a backup only when it was read back from the card, found sound, and has the same rows as the store had in
that transaction; until then its name ends in ``.part``.
"""

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from mustwatch.cellar.instant import from_ms
from mustwatch.store.schema import MIGRATIONS
from mustwatch.store.shape import deviation, version_of
from mustwatch.store.soundness import is_damage, read_only, sync_folder

SMALL_CACHE = "PRAGMA cache_size=-256"
"""KiB. A copy looks at every page once: to keep them would only take memory from the pages' answers."""
PAGES_PER_STEP = 512
"""Pages copied between two breaths (2 MB), so that the pipeline's commits get the card in between."""
RESERVE_BYTES = 64 * 1024 * 1024
"""A backup never takes the last of the card: the readings come first."""
PREFIX, SUFFIX = "cellar-", ".db"
NEEDED_TABLES = frozenset({"migration", "reading", "entry", "sensor"})


Advance = Callable[[float], None]


class BackupError(Exception):
    """A backup could not be made or is not good; the text says why and what to do."""


class SourceDamagedError(BackupError):
    """The store itself is damaged: no good backup can be made of it."""


class Backup(NamedTuple):
    """A verified backup: its file, its size in bytes, and how many readings and book entries it holds."""

    path: Path
    size_bytes: int
    readings: int
    entries: int


def backup_folder(store_path: Path, configured: Path | None) -> Path:
    """Return where backups are kept: where the configuration says, else ``backups`` beside the store."""
    return configured.expanduser() if configured is not None else store_path.parent / "backups"


def backup_names(names: Iterable[str]) -> list[str]:
    """Return those of a folder's names that are finished backups', newest first."""
    return sorted((n for n in names if n.startswith(PREFIX) and n.endswith(SUFFIX)), reverse=True)


def backups(folder: Path) -> list[Path]:
    """Return the finished backups in a folder, newest first."""
    return (
        [folder / name for name in backup_names(p.name for p in folder.iterdir())] if folder.is_dir() else []
    )


def backup_name(now_ms: int) -> str:
    """Return the name of a backup that is made now."""
    return f"{PREFIX}{from_ms(now_ms):%Y%m%dT%H%M%SZ}{SUFFIX}"


def make_backup(
    store_path: Path,
    folder: Path,
    now_ms: int,
    keep: int | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    advance: Advance = lambda _done: None,
) -> Backup:
    """Write a backup into a folder and verify it; then let the oldest go so that ``keep`` remain.

    Args:
        store_path: the store, in use or not.
        folder: where to.
        now_ms: the present, for the file's name.
        keep: how many backups remain; None: all.
        should_stop: asked between steps; True gives the backup up.
        advance: told between steps which share of it is copied, 0 to 1.

    Raises:
        SourceDamagedError: the store cannot be read for damage.
        BackupError: it cannot be written, or what was written is not what the store holds.
    """
    made = write_backup(store_path, folder / backup_name(now_ms), should_stop, advance)
    if keep is not None:
        for old in backups(folder)[keep:]:
            old.unlink(missing_ok=True)
        for part in folder.glob(f"{PREFIX}*.part"):  # of a run that was cut off
            part.unlink(missing_ok=True)
    return made


def write_backup(
    store_path: Path,
    target: Path,
    should_stop: Callable[[], bool] = lambda: False,
    advance: Advance = lambda _done: None,
) -> Backup:
    """Write a verified backup to a file. Raises as ``make_backup`` does."""
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _refuse_without_room(store_path, target.parent)
        counts = _copy(store_path, part, should_stop, advance)
        _to_the_card(part)
        copied = verify(part)
        if copied != counts:
            differing = sorted(t for t in counts if copied.get(t) != counts[t])
            raise BackupError(f"the copy differs from the store in {', '.join(differing)}: try again")
        part.replace(target)
        sync_folder(target.parent)
    except OSError as error:
        raise BackupError(f"cannot write {target}: {error.strerror or error}") from None
    finally:
        for companion in ("", "-journal", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                part.with_name(part.name + companion).unlink(missing_ok=True)
    return Backup(target, target.stat().st_size, counts["reading"], counts["entry"])


def _refuse_without_room(store_path: Path, folder: Path) -> None:
    wal = store_path.with_name(store_path.name + "-wal")
    need = store_path.stat().st_size + (wal.stat().st_size if wal.exists() else 0)
    free = shutil.disk_usage(folder).free
    if free < need + RESERVE_BYTES:
        raise BackupError(
            f"no room in {folder}: {free // 2**20} MB are free, {(need + RESERVE_BYTES) // 2**20 + 1} MB are needed; "
            "make room, or set store.backup_dir to another disk"
        )


def _copy(
    store_path: Path, part: Path, should_stop: Callable[[], bool], advance: Advance
) -> Mapping[str, int]:
    """Copy within one read transaction, and return the row counts of that same transaction."""

    def progress(_status: int, remaining: int, total: int) -> None:
        advance(1 - remaining / max(total, 1))
        if should_stop():
            raise BackupError("given up: mustwatch is stopping")

    try:
        with closing(sqlite3.connect(read_only(store_path), uri=True)) as source:
            source.execute(SMALL_CACHE)
            source.execute("BEGIN")
            counts = _row_counts(source)
            with closing(sqlite3.connect(part)) as copy:
                copy.execute(SMALL_CACHE)
                source.backup(copy, pages=PAGES_PER_STEP, sleep=0.0, progress=progress)
                copy.execute("PRAGMA journal_mode=DELETE")  # one file, complete in itself
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            raise SourceDamagedError(f"the store is damaged: {error}") from None
        raise BackupError(f"cannot copy the store: {error}") from None
    return counts


def _row_counts(connection: sqlite3.Connection) -> dict[str, int]:
    tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type='table'")]
    return {
        table: int(connection.execute(f"SELECT count(*) FROM {_quoted(table)}").fetchone()[0])  # noqa: S608
        for table in tables
    }


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _to_the_card(path: Path) -> None:
    """Have a file on the card, and forget what memory holds of it, so that it is read back from there."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def verify(path: Path) -> Mapping[str, int]:
    """Read a backup through and return its row counts by table.

    Raises:
        BackupError: it is not there, damaged, not of mustwatch, or of a newer one.
    """
    if not path.is_file():
        raise BackupError(f"{path}: no such file; expected a backup made by `mustwatch backup`")
    try:
        with closing(sqlite3.connect(f"{read_only(path)}&immutable=1", uri=True)) as connection:
            connection.execute(SMALL_CACHE)
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            if found != "ok":
                raise BackupError(f"{path} is damaged: {found}; try an older backup")
            counts = _row_counts(connection)
            _refuse_other_shape(path, connection, counts)
    except sqlite3.DatabaseError as error:
        raise BackupError(f"{path} is damaged or no backup: {error}; try an older one") from None
    return counts


def _refuse_other_shape(path: Path, connection: sqlite3.Connection, counts: Mapping[str, int]) -> None:
    if not set(counts) >= NEEDED_TABLES:
        raise BackupError(f"{path} is no backup of mustwatch: it lacks its tables")
    schema, newest = version_of(connection), max(m.version for m in MIGRATIONS)
    if schema is None:
        raise BackupError(f"{path} is no backup of mustwatch: its migrations are not ours; try an older one")
    if schema > newest:
        raise BackupError(f"{path} has schema {schema}, this mustwatch knows {newest}: install the newer one")
    other = deviation(connection, schema)
    if other is not None:
        raise BackupError(f"{path} is no backup of mustwatch: {other}; try an older one")


def put_back(backup: Path, store_path: Path) -> None:
    """Make a verified backup the store. Nothing may be at the store's path, and nobody may keep watch on it.

    What waited in the outbox when the backup was made may have been told since: it is marked so, and is told with
    a line saying that it may be a repeat.

    Raises:
        OSError, sqlite3.Error: it cannot be written; the store's path is then still empty.
    """
    store_path.parent.mkdir(parents=True, exist_ok=True)
    part = store_path.with_name(store_path.name + ".restoring")
    try:
        shutil.copyfile(backup, part)
        with closing(sqlite3.connect(part, isolation_level=None)) as connection:
            connection.execute(
                "UPDATE outbox SET unfinished=1, attempts=max(attempts, 1) WHERE told_ms IS NULL AND expired_ms IS NULL"
            )
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.replace(store_path)
    finally:
        part.unlink(missing_ok=True)
    sync_folder(store_path.parent)


def newest_good(folder: Path) -> Path | None:
    """Return the newest backup in a folder that can be read through, or None."""
    for candidate in backups(folder):
        try:
            verify(candidate)
        except BackupError:
            continue
        return candidate
    return None
