"""Keep a whole installation at work for long and say what grew: memory, descriptors, threads, log, the store's own log.

    make soak                             the faults in their long form, then two hours of this
    python tests/faults/soak.py --minutes 5

Readings come all the time, pages are looked at, notes written, alerts told, backups made, the broker and the daemon
begin again. After that the daemon is left running for the rest of the time, with everything else going on: what grows
is judged there. The figures go to standard output and to tests/faults/out/soak.json.
"""

import argparse
import json
import statistics
import sys
import tempfile
import time
import urllib.request
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from shed import Published, Shed, topic_of  # noqa: E402 - found by the line before

from brokers import NativeBroker, Options, _free_port  # noqa: E402
from mustwatch.cellar.instant import MINUTE_MS  # noqa: E402

OUT = HERE / "out"
LOTS = 12
READINGS_EVERY_S, PAGES_EVERY_S, SAMPLE_EVERY_S = 5.0, 4.0, 5.0
SETTLING = 0.35
"""The part of the time in which daemon and broker begin again and caches fill; what grows is judged in the rest."""
RESTARTS = 3
GROWTH_FROM_MINUTES = 10.0
PAGES = ("/", "/lot/lot-01", "/lot/lot-02?days=3", "/night", "/alerts", "/sensors", "/metrics", "/api/cellar")


@dataclass
class Sample:
    """What the daemon took at one instant."""

    at_s: float
    resident_mb: float
    descriptors: int
    threads: int
    log_bytes: int
    wal_mb: float


def sample(shed: Shed, began: float) -> Sample:
    """Return what the daemon takes now."""
    assert shed.daemon.process is not None
    of = Path(f"/proc/{shed.daemon.process.pid}")
    status = dict(line.split(":\t", 1) for line in (of / "status").read_text().splitlines() if ":\t" in line)
    wal = shed.daemon.store.with_name(shed.daemon.store.name + "-wal")
    return Sample(
        round(time.monotonic() - began, 1),
        round(int(status["VmRSS"].split()[0]) / 1024, 2),
        len(list((of / "fd").iterdir())),
        int(status["Threads"]),
        shed.daemon.log.stat().st_size,
        round(wal.stat().st_size / 2**20, 2) if wal.exists() else 0.0,
    )


class Soak:
    """The installation and what is done to it."""

    def __init__(self, folder: Path, minutes: float) -> None:
        """Set up broker and cellar."""
        self.ends_s = minutes * 60.0
        self.broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
        self.broker.start()
        self.shed = Shed(folder / "shed", self.broker.port, lots=LOTS, days=4.0)
        self.port = _free_port()
        config = self.shed.daemon.config
        config.write_text(config.read_text().replace("[web]\nenabled = false", f"[web]\nport = {self.port}"))
        self.did: dict[str, int] = dict.fromkeys(
            ("pages", "backups", "notes", "daemon starts", "broker starts"), 0
        )
        self.samples: list[Sample] = []

    def run(self) -> dict[str, Any]:
        """Do it all and return what came of it."""
        self._start()
        self.began = time.monotonic()
        for at in range(0, len(self.shed.messages), 200):
            self.broker.publish(*[(m.topic, m.payload) for m in self.shed.messages[at : at + 200]])
        due = dict.fromkeys((self._readings, self._page, self._sample), 0.0)
        every = {
            self._readings: READINGS_EVERY_S,
            self._page: PAGES_EVERY_S,
            self._sample: SAMPLE_EVERY_S,
            self._backup: max(20.0, self.ends_s / 24),
            self._note: max(10.0, self.ends_s / 60),
            self._warm: self.ends_s / (LOTS + 1),
            self._begin_again: self.ends_s * SETTLING / (RESTARTS + 1),
        }
        due |= {do: every[do] for do in every if do not in due}
        while (now_s := time.monotonic() - self.began) < self.ends_s:
            for do in [do for do, at_s in due.items() if at_s <= now_s]:
                do()
                due[do] = max(due[do] + every[do], now_s)
            time.sleep(0.2)
        self.shed.settle()
        code = self.shed.daemon.stop()
        return self._judged(code)

    def _start(self) -> None:
        self.shed.daemon.start(until=("pages at",))
        self.did["daemon starts"] += 1

    def _readings(self) -> None:
        at_ms = int(time.time() * 1000)
        self._send([self._published(n, at_ms + n, 19.0) for n in range(LOTS)])

    def _warm(self) -> None:
        """Give one more lot two warm hours, and somebody a message."""
        self.warmed = getattr(self, "warmed", -1) + 1
        at_ms = int(time.time() * 1000) - 500
        steps = range(12, -1, -1)
        if self.warmed < LOTS:
            self._send([self._published(self.warmed, at_ms - i * 10 * MINUTE_MS - 50, 36.0) for i in steps])

    def _published(self, number: int, at_ms: int, celsius: float) -> Published:
        records = [
            {"bt": at_ms / 1000, "n": "gravity", "u": "/", "v": 1.004},
            {"n": "temperature", "u": "Cel", "v": celsius},
        ]
        return Published(at_ms, topic_of(number), json.dumps(records).encode())

    def _send(self, made: list[Published]) -> None:
        self.shed.messages += made
        self.broker.publish(*[(m.topic, m.payload) for m in made])

    def _page(self) -> None:
        path = PAGES[self.did["pages"] % len(PAGES)]
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=60) as answer:
            answer.read()
        self.did["pages"] += 1

    def _backup(self) -> None:
        self.shed.daemon.done("backup")
        self.did["backups"] += 1

    def _note(self) -> None:
        self.did["notes"] += 1
        self.shed.daemon.done("record", "note", "lot-03", f"looked in, {self.did['notes']}")

    def _begin_again(self) -> None:
        if self.did["daemon starts"] > RESTARTS:
            return
        self.broker.restart()
        self.did["broker starts"] += 1
        self.shed.daemon.stop()
        self._start()

    def _sample(self) -> None:
        self.samples.append(sample(self.shed, self.began))

    def _judged(self, code: int) -> dict[str, Any]:
        """Compare the first and the last third of the stretch in which the daemon ran on."""
        calm = [s for s in self.samples if s.at_s > self.ends_s * (SETTLING + 0.05)]
        third = len(calm) // 3
        first, last = calm[:third], calm[-third:]
        grown = {
            name: round(
                statistics.median(getattr(s, name) for s in last)
                - statistics.median(getattr(s, name) for s in first),
                2,
            )
            for name in ("resident_mb", "descriptors", "threads", "wal_mb")
        }
        missing = {
            (m.topic.removeprefix("cellar/"), m.at_ms) for m in self.shed.messages
        } - self.shed.stored()
        return {
            "minutes": round(self.ends_s / 60, 1),
            "exit": code,
            "readings": len(self.shed.messages),
            "lost": len(missing),
            "messages": len(self.shed.endpoint.arrived),
            **{name.replace(" ", "_"): n for name, n in self.did.items()},
            "grown": grown,
            "at_most": {name: max(getattr(s, name) for s in self.samples) for name in grown},
            "log_bytes_an_hour": [
                round((part[-1].log_bytes - part[0].log_bytes) / (part[-1].at_s - part[0].at_s) * 3600)
                for part in (first, last)
            ],
            "samples": [asdict(s) for s in calm[:: max(1, len(calm) // 60)]],
        }

    def close(self) -> None:
        """End what still runs."""
        self.shed.close()
        self.broker.kill()


def soak(minutes: float, folder: Path) -> dict[str, Any]:
    """Keep it at work for so long and return the figures."""
    made = Soak(folder, minutes)
    try:
        return made.run()
    finally:
        made.close()


def main() -> int:
    """Run it; 0: nothing was lost and nothing grew."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=120.0)
    found = soak(parser.parse_args().minutes, Path(tempfile.mkdtemp(prefix="mustwatch-soak-")))
    OUT.mkdir(exist_ok=True)
    (OUT / "soak.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    print(json.dumps({name: value for name, value in found.items() if name != "samples"}, indent=1))
    return int(not is_flat(found))


def is_flat(found: dict[str, Any]) -> bool:
    """Say whether nothing was lost and nothing grew by more than what comes and goes.

    What grows is judged from ten minutes on: in less, caches still fill and one line is kilobytes of log an hour.
    """
    grown, (before, after) = found["grown"], found["log_bytes_an_hour"]
    if found["minutes"] < GROWTH_FROM_MINUTES:
        return bool(found["lost"] == found["exit"] == 0 and found["messages"] and found["notes"])
    return bool(
        found["lost"] == found["exit"] == 0
        and grown["resident_mb"] <= 4.0
        and grown["descriptors"] <= 3
        and grown["threads"] <= 2
        and grown["wal_mb"] <= 8.0
        and after <= before * 1.5 + 5_000
    )


if __name__ == "__main__":
    sys.exit(main())
