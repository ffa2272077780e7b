"""The store's insert beside sqlite3's executemany: the same rows, the same batches, the same table and settings."""

import sqlite3
import time
from pathlib import Path

import bench_cellar
from bench_row import Row, ratio_row

from mustwatch.cellar.instant import MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.store.store import Store

VESSELS = 12
BATCH = 500


def readings(count: int) -> list[Reading]:
    """Return readings in time order."""
    made = []
    for i in range(count):
        vessel = i % VESSELS
        at_ms = bench_cellar.T0_MS + i // VESSELS * MINUTE_MS + vessel * 5000
        days = i / VESSELS / 1440
        made.append(
            Reading(
                f"f-v{vessel:04d}",
                at_ms,
                at_ms + 800,
                round(bench_cellar.gravity_at(days, vessel), 4),
                None,
                round(bench_cellar.celsius_at(days, vessel), 2),
                3.9,
                -61.0,
            )
        )
    return made


def ours(path: Path, batches: list[list[Reading]]) -> float:
    """Return the seconds that the store takes."""
    store = Store(path, bench_cellar.T0_MS)
    begun = time.perf_counter()
    for batch in batches:
        with store.transaction():
            store.readings.add(batch)
    took = time.perf_counter() - begun
    store.close()
    return took


def bare(path: Path, batches: list[list[Reading]]) -> float:
    """Return the seconds that executemany takes for the rows as the table wants them."""
    schema = Store(path, bench_cellar.T0_MS)
    (table,) = schema.database.query("SELECT sql FROM sqlite_master WHERE name='reading'")[0]
    schema.close()
    for companion in ("", "-wal", "-shm"):
        path.with_name(path.name + companion).unlink(missing_ok=True)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute(table)
    keys = {f"f-v{i:04d}": i + 1 for i in range(VESSELS)}
    rows = [
        [(r[1], keys[r[0]], r[2] - r[1], r[3], r[4], r[5], r[6], r[7], int(r[8])) for r in batch]
        for batch in batches
    ]
    begun = time.perf_counter()
    for batch in rows:
        db.execute("BEGIN IMMEDIATE")
        db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", batch)
        db.execute("COMMIT")
    took = time.perf_counter() - begun
    db.close()
    return took


def rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure, the two in turns, the best of each."""
    count = 60_000 if quick else 240_000
    all_of_them = readings(count)
    batches = [all_of_them[i : i + BATCH] for i in range(0, count, BATCH)]
    tries = 2 if quick else 7
    times = [
        (ours(folder / f"ours-{i}.db", batches), bare(folder / f"bare-{i}.db", batches)) for i in range(tries)
    ]
    best_ours, best_bare = min(t[0] for t in times), min(t[1] for t in times)
    return [
        ratio_row(
            "the store's insert",
            "sqlite3 executemany, same rows and batches",
            count / best_ours,
            count / best_bare,
            "rows/s",
            at_least=0.7,
            remark=f"{count} rows in batches of {BATCH}, best of {tries}",
        )
    ]
