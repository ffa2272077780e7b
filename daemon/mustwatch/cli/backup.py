"""``mustwatch backup``: a verified copy of the store, made while it is in use."""

from pathlib import Path
from typing import Annotated

import typer

from mustwatch.cli.opening import now_ms, settings_or_fail, store_path
from mustwatch.cli.output import emit_json, fail, say

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def backup(
    out: Annotated[
        Path | None, typer.Option(help="A file or a folder; else store.backup_dir, where the oldest go.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Copy the store while it runs or not, read the copy back, and compare it."""
    from mustwatch.store.backup import BackupError, backup_folder, make_backup, write_backup

    settings = settings_or_fail()
    path = store_path(settings)
    if not path.exists():
        fail(f"no store at {path}: there is nothing to back up")
    try:
        if out is None:
            folder = backup_folder(path, settings.store.backup_dir)
            made = make_backup(path, folder, now_ms(), settings.store.backup_keep)
        elif out.is_dir():
            made = make_backup(path, out, now_ms())
        else:
            made = write_backup(path, out)
    except BackupError as error:
        fail(str(error))
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
