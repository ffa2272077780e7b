"""Opening the store when the daemon starts, whatever state the file is in.

A damaged file is set aside, and the watch goes on: from the newest good backup, or with a new store where there is
none. A file that is gone while there are good backups is no new cellar: it goes on from the newest. The winemaker is
told; nothing is thrown away.
"""

import logging
import sqlite3
from pathlib import Path
from typing import NamedTuple

from mustwatch.store.backup import newest_good, put_back
from mustwatch.store.soundness import is_damage, marked_damage, set_aside
from mustwatch.store.store import Store

log = logging.getLogger(__name__)


class Opened(NamedTuple):
    """The store, whether its file is new, and, if a damaged one was set aside or it was gone, what happened."""

    store: Store
    is_new: bool
    damage: str | None
    was_gone: bool = False


def open_store(path: Path, now_ms: int, backups: Path) -> Opened:
    """Open the store, after setting a damaged file aside if need be.

    Args:
        path: of the store.
        now_ms: the present, milliseconds since the epoch.
        backups: the folder of backups.

    Raises:
        sqlite3.Error, OSError: it cannot be opened for another reason than damage.
        store.schema.SchemaTooNewError: it was written by a newer mustwatch.
    """
    if not path.exists():
        return _begin(path, now_ms, backups)
    why = marked_damage(path)
    if why is None:
        try:
            return Opened(Store(path, now_ms), False, None)
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            why = str(error)
    return _begin_anew(path, now_ms, backups, why)


def _begin(path: Path, now_ms: int, backups: Path) -> Opened:
    backup = newest_good(backups)
    if backup is None:
        return Opened(Store(path, now_ms), True, None)
    put_back(backup, path)
    said = f"the store was gone; the watch goes on from the backup {backup.name}"
    log.error(said)
    return Opened(Store(path, now_ms), False, said, was_gone=True)


def _begin_anew(path: Path, now_ms: int, backups: Path, why: str) -> Opened:
    log.error("the store is damaged and set aside: %s", why)
    aside = set_aside(path, now_ms)
    backup = newest_good(backups)
    if backup is not None:
        put_back(backup, path)
        went_on = f"the watch goes on from the backup {backup.name}"
    else:
        went_on = "no good backup was found, the watch goes on with a new store"
    log.error("%s; the damaged file is kept as %s", went_on, aside.name)
    return Opened(
        Store(path, now_ms), backup is None, f"{why}; {went_on}; the damaged file is kept as {aside.name}"
    )
