"""Who keeps watch on a store: at most one process, known by a lock that dies with it."""

import contextlib
import fcntl
import os
from pathlib import Path
from types import TracebackType
from typing import IO, Self


class AlreadyKeptError(Exception):
    """Another process keeps watch on this store."""


class Keeper:
    """Holds the lock file beside a store while the process watches it.

    The file also remembers whether the last daemon ended in order: it holds a word while one runs, and is emptied
    at the end. ``left_behind`` is that word if one was left, else "".
    """

    left_behind = ""

    def __init__(self, store_path: Path) -> None:
        """Name the store; nothing is locked yet."""
        self._path = store_path.with_name(store_path.name + ".lock")
        self._file: IO[str] | None = None

    def __enter__(self) -> Self:
        """Take the lock.

        Raises:
            AlreadyKeptError: another process holds it.
        """
        self._path.parent.mkdir(parents=True, exist_ok=True)
        file = self._path.open("a+")
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            file.close()
            raise AlreadyKeptError(
                f"another mustwatch keeps watch on {self._path.with_suffix('').name}: stop it first, "
                "or use another store.path"
            ) from None
        file.seek(0)
        self.left_behind = file.read(100).strip()
        self._file = file
        return self

    def note(self, word: str) -> None:
        """Leave a word for the next one to hold the lock; "" says that all is in order. On disk when it returns.

        On a full card the word is not written: the next start then checks less, or more, than it had to.
        """
        if self._file is None:
            return
        with contextlib.suppress(OSError):
            self._file.truncate(0)
            self._file.write(word)
            self._file.flush()
            os.fsync(self._file.fileno())

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Give the lock back."""
        if self._file is not None:
            self._file.close()
            self._file = None


def is_kept(store_path: Path) -> bool:
    """Say whether some process keeps watch on a store now."""
    try:
        with Keeper(store_path):
            return False
    except AlreadyKeptError:
        return True
