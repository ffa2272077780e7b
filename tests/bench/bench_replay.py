"""Replay of a recorded year beside reading the same file and parsing its JSON (the lines' and the payloads')."""

import os
import subprocess
import sys
import time
from pathlib import Path

import bench_cellar
from bench_row import Row, ratio_row

from mustwatch.store.store import Store

VESSELS = 12
PARSE = """
import json, sys
with open(sys.argv[1], "rb") as lines:
    for line in lines:
        json.loads(json.loads(line)["payload"])
"""


def timed(*command: str, **environment: str) -> tuple[float, float]:
    """Return the seconds a process takes from start to end, and those of processor time of all its processes."""
    begun, used = time.perf_counter(), os.times()
    subprocess.run(
        [sys.executable, *command], check=True, capture_output=True, env={**os.environ, **environment}
    )
    took, now = time.perf_counter() - begun, os.times()
    return took, now.children_user + now.children_system - used.children_user - used.children_system


def rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure, the two in turns; the best of each."""
    days = 30 if quick else 365
    record, config = folder / "year.jsonl", folder / "mustwatch.toml"
    lines = bench_cellar.write_record(record, VESSELS, days)
    ours_s, parse_s = [], []
    for number in range(3):
        store_path = folder / f"replayed-{number}.db"
        config.write_text(bench_cellar.toml(VESSELS, store_path), encoding="utf-8")
        store = Store(store_path, bench_cellar.T0_MS)
        bench_cellar.start_lots(store, bench_cellar.plan(VESSELS, store_path), VESSELS, bench_cellar.T0_MS)
        store.close()
        parse_s.append(timed("-c", PARSE, str(record)))
        ours_s.append(timed("-m", "mustwatch", "replay", "--json", str(record), MUSTWATCH_CONFIG=str(config)))
        store_path.unlink()
    record.unlink()
    (took_s, _), (limit_s, _) = min(ours_s), min(parse_s)
    cpu_s, limit_cpu_s = min(cpu for _, cpu in ours_s), min(cpu for _, cpu in parse_s)
    return [
        ratio_row(
            f"replay of {days} days of {VESSELS} vessels at 5 minutes ({lines} readings)",
            "reading the file and parsing its JSON",
            took_s,
            limit_s,
            "s",
            at_most=4.0,
            remark=f"{lines / took_s:.0f} readings/s; both as processes of their own, best of 3; replay reads ahead in"
            f" a second process, processor time of both together {cpu_s:.1f} s : {limit_cpu_s:.1f} s",
        )
    ]
