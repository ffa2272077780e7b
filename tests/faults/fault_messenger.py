"""``kill -9`` of the process that tells, at random instants while it has something to tell."""

import os
import random
import signal
import time
from collections import Counter
from contextlib import closing, suppress
from pathlib import Path

from shed import Row

from endpoints import HttpEndpoint
from mustwatch.deliver.parcel import MAY_BE_A_REPEAT
from mustwatch.messenger.messenger import Messenger
from senders import Sender, message

AT_ONCE = 4
"""Messages put in the outbox before each kill."""
WITHIN_S = (0.0, 0.5)
"""How long after: a messenger starts in a third of a second."""
ALIVE_WITHIN_S = 20.0


def run(count: int, folder: Path) -> Row:
    """Kill it so often; each message has to arrive, and once unless it says that it may be a repeat."""
    row = Row("kill -9 of the messenger amid a sending")
    dice = random.Random(20260907)
    endpoint = HttpEndpoint()
    endpoint.listen()
    messenger, sender = Messenger(), Sender(folder / "cellar.db")
    sender.deliverer, sender.rouse = messenger, messenger.rouse
    with closing(sender.store), closing(messenger):
        sender.to("phone", endpoint.url).start()
        titles: list[str] = []
        while row.tried < count:
            titles += (more := [f"message {len(titles) + n}" for n in range(AT_ONCE)])
            sender.put(*[message(title, order=len(titles)) for title in more])
            time.sleep(dice.uniform(*WITHIN_S))
            row.tried += _killed(messenger)
            sender.wait_until_empty()  # else what waits grows faster than one that is killed again and again can tell
        sender.stop()
    endpoint.refuse()
    plain: Counter[str] = Counter()
    repeats: Counter[str] = Counter()
    for arrived in endpoint.arrived:
        (repeats if MAY_BE_A_REPEAT in arrived.message else plain)[arrived.title] += 1
    row.messages = len(titles)
    row.lost = sum(not plain[title] + repeats[title] for title in titles)
    row.told_twice = sum(max(0, n - 1) for n in plain.values())
    row.repeated = sum(repeats[title] if plain[title] else repeats[title] - 1 for title in repeats)
    return row


def _killed(messenger: Messenger) -> bool:
    """Kill the process that is there, waiting for one if there is none yet."""
    ends = time.monotonic() + ALIVE_WITHIN_S
    while (pid := messenger.pid) is None and time.monotonic() < ends:
        time.sleep(0.01)
    assert pid is not None, "nobody tells"
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
        return True
    return False
