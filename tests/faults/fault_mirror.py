"""The time-series server down for a simulated week, then back; the daemon killed half-way through the catch-up."""

import time
from pathlib import Path

from shed import Published, Row, Shed

from brokers import NativeBroker, Options
from daemons import wait_until
from mirrors import Victoria

BURST = 200


def run(count: int, folder: Path) -> Row:
    """Try it so often, each time with a new store and a new server."""
    row = Row("time-series server down for a simulated week, restarted half-way through the catch-up")
    row.told_twice = None
    for number in range(count):
        _week(folder / f"week-{number}", row)
        row.tried += 1
    return row


def _week(folder: Path, row: Row) -> None:
    broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
    broker.start()
    server = Victoria(folder / "victoria")
    influx = f'[influx]\nurl = "{server.url}"\norg = "home"\nbucket = "cellar"\ntoken = "token"\nevery_seconds = 0.2\n'
    shed = Shed(folder / "shed", broker.port, lots=6, days=8.0, every_min=4, extra=influx)
    day = len(shed.messages) // 8
    try:
        server.start()
        shed.daemon.start()
        _publish(broker, shed.messages[:day])
        wait_until(lambda: _there(server, shed) >= day, 60, "the first day mirrored")
        server.stop()
        _publish(broker, shed.messages[day:])
        wait_until(
            lambda: shed.count() == len(shed.messages), 60, "everything stored while the server is away"
        )
        server.start()
        wait_until(lambda: _there(server, shed) > day, 120, "the catch-up begun")
        shed.daemon.kill()
        sent = _there(server, shed)
        shed.daemon.start()
        wait_until(lambda: _there(server, shed) == len(shed.messages), 120, "the catch-up finished")
        lost = _different(server, shed)
        row.lost = (row.lost or 0) + lost
        row.readings += len(shed.messages)
        row.notes.append(f"killed with {sent} of {len(shed.messages)} sent")
    finally:
        shed.close()
        server.kill()
        broker.kill()


def _publish(broker: NativeBroker, messages: list[Published]) -> None:
    for at in range(0, len(messages), BURST):
        broker.publish(*[(m.topic, m.payload) for m in messages[at : at + BURST]])
        time.sleep(0.01)


def _gravities(server: Victoria) -> dict[tuple[str, int], float]:
    return {
        (dict(tags)["sensor"], at_ms): value
        for tags, values in server.series("reading", "gravity").items()
        for at_ms, value in values.items()
    }


def _there(server: Victoria, shed: Shed) -> int:
    return len(_gravities(server).keys() & shed.published())


def _different(server: Victoria, shed: Shed) -> int:
    """Return how many readings are not on the server as they are in the store."""
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(f"file:{shed.daemon.store}?mode=ro", uri=True)) as connection:
        rows = connection.execute("SELECT id, observed_ms, gravity FROM reading JOIN sensor ON key=sensor")
        stored = {(sensor, at_ms): gravity for sensor, at_ms, gravity in rows}
    there = _gravities(server)
    return sum(there.get(key) != gravity for key, gravity in stored.items())
