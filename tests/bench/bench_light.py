"""How light the daemon is: memory, idle processor time, the start, bytes to the card, and the commands' start."""

import json
import os
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path

import bench_cellar
import bench_notify
from bench_row import Row, value_row

from brokers import NativeBroker, Options
from mustwatch.app.pipeline import Pipeline
from mustwatch.app.self_watch import SelfWatch
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.config.settings import load
from mustwatch.evaluation.live import Evaluation
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.clock import ClockWatch
from mustwatch.replay.replay import Replay
from mustwatch.store.rollup import roll_up
from mustwatch.store.store import Store

VESSELS = 12
TICKS = os.sysconf("SC_CLK_TCK")
COMMITS_S = (0.0, 5.0, 30.0, 60.0)


def cpu_s(pid: int) -> float:
    """Return the processor time a process has had, seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def resident_mb(pid: int) -> float:
    """Return the memory a process has resident, MB (10^6 bytes), libraries shared with others included."""
    line = next(x for x in Path(f"/proc/{pid}/status").read_text().splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) * 1024 / 1e6


def proportional_mb(pid: int) -> float:
    """Return the same with what is shared divided among those who share it, MB."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    line = next(x for x in lines if x.startswith("Pss:"))
    return int(line.split()[1]) * 1024 / 1e6


def written_bytes(pid: int | str) -> int:
    """Return how many bytes a process has caused to be written to storage."""
    line = next(x for x in Path(f"/proc/{pid}/io").read_text().splitlines() if x.startswith("write_bytes"))
    return int(line.split()[1])


def free_port() -> int:
    """Return a free port."""
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def fill_year(path: Path, days: int) -> None:
    """Give a store the history that a daemon which ran for so long would have left, up to five minutes ago."""
    now_ms = time.time_ns() // 1_000_000
    from_ms = now_ms - days * DAY_MS
    store = Store(path, from_ms)
    plan = bench_cellar.plan(VESSELS, path)
    bench_cellar.start_lots(store, plan, VESSELS, from_ms)

    def lines() -> "object":
        from mustwatch.cellar.instant import iso

        until_ms = now_ms - 5 * MINUTE_MS
        for at_ms, topic, payload in bench_cellar.payloads(VESSELS, from_ms, until_ms, 5 * MINUTE_MS):
            yield json.dumps({"tst": iso(at_ms), "topic": topic, "payload": payload.decode()})

    seen = Evaluation(store, plan, from_ms)  # the book, as the daemon sees it when it is written
    seen.read_book()
    seen.settle(from_ms)
    Replay(store, plan).run(lines(), now_ms)  # type: ignore[arg-type]
    roll_up(store.database, now_ms)  # as the daemon does every hour
    store.close()


class Running:
    """The daemon with its pages and somebody to be told, on a store and a broker of its own."""

    def __init__(
        self, folder: Path, broker: NativeBroker, endpoint: bench_notify.Endpoint, more: str = ""
    ) -> None:
        """Start it, with more in its configuration, and note when it was ready and first evaluated its alerts."""
        self.folder, self.pages_port = folder, free_port()
        config = folder / "mustwatch.toml"
        web = f"[web]\nport = {self.pages_port}\n[[tell]]\n"
        web += f'name = "me"\nurl = "json://127.0.0.1:{endpoint.port}/"\nquiet_hours = ""\n{more}'
        config.write_text(
            bench_cellar.toml(VESSELS, folder / "cellar.db", broker.port, web), encoding="utf-8"
        )
        self.log = folder / "log"
        begun = time.perf_counter()
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "mustwatch", "run"],
                env={**os.environ, "MUSTWATCH_CONFIG": str(config), "MALLOC_ARENA_MAX": "1"},
                stdout=log,
                stderr=log,
            )
        while b"keeping watch" not in self.log.read_bytes():
            if self.process.poll() is not None or time.perf_counter() - begun > 120:
                raise RuntimeError(self.log.read_text()[-2000:])
            time.sleep(0.005)
        self.ready_s = time.perf_counter() - begun

    def visit_pages(self) -> None:
        """Open what a person opens."""
        for path in (
            "/",
            "/api/cellar",
            "/alerts",
            "/night",
            f"/lot/lot-{bench_cellar.names(1)[0]}",
            f"/lot/lot-{bench_cellar.names(1)[0]}/curve",
            "/health",
            "/metrics",
        ):
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{self.pages_port}{path}", timeout=20).read()
            except OSError as error:
                print(f"  {path}: {error}", file=sys.stderr)

    def tell(self, broker: NativeBroker, endpoint: bench_notify.Endpoint) -> float:
        """Have an alert told with its picture; return what the process that sent it has resident, MB."""
        floats, (name,) = bench_notify.Floats(broker.port), bench_cellar.names(1)
        now_ms = time.time_ns() // 1_000_000
        for at_ms in range(
            now_ms - 2 * HOUR_MS, now_ms, 20_000
        ):  # far more than what was said of those hours before
            floats.say(name, at_ms, bench_notify.HOT_C, gravity=0.9945)
        endpoint.wait_for((f"lot-{name}", '"type": "failure"', "image/png"), 60)
        floats.close()
        messenger = bench_notify.messenger_of(self.process.pid)
        assert messenger is not None, "it ended sooner than it should"
        return resident_mb(messenger)

    def wait_for_messenger_s_end(self) -> None:
        """Wait until nothing has been told for so long that the process that does it has ended."""
        begun = time.perf_counter()
        while bench_notify.messenger_of(self.process.pid) is not None:
            if time.perf_counter() - begun > 300:
                raise TimeoutError("the messenger does not end")
            time.sleep(0.5)

    def stop(self) -> None:
        """End it."""
        self.process.terminate()
        self.process.wait(60)


def publish_live(broker: NativeBroker, stop: threading.Event) -> None:
    """Publish twelve readings a minute, spread evenly, as twelve floats do."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    number = 0
    while not stop.wait(60 / VESSELS):
        name = bench_cellar.names(VESSELS)[number % VESSELS]
        at_ms = time.time_ns() // 1_000_000
        client.publish(f"cellar/{name}", f'{{"t": {at_ms}, "sg": 0.9945, "temp": 18.25, "batt": 3.9}}', qos=1)
        number += 1
    client.disconnect()
    client.loop_stop()


def daemon_rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure the running daemon."""
    days, watch_s = (30, 20) if quick else (365, 180)
    broker, endpoint = NativeBroker(folder / "broker", Options()), bench_notify.Endpoint()
    broker.start()
    fill_year(folder / "cellar.db", days)
    starts = []
    for _ in range(3):
        running = Running(folder, broker, endpoint)
        starts.append(running.ready_s)
        if _ < 2:
            running.stop()
    stop = threading.Event()
    floats = threading.Thread(target=publish_live, args=(broker, stop))
    floats.start()
    try:
        pid = running.process.pid
        of_messenger = running.tell(broker, endpoint)
        running.visit_pages()
        running.wait_for_messenger_s_end()
        time.sleep(10)
        cpu, wrote, begun = cpu_s(pid), written_bytes(pid), time.perf_counter()
        time.sleep(watch_s)
        took = time.perf_counter() - begun
        idle = (cpu_s(pid) - cpu) / took * 100
        live_day = (written_bytes(pid) - wrote) / took * 86_400 / 1e6
        if running.process.poll() is not None:
            raise RuntimeError(f"the daemon ended by itself: {running.log.read_text()[-3000:]}")
        running.visit_pages()
        running.wait_for_messenger_s_end()  # in case something more was told meanwhile
        memory, proportional = resident_mb(pid), proportional_mb(pid)
    finally:
        stop.set()
        floats.join()
        running.stop()
        broker.kill()
    said = f"12 vessels at one reading a minute, {days} days of history"
    return [
        value_row(
            "memory of the daemon with pages, all of them visited, and an alert with its picture told",
            memory,
            "MB",
            at_most=80,
            remark=f"resident; {proportional:.0f} MB with shared libraries divided among their users; {said}",
        ),
        value_row(
            "memory of the process that tells, there for a minute after a message",
            of_messenger,
            "MB",
            remark="resident, libraries shared with the daemon included",
        ),
        value_row(
            "idle processor time of the daemon",
            idle,
            "% of a core",
            at_most=0.5,
            remark=f"{said}; over {watch_s} s",
        ),
        value_row(
            f"start with {days} days of history to alerts evaluated and readings taken",
            min(starts),
            "s",
            at_most=1.5,
            remark=f"process start included; all: {', '.join(f'{s:.2f}' for s in starts)}",
        ),
        value_row(
            "written to the card, live", live_day, "MB a day", remark=f"from {watch_s} s of /proc/PID/io"
        ),
    ]


def mirror_rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure the running daemon while and after it sends a history to a time-series server, pages visited."""
    from mirrors import Victoria

    days = 30 if quick else 365
    broker, endpoint = NativeBroker(folder / "mirror-broker", Options()), bench_notify.Endpoint()
    server = Victoria(folder / "victoria")
    broker.start()
    server.start()
    path = folder / "cellar.db"
    if not path.exists():
        fill_year(path, days)
    influx = f'[influx]\nurl = "{server.url}"\norg = "home"\nbucket = "cellar"\ntoken = "none"\n'
    running = Running(folder, broker, endpoint, influx)
    pid = running.process.pid
    sender = 0.0
    try:
        while _figure(running, "mustwatch_mirror_spool_depth") or not _figure(
            running, "mustwatch_mirror_sent_total"
        ):
            sender = max([sender, *(resident_mb(child) for child in _children(pid))])
            time.sleep(0.5)
        running.tell(broker, endpoint)
        running.visit_pages()
        running.wait_for_messenger_s_end()
        while _children(pid):
            time.sleep(0.5)
        running.visit_pages()
        memory, proportional = resident_mb(pid), proportional_mb(pid)
    finally:
        running.stop()
        server.kill()
        broker.kill()
    said = f"resident; {proportional:.0f} MB with shared libraries divided among their users; {days} days were sent"
    return [
        value_row(
            "memory of the daemon with a mirror, pages visited and an alert told",
            memory,
            "MB",
            at_most=85,
            remark=said,
        ),
        value_row(
            "memory of the process that sends to the mirror, there only while it does",
            sender,
            "MB",
            remark="resident, libraries shared with the daemon included",
        ),
    ]


def _children(pid: int) -> list[int]:
    return [int(c) for task in Path(f"/proc/{pid}/task").glob("*/children") for c in task.read_text().split()]


def _figure(running: Running, name: str) -> float:
    answer = (
        urllib.request.urlopen(f"http://127.0.0.1:{running.pages_port}/metrics", timeout=20).read().decode()
    )
    return next((float(x.split()[1]) for x in answer.splitlines() if x.startswith(f"{name} ")), 0.0)


class _FakeTime:
    """A clock that a simulated day is lived by."""

    def __init__(self) -> None:
        self.now_s = bench_cellar.T0_MS / 1000

    def mono_s(self) -> float:
        return self.now_s

    def wall_ms(self) -> int:
        return round(self.now_s * 1000)


class _Floats:
    """A source that hands out each reading when its instant has come, by a clock that it moves on."""

    def __init__(self, clock: _FakeTime, arrivals: list[tuple[float, Arrival]]) -> None:
        self._clock, self._arrivals, self._next = clock, arrivals, 0

    def receive(self, most: int, timeout_s: float) -> list[Arrival]:
        due_s = self._arrivals[self._next][0] if self._next < len(self._arrivals) else float("inf")
        if due_s > self._clock.now_s + timeout_s:
            self._clock.now_s += max(timeout_s, 0.001)
            return []
        self._clock.now_s = max(self._clock.now_s, due_s)
        self._next += 1
        return [self._arrivals[self._next - 1][1]]

    is_connected = True

    def wake(self) -> None:
        return

    def acknowledge(self, arrivals: object) -> None:
        """Release nothing."""

    @property
    def is_over(self) -> bool:
        return self._next >= len(self._arrivals)


def simulated_day(path: Path, commit_s: float, hours: float) -> tuple[int, int]:
    """Live some hours of twelve floats at one reading a minute in the real pipeline and store, by a clock of its own.

    Returns:
        Bytes written to storage, log included, and readings stored.
    """
    clock = _FakeTime()
    store = Store(path, clock.wall_ms())
    plan = bench_cellar.plan(VESSELS, path)
    bench_cellar.start_lots(store, plan, VESSELS, clock.wall_ms())
    until_ms = bench_cellar.T0_MS + round(hours * 3_600_000)
    arrivals = [
        (at_ms / 1000, Arrival(topic, payload, at_ms, at_ms / 1000))
        for at_ms, topic, payload in bench_cellar.payloads(VESSELS, bench_cellar.T0_MS, until_ms, MINUTE_MS)
    ]
    floats = _Floats(clock, arrivals)
    pipeline = Pipeline(
        store,
        plan,
        floats,
        ClockWatch(clock.wall_ms, clock.mono_s, lambda: True),
        SelfWatch(plan.sensors, [], clock.mono_s(), lambda *_: None),
        mono_s=clock.mono_s,
        commit_s=commit_s,
        commit_readings=500,
        pause=lambda s: None,
    )
    before = written_bytes("self")
    while not floats.is_over:
        pipeline.turn()
    wrote = written_bytes("self") - before
    stored = store.readings.count()
    store.close()
    return wrote, stored


def card_rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure what the card is written, for several commit intervals."""
    made = []
    for commit_s in COMMITS_S:
        hours = 3.0 if quick else 24.0
        wrote, stored = simulated_day(folder / f"day-{commit_s:g}.db", commit_s, hours)
        made.append(
            value_row(
                f"written to the card, commit_seconds = {commit_s:g}",
                wrote / 1e6 * 24 / hours,
                "MB a day",
                remark=f"{wrote / stored:.0f} bytes a reading; {stored} readings, {hours:g} h by a simulated clock",
            )
        )
    return made


def import_rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure the commands' start, less that of Python itself."""

    def best(*command: str, config: Path | None = None) -> float:
        times = []
        for _ in range(3 if quick else 9):
            begun = time.perf_counter()
            subprocess.run(
                [sys.executable, *command],
                check=True,
                capture_output=True,
                env={**os.environ, **({"MUSTWATCH_CONFIG": str(config)} if config else {})},
            )
            times.append(time.perf_counter() - begun)
        return min(times)

    bare = best("-c", "pass")
    imported = best("-c", "import mustwatch.cli, mustwatch.cli.cellar, mustwatch.views.cellar") - bare
    path, config = folder / "few.db", folder / "few.toml"
    config.write_text(bench_cellar.toml(VESSELS, path), encoding="utf-8")
    store = Store(path, bench_cellar.T0_MS)
    bench_cellar.start_lots(store, bench_cellar.plan(VESSELS, path), VESSELS, bench_cellar.T0_MS)
    store.close()
    load(config)
    whole = best("-m", "mustwatch", "cellar", config=config)
    return [
        value_row(
            "import of `mustwatch cellar`",
            imported,
            "s",
            at_most=0.25,
            remark=f"beyond Python's own {bare:.3f} s",
        ),
        value_row("`mustwatch cellar` from start to end", whole, "s", remark="12 vessels"),
    ]


def rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure everything."""
    return [
        *import_rows(folder, quick=quick),
        *daemon_rows(folder, quick=quick),
        *mirror_rows(folder, quick=quick),
        *card_rows(folder, quick=quick),
    ]
