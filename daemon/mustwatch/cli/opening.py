"""Opening the configuration and the store for a command."""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mustwatch.cli.output import ExitCode, fail
from mustwatch.config.settings import Settings, SettingsError, load
from mustwatch.store.backup import backup_folder, backups
from mustwatch.store.keeper import is_kept
from mustwatch.store.schema import SchemaTooNewError
from mustwatch.store.store import Store


def now_ms() -> int:
    """Return the present, milliseconds since the epoch."""
    return time.time_ns() // 1_000_000


def settings_or_fail() -> Settings:
    """Load the configuration, or end the command with its faults, one a line."""
    try:
        return load()
    except SettingsError as error:
        where = f" in {error.path}" if error.path is not None else ""
        fail(f"the configuration{where} has faults:\n  " + "\n  ".join(error.faults), ExitCode.WRONG_INPUT)


def store_path(settings: Settings) -> Path:
    """Return where the store is."""
    return settings.store.path.expanduser()


def _refuse_vanished(path: Path, folder: Path) -> None:
    """End the command if the store is gone and there are backups of it: an empty cellar it is not."""
    kept = backups(folder)
    if kept:
        fail(
            f"the store {path} is gone, but there are {len(kept)} backups in {folder}: "
            "`mustwatch restore` says how to bring one back (to begin anew, move them away)"
        )


@contextmanager
def opened_store(settings: Settings, *, create: bool = False) -> Iterator[Store]:
    """Open the store for a block, or end the command saying why it cannot be opened."""
    path = store_path(settings)
    if not path.exists():
        _refuse_vanished(path, backup_folder(path, settings.store.backup_dir))
    if not create and not path.exists():
        fail(
            f"no store at {path} yet: begin with `mustwatch record start LOT --vessel VESSEL` or `mustwatch run`, "
            "or name another store.path in the configuration"
        )
    try:
        store = Store(path, now_ms())
    except SchemaTooNewError as error:
        fail(str(error))
    except sqlite3.OperationalError as error:
        fail(
            f"the store {path} cannot be opened ({error}): check that you may write there and the card is not full"
        )
    except sqlite3.DatabaseError as error:
        fail(f"the store {path} is damaged ({error}): `mustwatch restore` says how to bring a backup back")
    except OSError as error:
        fail(
            f"the store {path} cannot be opened ({error.strerror or error}): check the path and its permissions"
        )
    try:
        yield store
    finally:
        store.close()


def settle(store: Store, settings: Settings) -> None:
    """Without a running daemon, close what the clock has passed since somebody last wrote in the book."""
    if is_kept(store.path):
        return
    from mustwatch.recording.recorder import (
        Recorder,  # only now: with a daemon running the command answers sooner
    )

    Recorder(store, settings, now_ms()).settle()
