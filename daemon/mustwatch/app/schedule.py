"""The timed jobs: morning review, backup, retention and other upkeep, on APScheduler.

APScheduler wakes us; whether a job is really due is decided from what the store says was done last. So a
machine that slept, a restart, or a clock that jumped in either direction gives each job at most one run for
each time it was due, never a burst, and none is forgotten: what was missed is swept up once at start and after
a jump. Alerts never depend on this module.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from typing import Any, Protocol

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.date import DateTrigger
from apscheduler.triggers.interval import IntervalTrigger

from mustwatch.cellar.instant import from_ms, to_ms
from mustwatch.store.whole import number

log = logging.getLogger(__name__)


AGAIN_AFTER = timedelta(minutes=5)
"""When a job could not even be begun (the store could not be written), it is looked at again after this."""


SWEEP_EVERY_S = 900
"""Whatever APScheduler's own plan missed is looked for this often."""


class DoneTimes(Protocol):
    """Where the instants up to which jobs were done are kept."""

    def kept(self, name: str) -> str | None:
        """Return a kept value."""

    def keep(self, name: str, value: str) -> None:
        """Keep a value."""


@dataclass(frozen=True, slots=True)
class Job:
    """One timed job.

    Attributes:
        id: stable, under it the last time is kept.
        run: called with the instant it was due; runs in a thread of its own.
        at: local time of day, for a daily job; else None.
        every: interval, for a job that is not daily; else None.
        stale_after: when the due time is longer ago than this, the job is passed over (a morning review at
            night is of no use); None: run however late.
    """

    id: str
    run: Callable[[int], None]
    at: time | None = None
    every: timedelta | None = None
    stale_after: timedelta | None = None


def last_due_ms(at: time, now_ms: int, zone: tzinfo) -> int:
    """Return the newest instant at or before now at which the wall clock in a zone showed a time of day.

    A time that the clock skips (spring) counts as the instant of the skip; one it shows twice (autumn), the first.
    """
    local = from_ms(now_ms).astimezone(zone)
    for days in (0, 1):
        day = (local - timedelta(days=days)).date()
        due = to_ms(datetime.combine(day, at, zone))
        if due <= now_ms:
            return due
    raise AssertionError("a time of day was shown within the last two days")


def due_ms(job: Job, now_ms: int, done_ms: int | None, zone: tzinfo) -> int | None:
    """Return the instant for which a job is due now, or None.

    Args:
        job: which.
        now_ms: the present.
        done_ms: the due instant the job was last run (or passed over) for; None: never.
        zone: of the wall clock.
    """
    if job.at is not None:
        due = last_due_ms(job.at, now_ms, zone)
        return due if done_ms is None or done_ms < due else None
    assert job.every is not None  # noqa: S101 - a job has one or the other
    if done_ms is None or done_ms > now_ms or now_ms - done_ms >= job.every / timedelta(milliseconds=1):
        return now_ms
    return None


class Schedule:
    """Runs jobs when they are due."""

    def __init__(self, jobs: Sequence[Job], done: DoneTimes, zone: tzinfo, now_ms: Callable[[], int]) -> None:
        """Set up; nothing runs before ``start``."""
        self._jobs = {job.id: job for job in jobs}
        self._done = done
        self._zone = zone
        self._now_ms = now_ms
        self._running = threading.Lock()
        self._scheduler = BackgroundScheduler(
            timezone=zone,
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self._scheduler.add_listener(
            self._heard, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES
        )

    def start(self, *, first_time_ms: int | None = None, sweeps: bool = True) -> None:
        """Begin; what was missed while nothing ran is done once, in order.

        Args:
            first_time_ms: a store that is new counts daily jobs as done up to here, rather than doing them at once.
            sweeps: do what was missed at once; else when ``sweep_soon`` asks for it.
        """
        if first_time_ms is not None:
            for job in self._jobs.values():
                if job.at is not None and self._done.kept(f"job:{job.id}") is None:
                    self._done.keep(f"job:{job.id}", str(first_time_ms))
        for job in self._jobs.values():
            self._scheduler.add_job(
                self.run_if_due, self._trigger(job), args=[job.id], id=job.id, replace_existing=True
            )
        self._scheduler.add_job(
            self.sweep, IntervalTrigger(seconds=SWEEP_EVERY_S), id="sweep", replace_existing=True
        )
        self._scheduler.start()
        if sweeps:
            self.sweep_soon()

    def _trigger(self, job: Job) -> Any:
        if job.at is not None:
            return CronTrigger(
                hour=job.at.hour, minute=job.at.minute, second=job.at.second, timezone=self._zone
            )
        assert job.every is not None  # noqa: S101
        return IntervalTrigger(seconds=int(job.every.total_seconds()), timezone=self._zone)

    def clock_jumped(self) -> None:
        """Plan anew after the clock was set: APScheduler goes on by its old plan otherwise.

        It is paused meanwhile: woken by the first job planned anew, it would count through every hour that the
        others missed since the clock's former time, which after decades takes it seconds.
        """
        self._scheduler.pause()
        for job in self._jobs.values():
            self._scheduler.reschedule_job(job.id, trigger=self._trigger(job))
        self._scheduler.resume()
        self.sweep_soon()

    def sweep_soon(self) -> None:
        """Run whatever is due, in the scheduler's thread."""
        self._scheduler.modify_job("sweep", next_run_time=datetime.now(self._zone))

    def sweep(self) -> None:
        """Run each job that is due, once."""
        for job_id in self._jobs:
            try:
                self.run_if_due(job_id)
            except Exception:
                log.exception("job failed job=%s", job_id)
                self._sweep_later()

    def _sweep_later(self) -> None:
        if self._scheduler.running:
            self._scheduler.add_job(
                self.sweep,
                DateTrigger(datetime.now(self._zone) + AGAIN_AFTER),
                id="sweep-later",
                replace_existing=True,
            )

    def run_if_due(self, job_id: str) -> bool:
        """Run one job if the store says it is due; return whether it ran.

        The job counts as done before it runs: one that kills the process must not kill it again at each start.
        """
        job = self._jobs[job_id]
        with self._running:
            now_ms = self._now_ms()
            kept = self._done.kept(f"job:{job_id}")
            due = due_ms(job, now_ms, number(kept), self._zone)
            if due is None:
                return False
            self._done.keep(f"job:{job_id}", str(due))
            if job.stale_after is not None and now_ms - due > job.stale_after / timedelta(milliseconds=1):
                log.info("job passed over, too late for it job=%s due=%s", job_id, from_ms(due).isoformat())
                return False
            job.run(due)
            return True

    def _heard(self, event: Any) -> None:
        if getattr(event, "exception", None) is not None:
            log.error("job failed job=%s", event.job_id, exc_info=event.exception)
            self._sweep_later()
        else:
            log.warning("job late or still running job=%s", event.job_id)

    def stop(self) -> None:
        """Stop; a job that is running is waited for."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)
