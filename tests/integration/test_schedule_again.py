"""The schedule outlives a store that cannot be written: what could not be begun is looked at again, and runs once."""

import sqlite3
import threading
from datetime import UTC, timedelta

import pytest

from daemons import wait_until
from mustwatch.app import schedule as schedule_module
from mustwatch.app.schedule import Job, Schedule


class FullAtFirst:
    """Keeps times, but for the first few attempts the card is full."""

    def __init__(self, failures: int) -> None:
        self.failures = failures
        self.times: dict[str, str] = {}

    def kept(self, name: str) -> str | None:
        return self.times.get(name)

    def keep(self, name: str, value: str) -> None:
        if self.failures:
            self.failures -= 1
            raise sqlite3.OperationalError("database or disk is full")
        self.times[name] = value


def test_a_job_that_could_not_be_begun_runs_once_the_card_has_room(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schedule_module, "AGAIN_AFTER", timedelta(seconds=0.2))
    ran: list[int] = []
    again = threading.Event()
    jobs = [Job("upkeep", ran.append, every=timedelta(hours=1))]
    schedule = Schedule(jobs, FullAtFirst(3), UTC, lambda: 1_788_220_800_000)
    schedule.start()
    try:
        wait_until(lambda: ran, 10, "the job run in the end")
        again.wait(0.6)
    finally:
        schedule.stop()

    assert ran == [1_788_220_800_000]


def test_a_job_that_fails_does_not_keep_the_others_from_running() -> None:
    ran: list[str] = []

    def fail(due_ms: int) -> None:
        ran.append("first")
        raise ValueError("a bug")

    jobs = [
        Job("first", fail, every=timedelta(hours=1)),
        Job("second", lambda due: ran.append("second"), every=timedelta(hours=1)),
    ]
    schedule = Schedule(jobs, FullAtFirst(0), UTC, lambda: 1_788_220_800_000)
    schedule.start()
    try:
        wait_until(lambda: "second" in ran, 10, "the second job run")
    finally:
        schedule.stop()

    assert ran.count("first") == 1
