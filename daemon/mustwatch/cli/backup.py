"""``mustwatch backup``: a verified copy of the store, made while it is in use."""

import os
import shutil
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, TYPE_CHECKING, Annotated

import typer

from mustwatch.cli import person
from mustwatch.cli.opening import now_ms, settings_or_fail, store_path
from mustwatch.cli.output import emit_json, fail, say
from mustwatch.cli.progress import Advance, progress

if TYPE_CHECKING:
    from mustwatch.store.backup import Backup

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def backup(
    out: Annotated[
        Path | None, typer.Option(help="A file or a folder; else store.backup_dir, where the oldest go.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Copy the store while it runs or not, read the copy back, and compare it."""
    from mustwatch.store.backup import BackupError, backup_folder, backup_name, make_backup

    settings = settings_or_fail()
    path = store_path(settings)
    if not path.exists():
        fail(f"no store at {path}: there is nothing to back up")
    try:
        with progress("copying", 1.0) as advance:
            if out is None:
                folder = backup_folder(path, settings.store.backup_dir)
                made = make_backup(path, folder, now_ms(), settings.store.backup_keep, advance=advance)
            else:
                file = out / backup_name(now_ms()) if person.is_folder(out) else out
                made = _hand_over(path, file, advance)
    except BackupError as error:
        fail(str(error))
    except OSError as error:
        fail(f"{out}: {error.strerror or error}; check the folder and the room there")
    if as_json:
        emit_json(
            {
                "file": str(made.path),
                "bytes": made.size_bytes,
                "readings": made.readings,
                "entries": made.entries,
                "verified": True,
            }
        )
        return
    say(
        f"{made.path}: {made.readings} readings, {made.entries} entries, {made.size_bytes / 1e6:.1f} MB, read back "
        "and found the same"
    )
    say("keep a copy on another machine: a backup on the same card dies with it")


def _hand_over(store: Path, out: Path, advance: Advance) -> "Backup":
    """Write a backup to a person's file. Another user's is made beside the store first: SQLite opens files by name.

    Raises:
        BackupError, OSError: it cannot be made, or cannot be written there.
    """
    from mustwatch.store.backup import BackupError, write_backup

    if not person.is_another():
        return write_backup(store, out, advance=advance)
    with TemporaryDirectory(dir=store.parent, prefix="backup-") as folder:
        made = write_backup(store, Path(folder) / out.name, advance=advance)
        with made.path.open("rb") as source:
            with person.writing(out) as target:
                shutil.copyfileobj(source, target)
            source.seek(0)
            with person.reading(out) as written:
                os.posix_fadvise(written.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)  # read it from the disk
                if any(ours != theirs for ours, theirs in zip_longest(_pieces(source), _pieces(written))):
                    raise BackupError(f"{out} is not what was written to it: try another disk")
    return made._replace(path=out)


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    while piece := file.read(1_000_000):
        yield piece
