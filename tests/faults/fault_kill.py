"""``kill -9`` at random instants under load, and restart."""

import random
import threading
import time
from pathlib import Path

from shed import Row, Shed

from brokers import NativeBroker, Options


def run(count: int, folder: Path) -> Row:
    """Kill the daemon so often while messages come in, start it again each time, and count what is missing."""
    row = Row("kill -9 at random instants under load, restart")
    broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
    broker.start()
    # Over a hundred messages to each kill, so that it falls among them.
    shed = Shed(folder / "shed", broker.port, lots=6, every_min=15 if count <= 40 else 3)
    dice = random.Random(20260901)
    try:
        shed.daemon.start()
        part = len(shed.messages) // count
        for number in range(count):
            chunk = shed.messages[number * part : (number + 1) * part if number < count - 1 else None]
            publishing = threading.Thread(target=_publish, args=(broker, chunk))
            publishing.start()
            time.sleep(dice.uniform(0.0, 0.9))
            shed.daemon.kill()
            row.tried += 1
            shed.daemon.start()
            publishing.join()
        shed.settle()
        shed.daemon.stop()
        shed.judge(row)
    finally:
        shed.close()
        broker.kill()
    return row


def _publish(broker: NativeBroker, chunk: list) -> None:  # type: ignore[type-arg]
    """Publish in small bursts over about a second, as floats that happen to speak together."""
    for at in range(0, len(chunk), 20):
        broker.publish(*[(m.topic, m.payload) for m in chunk[at : at + 20]])
        time.sleep(0.05)
