"""MQTT to durable store to estimate to detectors, beside a bare subscriber that counts: both take one backlog.

The broker holds the messages for two sessions of its own; each process connects, takes them all at QoS 1, and is timed
from its first to its last. The bare one is paho with a callback that adds one, acknowledging by itself; ours is the
daemon, which acknowledges only what is on disk.
"""

import json
import os
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import bench_cellar
import paho.mqtt.client as paho
from bench_row import Row, ratio_row
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from brokers import NativeBroker, Options
from mustwatch.cellar.instant import MINUTE_MS
from mustwatch.store.store import Store

VESSELS = 12
QUEUE = "max_queued_messages 1000000\nmax_inflight_messages 2000\nautosave_interval 0"
BARE = """
import sys, time
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
count, begun = 0, 0.0
def heard(client, userdata, message):
    global count, begun
    count += 1
    if count == 1:
        begun = time.perf_counter()
    if count == int(sys.argv[2]):
        print(time.perf_counter() - begun)
        client.disconnect()
client = paho.Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=paho.MQTTv5)
client.on_message = heard
properties = Properties(PacketTypes.CONNECT)
properties.SessionExpiryInterval = 3600
properties.ReceiveMaximum = 2000
client.connect("127.0.0.1", int(sys.argv[1]), clean_start=False, properties=properties)
client.loop_forever()
"""


def keep_session(port: int, client_id: str, topics: list[str]) -> None:
    """Subscribe under a name and go, so that the broker keeps what comes."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=paho.MQTTv5)
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600
    client.connect("127.0.0.1", port, clean_start=False, properties=properties)
    granted: list[bool] = []
    client.on_subscribe = lambda *_: granted.append(True)
    client.loop_start()
    time.sleep(0.3)
    client.subscribe([(topic, paho.SubscribeOptions(qos=1)) for topic in topics])
    while not granted:
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()


def fill(port: int, messages: int) -> int:
    """Publish the backlog: readings once a minute, up to now, so that their times can be true; return the last instant."""
    until_ms = time.time_ns() // 1_000_000 - MINUTE_MS
    from_ms = until_ms - messages // VESSELS * MINUTE_MS
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="floats")
    client.max_inflight_messages_set(1000)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    last, last_ms = None, 0
    said = bench_cellar.payloads(VESSELS, from_ms, until_ms, MINUTE_MS)
    for number, (at_ms, topic, payload) in enumerate(said, 1):
        last_ms = at_ms
        last = client.publish(topic, payload, qos=1)
        if number % 5000 == 0:
            last.wait_for_publish(60)
    assert last is not None
    last.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()
    return last_ms


def drain(folder: Path, port: int, messages: int, last_ms: int) -> tuple[float, float]:
    """Start the daemon on the backlog; return seconds from the first commit's readings to the last, and CPU seconds."""
    store_path, config = folder / "cellar.db", folder / "mustwatch.toml"
    config.write_text(
        bench_cellar.toml(VESSELS, store_path, port, "[web]\nenabled = false"), encoding="utf-8"
    )
    now_ms = time.time_ns() // 1_000_000
    store = Store(store_path, now_ms)
    begun_ms = now_ms - messages // VESSELS * MINUTE_MS - 2 * MINUTE_MS
    bench_cellar.start_lots(store, bench_cellar.plan(VESSELS, store_path), VESSELS, begun_ms)
    store.close()
    said = (folder / "log").open("wb")
    daemon = subprocess.Popen(
        [sys.executable, "-m", "mustwatch", "run"],
        env={**os.environ, "MUSTWATCH_CONFIG": str(config)},
        stdout=said,
        stderr=said,
    )
    reader = sqlite3.connect(f"file:{store_path}?mode=ro", uri=True, timeout=10)
    try:
        begun = 0.0
        deadline = time.monotonic() + 300
        while time.monotonic() < deadline:
            # The newest instant is found at once; to count the rows would take from what is measured.
            newest_ms = reader.execute("SELECT max(observed_ms) FROM reading").fetchone()[0]
            if newest_ms is not None and not begun:
                begun = time.perf_counter()
                first = reader.execute("SELECT count(*) FROM reading").fetchone()[0]
            if newest_ms is not None and newest_ms >= last_ms:
                took = (time.perf_counter() - begun) * messages / max(1, messages - first)
                cpu = sum(
                    float(x) for x in Path(f"/proc/{daemon.pid}/stat").read_text().split()[13:15]
                ) / os.sysconf("SC_CLK_TCK")
                return took, cpu
            time.sleep(0.02)
        raise RuntimeError(f"not all of {messages} readings came: {(folder / 'log').read_text()[-1000:]}")
    finally:
        reader.close()
        daemon.terminate()
        daemon.wait(40)
        said.close()


def rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure."""
    messages = VESSELS * (1000 if quick else 3000)
    tries = 1 if quick else 3
    best: list[tuple[float, float, float]] = []
    for number in range(tries):
        place = folder / f"drain-{number}"
        broker = NativeBroker(place / "broker", Options(extra=QUEUE))
        broker.start()
        try:
            topics = [f"cellar/{name}" for name in bench_cellar.names(VESSELS)]
            keep_session(broker.port, "bare", topics)
            keep_session(broker.port, "mustwatch", topics)
            last_ms = fill(broker.port, messages)
            bare = subprocess.run(
                [sys.executable, "-c", BARE, str(broker.port), str(messages)],
                capture_output=True,
                text=True,
                check=True,
            )
            took, cpu = drain(place, broker.port, messages, last_ms)
            best.append((float(bare.stdout), took, cpu))
        finally:
            broker.kill()
    bare_s, ours_s = min(b[0] for b in best), min(b[1] for b in best)
    remark = json.dumps([[round(x, 3) for x in b] for b in best])
    return [
        ratio_row(
            "MQTT to durable store to estimate to detectors",
            "bare paho subscriber that counts",
            messages / ours_s,
            messages / bare_s,
            "messages/s",
            at_least=0.35,
            remark=f"{messages} messages; tries [bare s, ours s, CPU s]: {remark}",
        )
    ]
