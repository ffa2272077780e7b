"""``mustwatch restore``: bring a store back from a backup, from the InfluxDB mirror, or from both."""

import sqlite3
from pathlib import Path
from typing import Annotated

import typer

from mustwatch.cli.opening import now_ms, settings_or_fail, store_path
from mustwatch.cli.output import ExitCode, emit_json, fail, say
from mustwatch.config.settings import Settings
from mustwatch.store.backup import BackupError

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
    """Bring the store back onto this card, with the daemon stopped; a store that is here is never overwritten."""
    from mustwatch.store.keeper import AlreadyKeptError, Keeper

    settings = settings_or_fail()
    path = store_path(settings)
    if from_backup is None and not from_influx:
        fail("say where from: --from-backup FILE, --from-influx, or both", ExitCode.WRONG_INPUT)
    if from_influx and settings.influx is None:
        fail(
            "--from-influx needs [influx] in the configuration: url, org, bucket, token", ExitCode.WRONG_INPUT
        )
    backup = None if from_backup is None else _chosen(from_backup)
    if path.exists() and not force:
        fail(
            f"there is a store at {path}: give --force to set it aside (it is kept) and restore in its place"
        )
    try:
        with Keeper(path):
            document = _restored(settings, path, backup, from_influx)
    except AlreadyKeptError:
        fail(f"the daemon keeps watch on {path}: stop it first, e.g. systemctl stop mustwatch")
    except BackupError as error:
        fail(str(error))
    except (OSError, sqlite3.Error) as error:
        fail(f"cannot write {path}: {error}; what was there is kept beside it")
    if as_json:
        emit_json(document)
        return
    say(f"{path}: {document['readings']} readings, {document['entries']} entries")
    if document["set_aside"]:
        say(f"the former store is kept as {document['set_aside']}")
    say("start the daemon: it goes on from here, and takes from the broker what has come meanwhile")


def _chosen(given: Path) -> Path:
    from mustwatch.store.backup import newest_good

    if not given.is_dir():
        return given
    newest = newest_good(given)
    if newest is None:
        fail(f"no good backup in {given}; expected files made by `mustwatch backup`")
    return newest


def _restored(settings: Settings, path: Path, backup: Path | None, from_influx: bool) -> dict[str, object]:
    from mustwatch.store.backup import put_back, verify
    from mustwatch.store.soundness import set_aside
    from mustwatch.store.store import Store

    if backup is not None:
        verify(backup)
    fetched = None
    if from_influx:
        from mustwatch.store.mirror_restore import InfluxRestore

        influx = settings.influx
        assert influx is not None  # noqa: S101 - the command has looked
        fetched = InfluxRestore(
            influx.url,
            influx.org,
            influx.bucket,
            influx.token.get_secret_value(),
            influx.site,
            settings.cellar.name,
        )
        fetched.look()
    aside = set_aside(path, now_ms(), "before-restore") if path.exists() else None
    if backup is not None:
        put_back(backup, path)
    store = Store(path, now_ms())
    try:
        document: dict[str, object] = {
            "store": str(path),
            "backup": None if backup is None else str(backup),
            "set_aside": None if aside is None else str(aside),
        }
        if fetched is not None:
            document["from_influx"] = fetched.into(store, now_ms())._asdict()
        document["readings"] = store.readings.count()
        document["entries"] = len(store.book.entries())
    finally:
        store.close()
    return document
