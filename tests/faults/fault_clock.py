"""The clock stepped: by −50 years, a day, an hour either way, and through both changes of summer time.

The daemon is the real one; its wall clock is libfaketime's, its monotonic clock the machine's. Readings without a
time of their own are published at known true instants; the daemon has to place them there once the time is known.
"""

import json
import os
import sqlite3
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from shed import Row

from brokers import NativeBroker, Options, missing
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint

LIBRARY = Path("/usr/lib") / f"{os.uname().machine}-linux-gnu" / "faketime" / "libfaketime.so.1"
YEAR_S, DAY_S, HOUR_S = 365.25 * 86_400, 86_400.0, 3_600.0
NEAR_MS = 5_000
"""A corrected instant is right within this: two seconds, below which a change of the clock counts as no step, and what
a busy machine takes to hand a message on. The worst that was seen is noted."""
ABREAST = 3
"""Cases run side by side: they mostly wait."""
EVERY_S = 0.2


@dataclass(frozen=True)
class Step:
    """The wall clock is off by so many seconds from now on, for so long."""

    off_s: float
    seconds: float


@dataclass(frozen=True)
class Case:
    """What is done to the clock, and what must be told of it."""

    name: str
    steps: Sequence[Step]
    tells: int = 0


CASES = (
    Case("−50 years at boot, then right", (Step(-50 * YEAR_S, 6.0), Step(0.0, 6.0)), tells=1),
    Case("right, +1 day, right again", (Step(0.0, 4.0), Step(DAY_S, 6.0), Step(0.0, 6.0))),
    Case("right, +1 hour, right again", (Step(0.0, 4.0), Step(HOUR_S, 6.0), Step(0.0, 6.0))),
    Case("right, −1 hour, right again", (Step(0.0, 4.0), Step(-HOUR_S, 6.0), Step(0.0, 6.0)), tells=1),
)


class Machine:
    """A daemon on a wall clock of its own, a probe that does not know the time, and somebody to tell."""

    def __init__(self, folder: Path, off_s: float, *, review: str | None = None) -> None:
        """Set it up, its wall clock off by so much from the start."""
        if not LIBRARY.exists():
            missing("libfaketime is not installed (apt install faketime)")
        folder.mkdir(parents=True)
        self.broker = NativeBroker(folder / "broker", Options())
        self.broker.start()
        self.endpoint = HttpEndpoint()
        self.endpoint.listen()
        self.offset_file = folder / "offset"
        self.off_s = 0.0
        self.set_off(off_s)
        self.sent: dict[float, int] = {}
        review_line = f'morning_review = "{review}"' if review else ""
        self.daemon = Daemon(
            folder,
            f'[cellar]\ntimezone = "Europe/Vienna"\n{review_line}\n[mqtt]\nport = {self.broker.port}\n'
            f'[web]\nenabled = false\n[[tell]]\nurl = "{self.endpoint.url}"\nquiet_hours = ""\n'
            '[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 25\n'
            '[[sensor]]\nid = "probe"\nkind = "probe"\nvessel = "bucket"\ndecoder = "number"\nsilent_after = 1800\n'
            'fields = { temperature = { topic = "cellar/probe", unit = "C" } }\n',
        )
        self.daemon.environment |= {
            "LD_PRELOAD": str(LIBRARY),
            "FAKETIME_TIMESTAMP_FILE": str(self.offset_file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            # Its mending of waits by the monotonic clock, which is the machine's here, ends them at once: two threads
            # of one interpreter then take it from each other at every step and come to nothing.
            "FAKETIME_FORCE_MONOTONIC_FIX": "0",
        }

    def set_off(self, off_s: float) -> None:
        """Set the wall clock, at once and without a moment in which the file is half written."""
        self.off_s = off_s
        part = self.offset_file.with_suffix(".part")
        part.write_text(f"{off_s:+.3f}\n")
        part.replace(self.offset_file)

    def publish_for(self, seconds: float) -> None:
        """Publish a temperature never published before, every moment, and note when that truly was."""
        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            value = round(15.0 + 0.01 * len(self.sent), 2)
            self.sent[value] = int(time.time() * 1000)
            self.broker.publish(("cellar/probe", str(value).encode()))
            time.sleep(EVERY_S)

    def rows(self) -> list[tuple[float, int]]:
        """Return the stored temperatures with their instants."""
        with closing(
            sqlite3.connect(f"file:{self.daemon.store}?mode=ro", uri=True, timeout=20)
        ) as connection:
            return list(connection.execute("SELECT temperature_c, observed_ms FROM reading"))

    def alerts(self) -> list[str]:
        """Return the kinds of all alerts there ever were."""
        with closing(
            sqlite3.connect(f"file:{self.daemon.store}?mode=ro", uri=True, timeout=20)
        ) as connection:
            return [json.loads(row[0])["kind"] for row in connection.execute("SELECT body FROM alert")]

    def close(self) -> None:
        """End it all."""
        if self.daemon.process is not None and self.daemon.process.poll() is None:
            self.daemon.kill()
        self.endpoint.refuse()
        self.broker.kill()


def run(count: int, folder: Path) -> Row:
    """Do all of it; ``count`` is not used, as all cases are always tried."""
    row = Row("clock stepped by −50 years, +1 day, ±1 hour, summer time both ways")
    worst_ms: list[int] = []
    with ThreadPoolExecutor(ABREAST) as pool:
        doing = [
            pool.submit(_stepped, case, folder / f"case-{number}", row, worst_ms)
            for number, case in enumerate(CASES)
        ]
        doing += [
            pool.submit(_summer_time, name, begins, wall_steps, folder / name, row)
            for name, begins, wall_steps in SUMMER_TIME
        ]
        for done in doing:
            done.result()
            row.tried += 1
    row.notes.append(f"put right within {max(worst_ms) / 1000:.1f} s")
    return row


def _stepped(case: Case, folder: Path, row: Row, worst_ms: list[int]) -> None:
    machine = Machine(folder, case.steps[0].off_s)
    try:
        machine.daemon.start()
        for step in case.steps:
            machine.set_off(step.off_s)
            machine.publish_for(step.seconds)
        wait_until(lambda: len(machine.rows()) >= len(machine.sent), 20, "everything stored")
        time.sleep(2.0)
        assert machine.daemon.process is not None
        assert machine.daemon.process.poll() is None, "the daemon stays up"
        machine.daemon.stop()
        worst_ms.append(_judge_places(case, machine, row))
        told = [a.title for a in machine.endpoint.arrived]
        wrong = [title for title in told if "clock is wrong" in title.lower()]
        _expect(row, case.name, "clock-wrong told", len(wrong), case.tells)
        row.messages += len(told)
        bursts = [kind for kind in machine.alerts() if kind != "clock-wrong"]
        if bursts:
            row.told_twice = (row.told_twice or 0) + len(bursts)
            row.notes.append(f"{case.name}: alerts from nowhere: {bursts}")
    finally:
        machine.close()


def _judge_places(case: Case, machine: Machine, row: Row) -> int:
    """Judge where the readings are now; return how far the worst of them is from its true instant."""
    rows = machine.rows()
    row.readings += len(machine.sent)
    found = dict(rows)
    lost = [value for value in machine.sent if value not in found]
    misplaced = {
        value: (found[value] - at_ms) / 1000
        for value, at_ms in machine.sent.items()
        if value in found and abs(found[value] - at_ms) > NEAR_MS
    }
    twice = len(rows) - len(found)
    row.lost = (row.lost or 0) + len(lost) + len(misplaced)
    row.told_twice = (row.told_twice or 0) + twice
    if lost or misplaced or twice:
        row.notes.append(
            f"{case.name}: {len(lost)} lost, {len(misplaced)} misplaced {list(misplaced.items())[:2]}, {twice} twice"
        )
    return max(abs(found[value] - at_ms) for value, at_ms in machine.sent.items() if value in found)


def _expect(row: Row, name: str, what: str, found: int, wanted: int) -> None:
    row.told_twice = (row.told_twice or 0) + max(0, found - wanted)
    row.lost = (row.lost or 0) + max(0, wanted - found)
    if found != wanted:
        row.notes.append(f"{name}: {what} {found} times instead of {wanted}")


SUMMER_TIME = (
    # In 2027 Central Europe sets its clocks forward on 28 March at 01:00 UTC and back on 31 October at 01:00 UTC
    # (Directive 2000/84/EC). At 02:30 a message is due: an hour that is skipped in spring and comes twice in autumn.
    ("spring", "2027-03-28T00:59:55", ("2027-03-28T01:29:55", "2027-03-28T02:29:55")),
    ("autumn", "2027-10-31T00:29:55", ("2027-10-31T01:29:55", "2027-10-31T02:29:55")),
)


def _summer_time(name: str, begins: str, further: Sequence[str], folder: Path, row: Row) -> None:
    """Live through the change, a few seconds around each critical instant; the night's message is told once."""
    machine = Machine(folder, _off(begins), review="02:30")
    try:
        # A wine without a float that nobody has dipped for long: there is something to say in the morning.
        machine.daemon.done(
            "record", "start", "kit", "--vessel", "bucket", "--at", f"{begins[:8]}01T12:00+00:00"
        )
        machine.daemon.start()
        machine.publish_for(12.0)
        for wall in further:
            machine.set_off(_off(wall))
            machine.publish_for(12.0)
        wait_until(lambda: len(machine.rows()) >= len(machine.sent), 20, "everything stored")
        machine.daemon.stop()
        values = [value for value, _ in machine.rows()]
        row.readings += len(machine.sent)
        row.lost = (row.lost or 0) + len(set(machine.sent) - set(values))
        row.told_twice = (row.told_twice or 0) + len(values) - len(set(values))
        reviews = [a.title for a in machine.endpoint.arrived if a.title.startswith("Good morning")]
        row.messages += len(reviews)
        _expect(row, name, "the night's message told", len(reviews), 1)
    finally:
        machine.close()


def _off(wall: str) -> float:
    return datetime.fromisoformat(wall).replace(tzinfo=UTC).timestamp() - time.time()
