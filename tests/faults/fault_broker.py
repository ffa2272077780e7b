"""The broker stopped, killed and held, and started again with its persistence."""

import random
import time
from functools import partial
from pathlib import Path

import pytest
from publisher import Publisher
from shed import Row, Shed

from brokers import Broker, ContainerBroker, NativeBroker, Options, require_engine
from daemons import wait_until

IN_A_CONTAINER = 5
"""One in so many is tried once more on a broker in a container, where an engine runs."""


def run(count: int, folder: Path) -> Row:
    """Take the broker away so often while messages come in; floats send again what it may have forgotten."""
    row = Row("broker stopped, killed, restarted with its persistence")
    native = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
    _on(native, count, folder / "native", row)
    try:
        require_engine()
    except pytest.skip.Exception as reason:
        row.notes.append(f"in a container: {reason}")
        return row
    container = ContainerBroker(folder / "container", Options(extra="max_queued_messages 0"))
    try:
        _on(container, max(3, count // IN_A_CONTAINER), folder / "contained", row)
    finally:
        container.remove()
    return row


def _on(broker: Broker, count: int, folder: Path, row: Row) -> None:
    broker.start()
    shed = Shed(folder, broker.port, lots=6)
    publisher = Publisher(broker.port)
    dice = random.Random(20260902)
    how = {"killed": 0, "stopped": 0, "held": 0}
    try:
        shed.daemon.start()
        part = len(shed.messages) // count
        for number in range(count):
            begins = publisher.confirmed
            publisher.send(shed.messages[number * part : (number + 1) * part if number < count - 1 else None])
            time.sleep(dice.uniform(0.1, 0.6))
            what = list(how)[number % 3]
            _take_away(broker, publisher, what, begins, dice)
            how[what] += 1
            row.tried += 1
            publisher.flush()
            wanted = len(shed.messages) if number == count - 1 else (number + 1) * part
            wait_until(partial(shed.has, wanted), 60, "the daemon is back, and has it all")
        shed.settle()
        shed.daemon.stop()
        shed.judge(row)
        row.notes.append(f"{type(broker).__name__}: {', '.join(f'{what} {n}' for what, n in how.items())}")
    finally:
        publisher.close()
        shed.close()
        broker.kill()


def _take_away(broker: Broker, publisher: Publisher, what: str, begins: int, dice: random.Random) -> None:
    if what == "held":
        broker.pause()
        time.sleep(dice.uniform(0.2, 3.0))
        broker.resume()
        return
    if what == "killed":
        # It has on disk what it had when it was told to save; what came since is the floats' to send again. One in a
        # container is not told: all since the last trouble is sent again, and the daemon knows what it has already.
        saved = begins
        if isinstance(broker, NativeBroker):
            saved = publisher.confirmed
            broker.save()
            time.sleep(dice.uniform(0.05, 0.3))
        broker.kill()
        publisher.again_from(saved)
    else:
        broker.stop()
    time.sleep(dice.uniform(0.0, 1.0))
    broker.start()
