"""``mustwatch restore``: bring a store back from a backup, from the InfluxDB mirror, or from both."""

import errno
import os
import shutil
import sqlite3
import stat
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Any

import typer

from mustwatch.cli import person
from mustwatch.cli.opening import now_ms, settings_or_fail, store_path
from mustwatch.cli.output import ExitCode, emit_json, fail, remark, say
from mustwatch.cli.progress import progress
from mustwatch.config.settings import Settings
from mustwatch.store.backup import BackupError

if TYPE_CHECKING:
    from mustwatch.store.store import Store

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def restore(
    from_backup: Annotated[
        Path | None, typer.Option(help="A backup's file, or a folder of backups: the newest good one.")
    ] = None,
    from_influx: Annotated[
        bool, typer.Option("--from-influx", help="What the mirror holds; after a backup: what it holds more.")
    ] = False,
    force: Annotated[
        bool, typer.Option("--force", help="Set the present store aside (it is kept, under another name).")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Bring the store back onto this card, with the daemon stopped; without options, list what there is.

    A store that is here is never overwritten.
    """
    from mustwatch.store.keeper import AlreadyKeptError, Keeper

    settings = settings_or_fail()
    path = store_path(settings)
    if from_backup is None and not from_influx:
        _list(settings, as_json=as_json)
        return
    if from_influx and settings.influx is None:
        fail(
            "--from-influx needs [influx] in the configuration: url, org, bucket, token", ExitCode.WRONG_INPUT
        )
    if path.exists() and not force:
        fail(
            f"there is a store at {path}: give --force to set it aside (it is kept) and restore in its place"
        )
    try:
        with Keeper(path), ExitStack() as stack:
            backup = None if from_backup is None else _at_hand(stack, from_backup, settings)
            document = _restored(settings, path, backup, from_influx)
            document["backup"] = None if from_backup is None else str(from_backup)
    except AlreadyKeptError:
        fail(f"the daemon keeps watch on {path}: stop it first, e.g. systemctl stop mustwatch")
    except BackupError as error:
        fail(str(error))
    except (OSError, sqlite3.Error) as error:
        fail(f"cannot write {path}: {error}; what was there is kept beside it")
    if as_json:
        emit_json(document)
    else:
        _say(document)
    if document.get("missing"):
        raise typer.Exit(int(ExitCode.COULD_NOT))


def _say(document: dict[str, Any]) -> None:
    say(f"{document['store']}: {document['readings']} readings, {document['entries']} entries")
    if document["set_aside"]:
        say(f"the former store is kept as {document['set_aside']}")
    fetched = document.get("from_influx")
    if fetched is not None:
        say(f"from InfluxDB: {', '.join(f'{n} {what}' for what, n in fetched.items()).replace('_', ' ')}")
        say(f"concluded anew when the daemon starts: {', '.join(document['concluded_anew'])}")
        say(f"not in the mirror, and not back: {', '.join(document['not_mirrored'])}")
        say(document["last_sent"])
        for missing in document["missing"]:
            say(f"MISSING: {missing}")
        if document["missing"] and document["retention"]:
            say(document["retention"])
    say("start the daemon: it goes on from here, and takes from the broker what has come meanwhile")


def _list(settings: Settings, *, as_json: bool) -> None:
    """Say what there is to restore from, the newest first, each read through, and what to type."""
    from mustwatch.store.backup import backup_folder, backups, verify

    folder = backup_folder(store_path(settings), settings.store.backup_dir)
    found: list[dict[str, object]] = []
    for file in backups(folder):
        row: dict[str, object] = {"file": str(file), "bytes": file.stat().st_size, "fault": None}
        try:
            counts = verify(file)
            row |= {"readings": counts["reading"], "entries": counts["entry"]}
        except BackupError as error:
            row["fault"] = str(error)
        found.append(row)
    influx = settings.influx.url if settings.influx is not None else None
    if as_json:
        emit_json({"folder": str(folder), "backups": found, "influx": influx})
        return
    say(f"In {folder}:" if found else f"No backup is in {folder}.")
    for row in found:
        size = f"{int(str(row['bytes'])) / 1e6:.1f} MB"
        what = row["fault"] or f"{row['readings']} readings, {row['entries']} entries"
        say(f"  {Path(str(row['file'])).name}  {size}  {what}")
    if influx is not None:
        say(f"And the mirror at {influx}.")
    say("With the daemon stopped (sudo systemctl stop mustwatch):")
    good = next((row["file"] for row in found if row["fault"] is None), "FILE")
    say(f"  mustwatch restore --from-backup {good}" + (" --force" if store_path(settings).exists() else ""))
    if influx is not None:
        say(
            "  mustwatch restore --from-influx      what the mirror holds; after a backup: what it holds more"
        )


def _at_hand(stack: ExitStack, given: Path, settings: Settings) -> Path:
    """Return a backup that the service may open: its own, or a copy of the person's beside the store."""
    from mustwatch.store.backup import backup_folder, newest_good

    store = store_path(settings)
    own = (store.parent, backup_folder(store, settings.store.backup_dir))
    if not person.is_another() or any(given.resolve().is_relative_to(folder) for folder in own):
        found = newest_good(given) if given.is_dir() else given
    else:
        folder = Path(stack.enter_context(TemporaryDirectory(dir=store.parent, prefix="restore-")))
        try:
            found = _newest_good_copy(given, folder) if person.is_folder(given) else _copied(given, folder)
        except OSError as error:
            fail(f"{given}: {error.strerror or error}; expected a backup that you may read, and room for it")
    if found is None:
        fail(f"no good backup in {given}; expected files made by `mustwatch backup`")
    return found


def _newest_good_copy(given: Path, folder: Path) -> Path | None:
    from mustwatch.store.backup import backup_names, verify

    for name in backup_names(person.names_in(given)):
        copy = _copied(given / name, folder)
        try:
            verify(copy)
        except BackupError:
            copy.unlink()
        else:
            return copy
    return None


def _copied(file: Path, folder: Path) -> Path:
    with person.reading(file) as source, (folder / file.name).open("wb") as copy:
        if not stat.S_ISREG(os.fstat(source.fileno()).st_mode):  # a device has no end
            raise OSError(errno.EINVAL, "no file, but a device or a pipe", str(file))
        shutil.copyfileobj(source, copy)
    return folder / file.name


def _restored(settings: Settings, path: Path, backup: Path | None, from_influx: bool) -> dict[str, Any]:
    from mustwatch.store.backup import verify
    from mustwatch.store.restoring import Restoring

    if backup is not None:
        verify(backup)
    if from_influx:
        return _fetched(settings, path, backup)
    assert backup is not None  # noqa: S101 - the command has looked
    restoring = Restoring(path, backup)
    with progress(f"copying {backup.name}", None):
        store, _ = restoring.open(now_ms())
    try:
        document = _document(path, backup, store)
        aside = restoring.finish(store, now_ms())
    finally:
        store.close()
    return {**document, "set_aside": None if aside is None else str(aside)}


def _document(path: Path, backup: Path | None, store: "Store") -> dict[str, Any]:
    return {
        "store": str(path),
        "backup": None if backup is None else str(backup),
        "set_aside": None,
        "readings": store.readings.count(),
        "entries": len(store.book.entries()),
    }


def _fetched(settings: Settings, path: Path, backup: Path | None) -> dict[str, Any]:
    from mustwatch.store.mirror_influx import Bucket
    from mustwatch.store.mirror_restore import NOT_MIRRORED, InfluxRestore
    from mustwatch.store.restoring import Restoring

    influx = settings.influx
    assert influx is not None  # noqa: S101 - the command has looked
    bucket = Bucket(influx.url, influx.org, influx.bucket, influx.token.get_secret_value())
    fetching = InfluxRestore(bucket, influx.site, settings.cellar.name)
    fetching.look()
    restoring = Restoring(path, backup, f"{bucket.shown} {influx.org} {influx.site}/{settings.cellar.name}")
    store, is_taken_up = restoring.open(now_ms())
    try:
        if is_taken_up:
            remark(
                f"going on with what an attempt that was cut short has left: {store.readings.count()} readings"
            )
        with progress("fetching readings", 1.0) as advance:
            fetched = fetching.into(store, now_ms(), advance)
        document = _document(path, backup, store)
        aside = restoring.finish(store, now_ms())
    except BackupError as error:
        raise BackupError(
            f"cut short, {store.readings.count()} readings are in {restoring.aside}: {error}; nothing was changed at "
            f"{path}, and the same command goes on from there"
        ) from None
    finally:
        store.close()
        fetching.close()
    return {
        **document,
        "set_aside": None if aside is None else str(aside),
        "from_influx": {name: n for name, n in fetched._asdict().items() if name != "missing"},
        "missing": list(fetched.missing),
        "retention": fetching.retention(),
        "last_sent": fetching.last_sent(),
        "concluded_anew": ["estimates", "findings"],
        "not_mirrored": list(NOT_MIRRORED),
    }
