"""The broker stopped, killed and held, and started again with its persistence."""

import random
import time
from pathlib import Path

from publisher import Publisher
from shed import Row, Shed

from brokers import NativeBroker, Options
from daemons import wait_until


def run(count: int, folder: Path) -> Row:
    """Take the broker away so often while messages come in; floats send again what it may have forgotten."""
    row = Row("broker stopped, killed, restarted with its persistence")
    broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
    broker.start()
    shed = Shed(folder / "shed", broker.port, lots=6)
    publisher = Publisher(broker.port)
    dice = random.Random(20260902)
    how = {"stopped": 0, "killed": 0, "held": 0}
    try:
        shed.daemon.start()
        part = len(shed.messages) // count
        for number in range(count):
            publisher.send(shed.messages[number * part : (number + 1) * part if number < count - 1 else None])
            time.sleep(dice.uniform(0.1, 0.6))
            what = ("killed", "stopped", "held")[number % 3]
            _take_away(broker, publisher, what, dice)
            how[what] += 1
            row.tried += 1
            publisher.flush()
            wanted = len(shed.messages) if number == count - 1 else (number + 1) * part
            wait_until(lambda wanted=wanted: shed.count() >= wanted, 60, "the daemon is back, and has it all")
        shed.settle()
        shed.daemon.stop()
        shed.judge(row)
        row.notes.append(", ".join(f"{what} {times}" for what, times in how.items()))
    finally:
        publisher.close()
        shed.close()
        broker.kill()
    return row


def _take_away(broker: NativeBroker, publisher: Publisher, what: str, dice: random.Random) -> None:
    if what == "held":
        broker.pause()
        time.sleep(dice.uniform(0.2, 3.0))
        broker.resume()
        return
    if what == "killed":
        # It has on disk what it had when it was told to save; what came since is the floats' to send again.
        saved = publisher.confirmed
        broker.save()
        time.sleep(dice.uniform(0.05, 0.3))
        broker.kill()
        publisher.again_from(saved)
    else:
        broker.stop()
    time.sleep(dice.uniform(0.0, 1.0))
    broker.start()
