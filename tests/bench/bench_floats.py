"""How many floats one daemon carries: simulated ferments on more and more floats, the real broker and daemon.

    python tests/bench/bench_floats.py [FLOATS ...]

Every float has a vessel and a lot of its own and says what a simulated kit ferment's float says (mustsim). Two
hours of that come at once; measured is what the daemon takes for it: seconds of the clock and of its processor, memory,
and what it wrote to the card. It keeps up as long as a quarter of an hour's messages take less than that, many times
over: a slower machine, and commits that are not shared with a backlog, want their part.
"""

import json
import os
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parent.parent))

from brokers import NativeBroker, Options
from daemons import Daemon, wait_until
from mustsim import cellar as simulated_cellar
from mustsim.scenario import load
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store

SEEDS = 12
"""So many different ferments, dealt out in turn."""
QUARTERS = 8
FLOAT = "kit-float"
"""The float's name in the scenario."""
OUT = Path(__file__).parent / "out"


class Carried(NamedTuple):
    """What one size came to."""

    floats: int
    readings: int
    seconds: float
    cpu_seconds: float
    memory_mb: float
    written_mb: float


def main() -> None:
    """Measure the sizes asked for and print a table."""
    sizes = [int(argument) for argument in sys.argv[1:]] or [50, 200, 1000]
    carried = []
    for floats in sizes:
        with tempfile.TemporaryDirectory(prefix="mustwatch-floats-") as folder:
            carried.append(_carry(floats, Path(folder)))
    print(
        "| floats, each with a lot | a quarter of an hour's messages take | of it processor | memory | written a message |"
    )
    print("|---|---|---|---|---|")
    for row in carried:
        print(
            f"| {row.floats:,} | {row.seconds / QUARTERS:.2f} s | {row.cpu_seconds / QUARTERS:.2f} s |"
            f" {row.memory_mb:.0f} MB | {1000 * row.written_mb / row.readings:.1f} KB |"
        )
    OUT.mkdir(exist_ok=True)
    (OUT / "floats.json").write_text(json.dumps([row._asdict() for row in carried], indent=1) + "\n")


def _carry(floats: int, folder: Path) -> Carried:
    broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0\nmax_inflight_messages 0"))
    broker.start()
    daemon = Daemon(folder, _toml(floats, broker.port))
    begins_ms = int(time.time() * 1000) // (15 * MINUTE_MS) * 15 * MINUTE_MS - QUARTERS * 15 * MINUTE_MS
    _start_lots(daemon, floats, begins_ms)
    messages = _messages(floats, begins_ms)
    try:
        daemon.environment["MUSTWATCH_STORE__COMMIT_SECONDS"] = "5"
        daemon.start()
        time.sleep(3.0)
        before = _used(daemon)
        began = time.monotonic()
        for at in range(0, len(messages), 1000):
            broker.publish(*messages[at : at + 1000])
        wait_until(lambda: _stored(daemon) >= len(messages), 600, "every reading stored")
        seconds = time.monotonic() - began
        wait_until(lambda: _estimates(daemon) >= floats * (QUARTERS - 2), 600, "every lot estimated")
        time.sleep(8.0)  # what the clock closes comes after the last reading
        after = _used(daemon)
    finally:
        if daemon.process is not None:
            daemon.kill()
        broker.kill()
    return Carried(
        floats, len(messages), seconds, after[0] - before[0], after[1] / 1024, (after[2] - before[2]) / 1e6
    )


def _toml(floats: int, port: int) -> str:
    lines = [f"[mqtt]\nport = {port}\n[web]\nenabled = false\n"]
    for n in range(floats):
        lines.append(f'[[vessel]]\nname = "v{n}"\nkind = "carboy"\nlitres = 25\n')
        lines.append(
            f'[[sensor]]\nid = "f{n}"\nkind = "float"\nvessel = "v{n}"\ntopic = "c/{n}"\ndecoder = "senml"\n'
        )
    return "\n".join(lines)


def _start_lots(daemon: Daemon, floats: int, begins_ms: int) -> None:
    import tomllib

    store = Store(daemon.store, begins_ms)
    note_places(store, plan_of(Settings(**tomllib.loads(daemon.config.read_text()))), begins_ms)
    with store.transaction():
        for n in range(floats):
            at_ms = begins_ms - HOUR_MS
            store.book.append(Entry(f"s{n}", f"lot{n}", at_ms, at_ms, Start(f"v{n}", gravity=1.05)))
    store.close()


def _messages(floats: int, begins_ms: int) -> list[tuple[str, bytes]]:
    """Return two hours of every float, in order of time."""
    ferments = []
    ends_ms = begins_ms + QUARTERS * 15 * MINUTE_MS
    for seed in range(SEEDS):
        cellar = simulated_cellar.run(load("kit"), seed=seed, ending_ms=ends_ms)
        floats_topic = next(m.topic for m in cellar.messages if m.sensor == FLOAT)
        heard = [m for m in cellar.messages if m.topic == floats_topic and begins_ms <= m.observed_ms]
        ferments.append([(m.observed_ms, m.payload) for m in heard])
    dealt = [(at_ms, n, payload) for n in range(floats) for at_ms, payload in ferments[n % SEEDS]]
    return [(f"c/{n}", payload) for _, n, payload in sorted(dealt)]


def _count(daemon: Daemon, table: str) -> int:
    with closing(sqlite3.connect(f"file:{daemon.store}?mode=ro", uri=True, timeout=20)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608 - our own names


def _estimates(daemon: Daemon) -> int:
    return _count(daemon, "estimate")


def _stored(daemon: Daemon) -> int:
    return _count(daemon, "reading")


def _used(daemon: Daemon) -> tuple[float, int, int]:
    """Return the daemon's processor seconds, its resident KiB, and the bytes it had written."""
    assert daemon.process is not None
    proc = Path(f"/proc/{daemon.process.pid}")
    fields = (proc / "stat").read_text().rpartition(")")[2].split()
    cpu_s = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    status = dict(line.split(":", 1) for line in (proc / "status").read_text().splitlines())
    written = dict(line.split(": ") for line in (proc / "io").read_text().splitlines())
    return cpu_s, int(status["VmRSS"].split()[0]), int(written["write_bytes"])


if __name__ == "__main__":
    main()
