"""An outbox on disk and its worker, as the daemon has them, for tests that tell real endpoints."""

import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from endpoints import wait_until
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerting.rules import TellTarget
from mustwatch.cellar.instant import DAY_MS
from mustwatch.deliver.apprise_deliverer import AppriseDeliverer
from mustwatch.deliver.deliverer import Deliverer, Picture, TellAddress
from mustwatch.deliver.lane import Pace
from mustwatch.deliver.worker import OutboxWorker
from mustwatch.store.store import Store
from mustwatch.watch.finding import Severity
from mustwatch.watch.findings.delivery_trouble import Troubles

QUICK = Pace(first_wait_s=0.05, longest_wait_s=0.2, trouble_after_s=0.4, idle_s=0.1)
"""A patience for tests: the same rules, in tenths of a second."""


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def message(title: str, target: str = "phone", order: int = 0) -> Message:
    created_ms = now_ms()
    return Message(
        id=f"{target}-{title}",
        target=target,
        kind=MessageKind.FIRST,
        alert_ids=(),
        severity=Severity.WARNING,
        title=title,
        body=f"about {title}",
        created_ms=created_ms,
        due_ms=created_ms,
        expires_ms=created_ms + 7 * DAY_MS,
        order=order,
    )


class Sender:
    """An outbox on disk and its worker, which can be stopped and started like the daemon."""

    def __init__(self, path: Path) -> None:
        self.store = Store(path, now_ms())
        self.addresses: list[TellAddress] = []
        self.deliverer: Deliverer = AppriseDeliverer()
        self.rouse: Callable[[TellAddress], None] = lambda _: None
        self.pictures: Callable[[Message], Sequence[Picture]] = lambda _: ()
        self.troubles: list[Troubles] = []
        self.worker: OutboxWorker | None = None

    def to(self, name: str, url: str) -> "Sender":
        self.addresses.append(TellAddress(TellTarget(name), url))
        return self

    def put(self, *messages: Message) -> None:
        with self.store.transaction():
            self.store.outbox.put(messages)
        if self.worker is not None:
            self.worker.wake()

    def start(self, pace: Pace = QUICK) -> None:
        self.worker = OutboxWorker(
            self.store.outbox,
            self.deliverer,
            self.addresses,
            now_ms,
            rouse=self.rouse,
            pictures=self.pictures,
            on_trouble=lambda troubles: self.troubles.append(dict(troubles)),
            pace=pace,
        )
        self.worker.start()

    def stop(self) -> None:
        if self.worker is not None:
            self.worker.stop()

    def wait_until_empty(self) -> None:
        wait_until(lambda: not self.store.outbox.waiting(), f"an empty outbox: {self.store.outbox.waiting()}")


@pytest.fixture
def sender(tmp_path: Path) -> Iterator[Sender]:
    """An outbox nobody is told from yet."""
    made = Sender(tmp_path / "cellar.db")
    yield made
    made.stop()
    made.store.close()
