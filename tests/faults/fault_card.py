"""The card full, on a small file system of its own, then freed: while readings come, and at the start."""

import contextlib
import os
import subprocess
import time
from functools import partial
from pathlib import Path

from publisher import Publisher
from shed import Row, Shed, topic_of

from brokers import NativeBroker, Options, missing
from daemons import wait_until

CARD_MB = 12
TOLD = "mustwatch cannot write to its card"
LONG_S = 26.0
"""Longer than the daemon waits before it says so."""


class Card:
    """A small file system, filled and freed."""

    def __init__(self, path: Path) -> None:
        """Mount it."""
        self.path = path
        path.mkdir(parents=True)
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={CARD_MB}m", "mustwatch-fault", str(path)], check=True
        )

    def fill(self) -> None:
        """Write until there is no room for another byte."""
        with contextlib.suppress(OSError), (self.path / "filler").open("ab", buffering=0) as filler:
            while True:
                filler.write(b"x" * 4096)

    def free(self) -> None:
        """Take that away again."""
        (self.path / "filler").unlink(missing_ok=True)

    def unmount(self) -> None:
        """Unmount it."""
        subprocess.run(["umount", "-l", str(self.path)], check=False)


def run(count: int, folder: Path) -> Row:
    """Fill the card so often, in turn: for half a minute under load, for a moment, and across a start."""
    row = Row("disk full (small file system), then freed")
    if os.geteuid() != 0:
        missing("a file system of one's own needs root")
    card = Card(folder / "card")
    broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
    broker.start()
    shed = Shed(folder / "shed", broker.port, lots=6, store=card.path / "cellar.db")
    shed.daemon.environment["MUSTWATCH_STORE__BACKUP_DIR"] = str(folder / "backups")
    publisher = Publisher(broker.port)
    told = 0
    try:
        shed.daemon.start()
        part = len(shed.messages) // count
        for number in range(count):
            publisher.send(shed.messages[number * part : (number + 1) * part if number < count - 1 else None])
            time.sleep(0.3)
            told += (_long, _across_a_start, _moment)[number % 3](card, shed, broker)
            row.tried += 1
            publisher.flush()
            published = sum(
                part if n < count - 1 else len(shed.messages) - part * n for n in range(number + 1)
            )
            wait_until(partial(shed.has, published), 120, "everything stored after all")
        shed.settle()
        time.sleep(1.0)
        shed.daemon.stop()
        shed.judge(row)
        said = [a.title for a in shed.endpoint.arrived if a.title == TOLD]
        row.told_twice = (row.told_twice or 0) + max(0, len(said) - told)
        row.lost = (row.lost or 0) + max(0, told - len(said))
        row.notes.append(f"said so {len(said)} times for {told} long fills")
    finally:
        publisher.close()
        shed.close()
        broker.kill()
        card.unmount()
    return row


def _long(card: Card, shed: Shed, broker: NativeBroker) -> int:
    pid = _pid(shed)
    _fill_until_it_is_felt(card, shed, broker)
    time.sleep(LONG_S)
    assert _pid(shed) == pid, "the daemon stays up"
    card.free()
    return 1


def _moment(card: Card, shed: Shed, broker: NativeBroker) -> int:
    pid = _pid(shed)
    _fill_until_it_is_felt(card, shed, broker)
    time.sleep(4.0)
    assert _pid(shed) == pid, "the daemon stays up"
    card.free()
    return 0


def _fill_until_it_is_felt(card: Card, shed: Shed, broker: NativeBroker) -> None:
    """Fill the card; the store's own files have room for a while, which unreadable payloads use up."""
    seen = len(shed.daemon.said())
    card.fill()
    ends = time.monotonic() + 60.0
    while "cannot write, keeping" not in shed.daemon.said()[seen:]:
        assert time.monotonic() < ends, "the daemon sees that the card is full"
        broker.publish(*[(topic_of(0), b"?" * 500)] * 200)
        time.sleep(0.3)


def _across_a_start(card: Card, shed: Shed, broker: NativeBroker) -> int:
    shed.daemon.kill()
    card.fill()
    seen = len(shed.daemon.said())
    shed.daemon.start(until=("keeping watch", "the store cannot be opened"))
    time.sleep(6.0)
    pid = _pid(shed)
    assert pid, "the daemon stays up"
    card.free()
    wait_until(lambda: "keeping watch" in shed.daemon.said()[seen:], 60, "watch is kept once there is room")
    assert _pid(shed) == pid
    return 0


def _pid(shed: Shed) -> int:
    process = shed.daemon.process
    assert process is not None
    assert process.poll() is None, f"the daemon ended: {shed.daemon.said()[-2000:]}"
    return process.pid
