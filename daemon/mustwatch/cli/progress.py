"""How far a long command is, with the time left, on a terminal's error stream; a pipe or a log sees nothing of it."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO

Advance = Callable[[float], None]
"""Says how much is done, in the unit of the total."""


@contextmanager
def progress(what: str, total: float | None) -> Iterator[Advance]:
    """Show a bar while the block runs. ``total``: how much there is to do, in any unit; None: nobody knows."""
    if not sys.stderr.isatty():
        yield lambda _done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("left:"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)


def size_of(file: IO[bytes]) -> float | None:
    """Return a file's size, bytes; None for what has none, such as a pipe."""
    return float(os.fstat(file.fileno()).st_size) or None if file.seekable() else None


def place_in(file: IO[bytes]) -> float:
    """Return how far a file was read, bytes; also by a forked process, which shares the place in it."""
    return float(os.lseek(file.fileno(), 0, os.SEEK_CUR)) if file.seekable() else 0.0
