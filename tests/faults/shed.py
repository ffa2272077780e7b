"""A whole installation under test: invented lots with floats, a real broker, the real daemon, a real endpoint.

What must come out is known beforehand: every reading once, and for every alert that a faultless run comes to, the
messages that it comes to, each told once. ``judge`` counts what differs.
"""

import json
import math
import random
import sqlite3
import sys
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parent.parent))

from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.alerting.message import Message
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.config.plan import CellarPlan, note_places, plan_of
from mustwatch.config.settings import Settings
from mustwatch.deliver.parcel import MAY_BE_A_REPEAT
from mustwatch.evaluation.live import Evaluation
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.intake import Decoded, Intake
from mustwatch.store.store import Store

PATIENCE_S = 90.0


class Published(NamedTuple):
    """A message as a float sends it: it carries its own time."""

    at_ms: int
    topic: str
    payload: bytes


@dataclass
class Row:
    """One row of the table: what was tried, how often, and what came of it. None: does not apply."""

    fault: str
    tried: int = 0
    lost: int | None = 0
    told_twice: int | None = 0
    repeated: int = 0
    readings: int = 0
    messages: int = 0
    notes: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def failed(self) -> bool:
        """Say whether anything was lost or told twice."""
        return bool(self.lost) or bool(self.told_twice)


def gravity_at(days: float, rate: float) -> float:
    """Return an invented wine's gravity: from 1.050 to 0.995."""
    return 0.995 + 0.055 / (1.0 + math.exp(1.6 * rate * (days - 3.2 / rate)))


def float_messages(number: int, begins_ms: int, days: float, every_min: int) -> list[Published]:
    """Return a float's messages: a ferment of its own pace, every other one with a warm spell."""
    dice = random.Random(number)
    rate = dice.uniform(0.9, 1.2)
    warm_from = dice.uniform(1.0, 5.0)
    found = []
    for step in range(int(days * DAY_MS / (every_min * MINUTE_MS))):
        at_ms = begins_ms + step * every_min * MINUTE_MS + number * 1000
        day = (at_ms - begins_ms) / DAY_MS
        is_warm = number % 2 == 0 and warm_from < day < warm_from + 0.6
        celsius = (29.0 if is_warm else 19.0) + dice.uniform(-0.2, 0.2)
        gravity = gravity_at(day, rate) + dice.uniform(-0.0006, 0.0006)
        records = [
            {"bt": at_ms / 1000, "n": "gravity", "u": "/", "v": round(gravity, 4)},
            {"n": "temperature", "u": "Cel", "v": round(celsius, 2)},
        ]
        found.append(Published(at_ms, topic_of(number), json.dumps(records).encode()))
    return found


def topic_of(number: int) -> str:
    """Return a float's topic."""
    return f"cellar/float-{number:02d}"


class Shed:
    """The installation, in a folder of its own."""

    def __init__(
        self,
        folder: Path,
        port: int,
        *,
        host: str = "127.0.0.1",
        lots: int = 4,
        days: float = 9.0,
        every_min: int = 15,
        extra: str = "",
        endpoints: int = 1,
        store: Path | None = None,
    ) -> None:
        """Write the configuration and the book; nothing runs yet but the endpoints."""
        folder.mkdir(parents=True, exist_ok=True)
        self.lots = lots
        self.begins_ms = int(time.time() * 1000) // MINUTE_MS * MINUTE_MS - int(days * DAY_MS) - HOUR_MS
        self.endpoints = [HttpEndpoint() for _ in range(endpoints)]
        for endpoint in self.endpoints:
            endpoint.listen()
        self.daemon = Daemon(folder, self._toml(host, port, extra))
        if store is not None:
            config = self.daemon.config.read_text().replace(str(self.daemon.store), str(store))
            self.daemon.config.write_text(config)
            self.daemon.store = store
        floats = [float_messages(n, self.begins_ms, days, every_min) for n in range(lots)]
        self.messages: list[Published] = sorted(m for of in floats for m in of)
        self._begin(self.daemon.store)

    @property
    def endpoint(self) -> HttpEndpoint:
        """Return the (first) endpoint."""
        return self.endpoints[0]

    def _toml(self, host: str, port: int, extra: str) -> str:
        lines = [
            f'[cellar]\nname = "shed"\nbacklog_hours = 100000\n[mqtt]\nhost = "{host}"\nport = {port}',
            "keepalive_seconds = 5\nreconnect_most_seconds = 1\n[web]\nenabled = false",
            extra,
        ]
        for number, endpoint in enumerate(self.endpoints):
            lines.append(f'[[tell]]\nname = "phone-{number}"\nurl = "{endpoint.url}"\nquiet_hours = ""')
        for number in range(self.lots):
            lines.append(f'[[vessel]]\nname = "vessel-{number:02d}"\nkind = "bucket"\nlitres = 25')
            lines.append(
                f'[[sensor]]\nid = "float-{number:02d}"\nkind = "float"\nvessel = "vessel-{number:02d}"\n'
                f'topic = "{topic_of(number)}"\ndecoder = "senml"\nsilent_after = 864000'
            )
        return "\n".join(lines) + "\n"

    def settings(self) -> Settings:
        """Return the configuration as the daemon reads it."""
        import tomllib

        return Settings(**tomllib.loads(self.daemon.config.read_text()))

    def plan(self) -> CellarPlan:
        """Return what the daemon makes of the configuration."""
        return plan_of(self.settings())

    def _begin(self, path: Path) -> None:
        """Write the book: each lot begins in its vessel."""
        store = Store(path, self.begins_ms)
        note_places(store, self.plan(), self.begins_ms)
        for number in range(self.lots):
            at_ms = self.begins_ms - HOUR_MS
            start = Start(f"vessel-{number:02d}", gravity=1.050, temperature_c=19.0)
            store.book.append(Entry(f"start-{number}", f"lot-{number:02d}", at_ms, at_ms, start))
        store.close()

    # --- judging -------------------------------------------------------------------------------------------

    def stored(self) -> set[tuple[str, int]]:
        """Return the readings in the store, as (sensor, instant)."""
        with closing(
            sqlite3.connect(f"file:{self.daemon.store}?mode=ro", uri=True, timeout=20)
        ) as connection:
            return set(connection.execute("SELECT id, observed_ms FROM reading JOIN sensor ON key=sensor"))

    def published(self) -> set[tuple[str, int]]:
        """Return the readings that were published, as (sensor, instant)."""
        return {(m.topic.removeprefix("cellar/"), m.at_ms) for m in self.messages}

    def count(self) -> int:
        """Return how many readings are in the store."""
        with closing(
            sqlite3.connect(f"file:{self.daemon.store}?mode=ro", uri=True, timeout=20)
        ) as connection:
            return int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])

    def has(self, wanted: int) -> bool:
        """Say whether so many readings are in the store."""
        return self.count() >= wanted

    def settle(self) -> None:
        """Wait until every reading is stored and every message told."""
        wait_until(
            lambda: self.count() >= len(self.messages),
            PATIENCE_S,
            f"all {len(self.messages)} readings stored",
        )
        wait_until(
            lambda: self.waiting() == 0, PATIENCE_S, f"nothing waiting in the outbox: {self.waiting()}"
        )

    def waiting(self) -> int:
        """Return how many messages wait to be told."""
        return self._one("SELECT count(*) FROM outbox WHERE told_ms IS NULL AND expired_ms IS NULL")

    def _one(self, sql: str) -> int:
        with closing(
            sqlite3.connect(f"file:{self.daemon.store}?mode=ro", uri=True, timeout=20)
        ) as connection:
            return int(connection.execute(sql).fetchone()[0])

    def outbox(self) -> list[Message]:
        """Return every message that was ever put in the outbox."""
        with closing(
            sqlite3.connect(f"file:{self.daemon.store}?mode=ro", uri=True, timeout=20)
        ) as connection:
            rows = connection.execute("SELECT body FROM outbox ORDER BY seq").fetchall()
        return [Message.from_json(json.loads(row[0])) for row in rows]

    def judge(self, row: Row) -> None:
        """Add to a row what is missing and what was told twice."""
        assert row.lost is not None
        assert row.told_twice is not None
        published = self.published()
        row.readings += len(published)
        missing = published - self.stored()
        row.lost += len(missing)
        if missing:
            row.notes.append(f"readings missing: {sorted(missing)[:3]}")
        self._judge_telling(row)
        self._judge_conclusions(row)

    def _judge_telling(self, row: Row) -> None:
        """Match what arrived against the outbox: each message once, or again only if it says so."""
        assert row.lost is not None
        assert row.told_twice is not None
        by_target: dict[str, list[Message]] = {}
        row.messages += len(self.outbox())
        for message in self.outbox():
            by_target.setdefault(message.target, []).append(message)
        for number, endpoint in enumerate(self.endpoints):
            plain: Counter[tuple[str, str]] = Counter()
            repeats: Counter[tuple[str, str]] = Counter()
            for arrived in list(endpoint.arrived):
                is_repeat = MAY_BE_A_REPEAT in arrived.message
                (repeats if is_repeat else plain)[arrived.title, _without_remarks(arrived.message)] += 1
            for message in by_target.get(f"phone-{number}", []):
                key = (message.title, message.body.strip())
                if not plain[key] + repeats[key]:
                    row.lost += 1
                    row.notes.append(f"never told: {message.title}")
                row.told_twice += max(0, plain[key] - 1)
                row.repeated += repeats[key] if plain[key] else max(0, repeats[key] - 1)
                if plain[key] > 1:
                    row.notes.append(f"told {plain[key]} times: {message.title}")

    def _judge_conclusions(self, row: Row) -> None:
        """Compare the alerts with those of a run without faults."""
        assert row.lost is not None
        assert row.told_twice is not None
        expected, found = reference_alerts(self.plan(), self.messages, self), self.alerts(self.daemon.store)
        row.lost += sum((expected - found).values())
        row.told_twice += sum((found - expected).values())
        for name, difference in (("alert missing", expected - found), ("alert too many", found - expected)):
            row.notes += [f"{name}: {key}" for key in list(difference)[:3]]

    @staticmethod
    def alerts(path: Path) -> Counter[tuple[str, str | None]]:
        """Return how many alerts of each kind there are for each lot; what is about the daemon itself left out."""
        store = Store(path, int(time.time() * 1000))
        found = [a for a in store.alerts.recent(-(2**62)) if a.subject.lot is not None and not a.is_withdrawn]
        store.close()
        return Counter((a.kind.name, a.subject.lot) for a in found)

    def close(self) -> None:
        """End everything that still runs."""
        if self.daemon.process is not None and self.daemon.process.poll() is None:
            self.daemon.kill()
        for endpoint in self.endpoints:
            endpoint.refuse()


def _without_remarks(text: str) -> str:
    return text.split(f"\n{MAY_BE_A_REPEAT}")[0].split("\nThis is ")[0].strip()


def reference_alerts(
    plan: CellarPlan, messages: Sequence[Published], shed: Shed
) -> Counter[tuple[str, str | None]]:
    """Return the alerts that the same readings come to without any fault."""
    path = shed.daemon.folder / "reference.db"
    for old in path.parent.glob("reference.db*"):
        old.unlink()
    shed._begin(path)
    store = Store(path, shed.begins_ms)
    intake = Intake(plan.sensors.values())
    evaluation = Evaluation(store, plan, shed.begins_ms)
    evaluation.read_book()
    now_ms = int(time.time() * 1000)
    for message in sorted(messages):
        taken = intake.take(
            Arrival(message.topic, message.payload, now_ms, payload_bytes=len(message.payload))
        )
        assert isinstance(taken, Decoded)
        for reading in taken.readings:
            evaluation.take(reading)
    evaluation.advance(now_ms)
    evaluation.settle(now_ms)
    store.close()
    return Shed.alerts(path)
