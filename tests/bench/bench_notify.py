"""From publishing a reading to the notification endpoint, urgent finding, beside the broker's round trip alone.

Every trial is a vessel of its own: half an hour beyond the urgent limit in event time, the last reading of which closes
the slot that makes it urgent. The round trip is measured between the trials, on the same broker. What sends is a process
that the daemon starts when it is needed: once it is left running, and once it is ended before each trial.
"""

import os
import signal
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import bench_cellar
import paho.mqtt.client as paho
from bench_row import Row
from paho.mqtt.enums import CallbackAPIVersion

from brokers import NativeBroker, Options
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.store.store import Store

ALLOWED_MS = 250.0
HOT_C = 36.0


class Endpoint:
    """An HTTP endpoint that notes when each vessel's message came."""

    def __init__(self) -> None:
        """Open a port."""
        self.came: dict[str, float] = {}
        self.woken = threading.Condition()
        endpoint = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                at = time.perf_counter()
                body = self.rfile.read(int(self.headers.get("Content-Length", "0"))).decode(errors="replace")
                with endpoint.woken:
                    endpoint.came.setdefault(body, at)
                    endpoint.woken.notify_all()
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def wait_for(self, words: tuple[str, ...], within_s: float) -> float:
        """Return when the first message came that holds all the words."""
        ends = time.perf_counter() + within_s
        with self.woken:
            while True:
                for body, at in self.came.items():
                    if all(word in body for word in words):
                        return at
                if not self.woken.wait(max(0.0, ends - time.perf_counter())):
                    raise TimeoutError(f"no message with {words}; came: {[body[:200] for body in self.came]}")


class Floats:
    """Publishes, and hears its own messages back."""

    def __init__(self, port: int) -> None:
        """Connect."""
        self._back = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="floats")
        self._client.on_message = lambda *_: self._back.set()
        ready = threading.Event()
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("round/trip", qos=1)
        ready.wait(10)

    def say(self, vessel: str, at_ms: int, celsius: float, gravity: float = 1.05) -> None:
        """Publish one reading."""
        payload = f'{{"t": {at_ms}, "sg": {gravity:.4f}, "temp": {celsius}, "batt": 3.9}}'
        self._client.publish(f"cellar/{vessel}", payload, qos=1)

    def round_trip_s(self) -> float:
        """Return how long a message takes to come back."""
        self._back.clear()
        begun = time.perf_counter()
        self._client.publish("round/trip", b"x" * 60, qos=1)
        self._back.wait(10)
        return time.perf_counter() - begun

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


def messenger_of(pid: int) -> int | None:
    """Return the process that a daemon has started to tell people, or None while there is none."""
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            if b"mustwatch.messenger\0" in Path(f"/proc/{child}/cmdline").read_bytes():
                return int(child)
    return None


def end_messenger(pid: int, store: Store) -> None:
    """End it once everything is told, and wait until the daemon has seen it."""
    while store.outbox.waiting():
        time.sleep(0.01)
    messenger = messenger_of(pid)
    if messenger is not None:
        os.kill(messenger, signal.SIGKILL)
    while Path(f"/proc/{messenger}").exists():
        time.sleep(0.005)


def rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure."""
    warm, cold = (25, 5) if quick else (200, 20)
    trials = warm + cold
    vessels = bench_cellar.names(trials)
    broker, endpoint = NativeBroker(folder / "broker", Options()), Endpoint()
    broker.start()
    store_path, config = folder / "cellar.db", folder / "mustwatch.toml"
    tell = f'[web]\nenabled = false\n[[tell]]\nname = "me"\nurl = "json://127.0.0.1:{endpoint.port}/"\n'
    tell += 'quiet_hours = ""\n'
    config.write_text(bench_cellar.toml(trials, store_path, broker.port, tell), encoding="utf-8")
    # At the beginning of a quarter of an hour, so that it closes a slot. A little back: what comes late is a backlog,
    # while which comes in no slot is closed by the clock.
    quarter_ms = 15 * MINUTE_MS
    last_ms = (time.time_ns() // 1_000_000 // quarter_ms - 1) * quarter_ms
    store = Store(store_path, last_ms)
    bench_cellar.start_lots(store, bench_cellar.plan(trials, store_path), trials, last_ms - 3 * HOUR_MS)
    said = (folder / "log").open("wb")
    daemon = subprocess.Popen(
        [sys.executable, "-m", "mustwatch", "run"],
        env={**os.environ, "MUSTWATCH_CONFIG": str(config)},
        stdout=said,
        stderr=said,
    )
    floats = Floats(broker.port)
    try:
        _wait_for_start(folder / "log")
        kept = _trials(floats, endpoint, vessels[:warm], last_ms, lambda: None)
        begun = _trials(floats, endpoint, vessels[warm:], last_ms, lambda: end_messenger(daemon.pid, store))
    finally:
        floats.close()
        daemon.terminate()
        daemon.wait(40)
        said.close()
        store.close()
        broker.kill()
    path = "publish to notification endpoint, urgent finding"
    return [
        _row(f"{path} (p99)", 0.99, *kept),
        _row(f"{path}, the sending process started for it (the slowest)", 1.0, *begun),
    ]


def _row(path: str, quantile: float, took: list[float], trip: list[float]) -> Row:
    more_ms = sorted((a - b) * 1000 for a, b in zip(took, trip, strict=True))
    at = min(len(more_ms) - 1, round(quantile * len(more_ms)))
    return Row(
        path,
        "broker round trip alone",
        sorted(took)[at] * 1000,
        sorted(trip)[at] * 1000,
        "ms",
        more_ms[at],
        f"<= {ALLOWED_MS:g} ms more",
        more_ms[at] <= ALLOWED_MS,
        f"{len(took)} trials, median {statistics.median(more_ms):.1f} ms more",
    )


def _wait_for_start(log: Path) -> None:
    """Wait until the daemon takes readings, and has done what it had missed while it was not running."""
    ends = time.perf_counter() + 60
    while not all(
        word in log.read_bytes() for word in (b"broker connected", b"keeping watch", b"backup made")
    ):
        if time.perf_counter() > ends:
            raise TimeoutError(log.read_text()[-2000:])
        time.sleep(0.05)


def _trials(
    floats: Floats, endpoint: Endpoint, vessels: list[str], last_ms: int, before: Callable[[], None]
) -> tuple[list[float], list[float]]:
    took, trip = [], []
    begin_ms = last_ms - 45 * MINUTE_MS
    for vessel in vessels:
        for at_ms in range(begin_ms, last_ms, 5 * MINUTE_MS):
            floats.say(
                vessel, at_ms, HOT_C
            )  # warm from the first: nothing else is found that could be told before
        time.sleep(0.05)
        before()
        trip.append(floats.round_trip_s())
        begun = time.perf_counter()
        floats.say(vessel, last_ms, HOT_C)
        came = endpoint.wait_for((f"lot-{vessel}", '"type": "failure"'), 30)
        assert came > begun, "the message came before the reading that it is about"
        took.append(came - begun)
    return took, trip
