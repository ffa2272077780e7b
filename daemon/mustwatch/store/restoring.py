"""A store that is being brought back: made beside its place, and moved there when all has come.

Until then what stands in the store's place stays, and an attempt that was cut short can be gone on with.
"""

import json
import sqlite3
from pathlib import Path

from mustwatch.store.backup import put_back
from mustwatch.store.soundness import COMPANIONS, set_aside, sync_folder
from mustwatch.store.store import Store

REQUEST = "restore_request"
"""Name under which the unfinished store keeps from where it is brought back."""


def unfinished(path: Path) -> Path:
    """Return where the unfinished store of a store's place is made."""
    return path.with_name(path.name + ".unfinished")


class Restoring:
    """The unfinished store of one store's place. Nobody may keep watch on that place."""

    def __init__(self, path: Path, backup: Path | None, source: str | None = None) -> None:
        """Say which place, and from where: a backup, and a source by name; without one it is always begun anew."""
        self._path = path
        self._backup = backup
        self._request = source and json.dumps([None if backup is None else str(backup.resolve()), source])
        self.aside = unfinished(path)

    def open(self, now_ms: int) -> tuple[Store, bool]:
        """Return the unfinished store, and whether a former attempt left it; one from elsewhere is begun anew.

        Raises:
            OSError, sqlite3.Error: it cannot be written.
        """
        if self.aside.exists():
            try:
                store = Store(self.aside, now_ms)
            except sqlite3.DatabaseError:
                self._remove()
            else:
                if self._request is not None and store.watching.kept(REQUEST) == self._request:
                    return store, True
                store.close()
                self._remove()
        if self._backup is not None:
            put_back(self._backup, self.aside)
        store = Store(self.aside, now_ms)
        if self._request is not None:
            store.watching.keep(REQUEST, self._request)
        return store, False

    def _remove(self) -> None:
        for companion in COMPANIONS:
            self.aside.with_name(self.aside.name + companion).unlink(missing_ok=True)

    def finish(self, store: Store, now_ms: int) -> Path | None:
        """Put the finished store in its place, and return where the former one is now, if there was one.

        Raises:
            OSError: it cannot be moved.
        """
        store.watching.forget_kept(REQUEST)
        store.close()
        former = set_aside(self._path, now_ms, "before-restore") if self._path.exists() else None
        for companion in reversed(COMPANIONS):
            source = self.aside.with_name(self.aside.name + companion)
            if source.exists():
                source.rename(self._path.with_name(self._path.name + companion))
        sync_folder(self._path.parent)
        return former
