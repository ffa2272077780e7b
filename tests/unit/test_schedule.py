"""When timed jobs are due: sleeping machines, jumping clocks, daylight saving."""

import queue
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from mustwatch.app.schedule import Job, Schedule, due_ms, last_due_ms
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, to_ms

VIENNA = ZoneInfo("Europe/Vienna")


def at(text: str) -> int:
    """Return an instant in Vienna's winter or summer time as milliseconds."""
    return to_ms(datetime.fromisoformat(text).replace(tzinfo=VIENNA))


class Memory:
    """A store of done times."""

    def __init__(self) -> None:
        self.values: dict[str, str] = {}

    def kept(self, name: str) -> str | None:
        return self.values.get(name)

    def keep(self, name: str, value: str) -> None:
        self.values[name] = value


class Clock:
    """A clock that is set by hand."""

    def __init__(self, now: int) -> None:
        self.now = now

    def __call__(self) -> int:
        return self.now


def daily(ran: list[int], stale_after: timedelta | None = None) -> Job:
    return Job("review", ran.append, at=time(9, 0), stale_after=stale_after)


def test_a_daily_job_is_due_once_after_its_time_of_day() -> None:
    ran: list[int] = []
    clock = Clock(at("2026-09-01T09:00"))
    schedule = Schedule([daily(ran)], Memory(), VIENNA, clock)

    assert schedule.run_if_due("review")
    assert not schedule.run_if_due("review")
    assert ran == [at("2026-09-01T09:00")]


def test_a_machine_that_slept_for_a_week_runs_a_daily_job_once_not_seven_times() -> None:
    ran: list[int] = []
    memory = Memory()
    clock = Clock(at("2026-09-01T09:00"))
    schedule = Schedule([daily(ran)], memory, VIENNA, clock)
    schedule.run_if_due("review")

    clock.now += 7 * DAY_MS + HOUR_MS
    runs = [schedule.run_if_due("review") for _ in range(10)]

    assert runs == [True] + [False] * 9
    assert ran[-1] == at("2026-09-08T09:00")


def test_a_clock_set_back_does_not_run_a_job_again() -> None:
    ran: list[int] = []
    clock = Clock(at("2026-09-01T09:30"))
    schedule = Schedule([daily(ran)], Memory(), VIENNA, clock)
    schedule.run_if_due("review")

    clock.now = at("2026-09-01T08:30")
    assert not schedule.run_if_due("review")
    clock.now = at("2026-09-01T09:05")
    assert not schedule.run_if_due("review")
    assert len(ran) == 1


def test_a_clock_set_forward_by_a_day_runs_the_missed_job_once() -> None:
    ran: list[int] = []
    clock = Clock(at("2026-09-01T09:30"))
    schedule = Schedule([daily(ran)], Memory(), VIENNA, clock)
    schedule.run_if_due("review")

    clock.now += DAY_MS
    assert schedule.run_if_due("review")
    assert not schedule.run_if_due("review")


def test_a_job_that_is_useless_late_is_passed_over_and_not_kept_for_later() -> None:
    ran: list[int] = []
    clock = Clock(at("2026-09-01T18:00"))
    schedule = Schedule([daily(ran, timedelta(hours=6))], Memory(), VIENNA, clock)

    assert not schedule.run_if_due("review")
    clock.now = at("2026-09-02T09:01")
    assert schedule.run_if_due("review")
    assert ran == [at("2026-09-02T09:00")]


def test_a_new_store_does_not_run_daily_jobs_at_once() -> None:
    ran: list[int] = []
    memory = Memory()
    clock = Clock(at("2026-09-01T12:00"))
    schedule = Schedule([daily(ran)], memory, VIENNA, clock)

    schedule.start(first_time_ms=clock.now)
    schedule.stop()

    assert ran == []


def test_start_sweeps_up_what_was_missed_while_nothing_ran() -> None:
    ran: queue.Queue[int] = queue.Queue()
    memory = Memory()
    memory.keep("job:review", str(at("2026-08-30T09:00")))
    clock = Clock(at("2026-09-01T12:00"))
    schedule = Schedule([Job("review", ran.put, at=time(9, 0))], memory, VIENNA, clock)

    schedule.start()
    first = ran.get(timeout=10)
    schedule.stop()

    assert first == at("2026-09-01T09:00")
    assert ran.empty()


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        # 02:30 does not exist on the night of 2026-03-29 (EU rule: last Sunday of March, 02:00 -> 03:00).
        ("2026-03-29T01:30:00+00:00", "2026-03-29T01:30:00+00:00"),
        # 02:30 happens twice on 2026-10-25; the first counts, so that the job does not run twice.
        ("2026-10-25T00:45:00+00:00", "2026-10-25T00:30:00+00:00"),
        ("2026-10-25T01:45:00+00:00", "2026-10-25T00:30:00+00:00"),
        ("2026-10-25T12:00:00+00:00", "2026-10-25T00:30:00+00:00"),
    ],
)
def test_daylight_saving_gives_one_due_instant_a_day(now: str, expected: str) -> None:
    due = last_due_ms(time(2, 30), to_ms(datetime.fromisoformat(now)), VIENNA)

    assert due == to_ms(datetime.fromisoformat(expected))


def test_an_interval_job_after_a_clock_set_back_fifty_years_goes_on() -> None:
    job = Job("upkeep", lambda _: None, every=timedelta(hours=1))
    then = to_ms(datetime(2026, 9, 1, tzinfo=UTC))

    assert due_ms(job, then - 50 * 365 * DAY_MS, then, UTC) == then - 50 * 365 * DAY_MS
