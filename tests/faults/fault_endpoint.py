"""Endpoints that refuse, hang, answer 500 or break off, and are well after a while; each is a target of its own."""

import random
import threading
import time
from pathlib import Path

from shed import Row, Shed

from brokers import NativeBroker, Options
from daemons import wait_until
from endpoints import HttpEndpoint, Mode

BAD_FOR_S = (3.0, 20.0)
MOST_WAIT_S = 300.0
"""A failed target is tried again after a quarter of a minute, then twice as long, and so on."""


def run(count: int, folder: Path) -> Row:
    """Tell so many endpoints, each of which fails in its own way first."""
    row = Row("notification endpoint refusing, hanging, answering 500, then well")
    broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
    broker.start()
    shed = Shed(folder / "shed", broker.port, lots=4, endpoints=count)
    dice = random.Random(20260904)
    troubles = []
    try:
        shed.daemon.start()
        for number, endpoint in enumerate(shed.endpoints):
            how = ("refuses", "hangs", "answers 500", "breaks off")[number % 4]
            troubles.append(
                threading.Thread(target=_misbehave, args=(endpoint, how, dice.uniform(*BAD_FOR_S)))
            )
            troubles[-1].start()
        time.sleep(0.3)
        for at in range(0, len(shed.messages), 100):
            broker.publish(*[(m.topic, m.payload) for m in shed.messages[at : at + 100]])
            time.sleep(0.05)
        for trouble in troubles:
            trouble.join()
        row.tried = count
        wait_until(lambda: shed.count() == len(shed.messages), 60, "everything stored")
        wait_until(lambda: shed.waiting() == 0, MOST_WAIT_S, "everything told")
        shed.daemon.stop()
        shed.judge(row)
    finally:
        shed.close()
        broker.kill()
    return row


def _misbehave(endpoint: HttpEndpoint, how: str, seconds: float) -> None:
    if how == "refuses":
        endpoint.refuse()
        time.sleep(seconds)
        endpoint.listen()
        return
    endpoint.mode = {"hangs": Mode.HANG, "answers 500": Mode.ERROR, "breaks off": Mode.CUT}[how]
    time.sleep(seconds)
    endpoint.mode = Mode.WELL
