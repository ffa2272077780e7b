"""One flipped bit of a worn card, in any row: the daemon starts, everything else goes on, what is lost is told."""

# ruff: noqa: S608 - names of tables and columns come from the file itself
import random
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from shutil import copyfile

import pytest
from attack_table import Row

from cellars import PLAN, T0
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.cellar.instant import DAY_MS
from mustwatch.config.settings import Settings
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.inspection import broken_rows, set_aside_broken
from mustwatch.store.store import Store
from mustwatch.views.cellar import cellar_view

TABLES = (
    "entry",
    "alert",
    "outbox",
    "watch_state",
    "lot_now",
    "finding",
    "kept",
    "reading",
    "calibration",
    "sensor",
)
ORIGINAL = {"entry", "alert", "outbox", "calibration"}
FLIPS = 150


def flip(path: Path, table: str, chance: random.Random) -> str:
    """Flip one bit of one value of one row, and return which."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        columns = [
            row[1] for row in db.execute(f"PRAGMA table_info({table})") if row[1] not in ("seq", "crc")
        ]
        keys = [row[1] for row in db.execute(f"PRAGMA table_info({table})") if row[5]]
        rows = db.execute(f"SELECT {', '.join(keys)} FROM {table}").fetchall()
        key = chance.choice(rows)
        where = " AND ".join(f"{name}=?" for name in keys)
        column = chance.choice(columns)
        value = db.execute(f"SELECT {column} FROM {table} WHERE {where}", key).fetchone()[0]
        if value is None:
            return flip(path, table, chance)
        if isinstance(value, int):
            altered: object = value ^ (1 << chance.randrange(40))
        elif isinstance(value, float):
            altered = -value
        else:
            raw = bytearray(value if isinstance(value, bytes) else value.encode())
            if not raw:
                return flip(path, table, chance)
            raw[chance.randrange(len(raw))] ^= 1 << chance.randrange(8)
            altered = bytes(raw)
        cast = "?" if not isinstance(value, str) else "CAST(? AS TEXT)"
        db.execute(f"UPDATE {table} SET {column}={cast} WHERE {where}", (altered, *key))
        return f"{table}.{column} of {key}"


def test_whatever_bit_is_flipped_everything_is_read_evaluated_and_shown(
    lived: Path, tmp_path: Path, row: Callable[[str], Row], caplog: pytest.LogCaptureFixture
) -> None:
    tried = row("one flipped bit in a row of the store")
    tried.lost = 0
    chance = random.Random(20261)
    unseen = 0
    for number in range(FLIPS):
        caplog.clear()
        path = tmp_path / f"{number}.db"
        copyfile(lived, path)
        table = TABLES[number % len(TABLES)]
        where = flip(path, table, chance)
        with closing(Store(path, T0)) as store:
            before = len(broken_rows(store.database.query))
            aside = set_aside_broken(store, T0 + 10 * DAY_MS)
            assert not broken_rows(store.database.query), where
            evaluation = Evaluation(store, PLAN, T0 + 10 * DAY_MS)
            evaluation.read_book()
            evaluation.settle(T0 + 10 * DAY_MS)
            cellar_view(store, Settings(), T0 + 10 * DAY_MS)
            store.outbox.waiting()
            if table in ORIGINAL:
                assert bool(aside) == bool(before), where
                unseen += not aside
        tried.tried += 1
    tried.notes.append(
        f"{unseen} of {FLIPS * len(ORIGINAL) // len(TABLES)} in original rows changed nothing that is read"
    )
    assert unseen <= 12  # a column beside the checksum: what was told, when it is tried again


def test_a_daemon_on_such_a_store_starts_tells_and_check_names_the_place(
    lived: Path,
    daemon_with: Callable[[str], Daemon],
    endpoint: HttpEndpoint,
    row: Callable[[str], Row],
) -> None:
    tried = row("an entry of the book altered on the card: gravity 1.050 reads 1.058")
    daemon = daemon_with(
        f'[mqtt]\nport = 1\n[web]\nenabled = false\n[[tell]]\nname = "phone"\nurl = "{endpoint.url}"\nquiet_hours = ""'
    )
    copyfile(lived, daemon.store)
    with closing(sqlite3.connect(daemon.store)) as db:
        changed = db.execute(
            "UPDATE entry SET body=replace(body, '1.05', '1.058') WHERE kind='start'"
        ).rowcount
        db.commit()
    assert changed == 1

    checked = daemon.command("check")
    assert "entry of the book" in checked.stdout + checked.stderr
    assert checked.returncode == 1
    began = time.monotonic()
    daemon.start(listening=False)
    wait_until(lambda: told(endpoint), 30, "it is told")
    tried.tried, tried.told_late = 1, int(time.monotonic() - began > 60)
    assert daemon.stop() == 0
    with closing(sqlite3.connect(daemon.store)) as db:
        assert "1.058" in db.execute("SELECT body FROM set_aside").fetchone()[0]
    assert "set aside" in daemon.command("check").stdout


def told(endpoint: HttpEndpoint) -> bool:
    return any("could not be read" in a.title + a.message for a in endpoint.arrived)
