"""What the mirror makes of a server's answers: what is passing, what is told once, and that nothing is ever lost."""

import itertools
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cellars import T0, new_store, readings
from daemons import wait_until
from mustwatch.cellar.instant import DAY_MS
from mustwatch.store.mirror import CLOSED_MOST_S, PASSING_MOST_S, REFUSED_AGAIN_S, Mirror
from mustwatch.store.mirror_influx import Whose
from mustwatch.store.mirror_lines import Lines
from mustwatch.store.mirror_marker import Standing
from mustwatch.store.mirror_troubles import Told
from mustwatch.store.mirror_verdict import ServerError, Verdict, verdict_of

Answer = Callable[[list[str]], None]


class Server:
    """Remembers the lines it took; how it answers is set by each test."""

    shown = "there"

    def __init__(self) -> None:
        self.lines: set[str] = set()
        self.writes = 0
        self.answer: Answer = lambda lines: None
        self.marks: Answer = lambda lines: None

    def write(self, body: bytes) -> None:
        lines = body.decode().splitlines()
        if lines[0].startswith("mirror,"):  # what is about the points answers to the points
            self.marks(lines)
            return
        self.writes += 1
        self.answer(lines)
        self.lines.update(lines)

    def standing(self, whose: Whose) -> Standing:
        return Standing(None, None, "cannot be asked")

    def count_readings(self, whose: Whose, from_ms: int, until_ms: int) -> int:
        raise AssertionError("what cannot be asked is not asked")

    def close(self) -> None:
        return


class Bench:
    """A store with a mirror to a server in memory, and clocks by hand."""

    def __init__(self, folder: Path) -> None:
        self.server = Server()
        self.now_ms = T0 + DAY_MS
        self.mono_s = 0.0
        self.told: list[Told] = []
        self.store = new_store(folder / "c.db")
        self.mirror = self.make()

    def make(self) -> Mirror:
        return Mirror(
            self.store,
            self.server,
            Lines("home", "shed"),
            "there",
            {"float": "float"},
            clock_ms=lambda: self.now_ms,
            mono_s=lambda: self.mono_s,
            on_trouble=self.told.append,
        )

    def turns(self, count: int) -> list[float]:
        waits = []
        for _ in range(count):
            waits.append(self.mirror.turn())
            self.mono_s += waits[-1]
        return waits

    def readings_there(self) -> int:
        return len({line.rsplit(" ", 1)[1] for line in self.server.lines if line.startswith("reading,")})


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.store.close()


def failing(verdict: Verdict, text: str = "answers badly", retry_after_s: float | None = None) -> Answer:
    def answer(_: list[str]) -> None:
        raise ServerError(verdict, text, retry_after_s)

    return answer


# Source: InfluxDB OSS v2 API reference, "Write data", status codes; RFC 9110 for the rest.
@pytest.mark.parametrize(
    ("status", "message", "verdict"),
    [
        (400, "unable to parse", Verdict.REFUSED),
        (422, "field type conflict", Verdict.REFUSED),
        (422, "partial write: dropped 3 points outside retention policy of duration 720h", Verdict.TOO_OLD),
        (401, "unauthorized access", Verdict.CLOSED),
        (403, "forbidden", Verdict.CLOSED),
        (404, "bucket not found", Verdict.CLOSED),
        (413, "too large", Verdict.TOO_LARGE),
        (429, "too many requests", Verdict.PASSING),
        (500, "internal error", Verdict.PASSING),
        (503, "unavailable", Verdict.PASSING),
        (0, "", Verdict.PASSING),
    ],
)
def test_a_status_means_one_thing(status: int, message: str, verdict: Verdict) -> None:
    assert verdict_of(status, message) is verdict


def test_a_server_that_is_away_is_tried_ever_more_rarely_and_told_within_an_hour(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    bench.server.answer = failing(Verdict.PASSING, "cannot be reached")
    waits = bench.turns(8)
    assert waits == sorted(waits)
    assert bench.told == []

    while not bench.told:
        assert bench.turns(1)[0] <= PASSING_MOST_S
    assert bench.mono_s <= 3600
    while bench.mono_s < 3 * 86_400:
        bench.turns(1)
    assert len(bench.told) == 1, "told once, not every day"

    bench.server.answer = lambda lines: None
    bench.turns(3)
    assert bench.readings_there() == 96
    assert bench.told[1:] == [None]


def test_a_server_that_is_now_full_now_closed_is_told_within_an_hour_all_the_same(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    verdicts = itertools.cycle([Verdict.PASSING, Verdict.CLOSED])
    bench.server.answer = lambda lines: failing(next(verdicts))(lines)
    while not bench.told:
        bench.turns(1)

    assert bench.mono_s <= 3600


def test_a_server_asking_to_be_left_alone_is_left_alone_for_so_long(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    bench.server.answer = failing(Verdict.PASSING, "answers 429", retry_after_s=120.0)

    assert bench.turns(1) == [120.0]


def test_a_server_that_will_have_nothing_from_us_is_told_once_and_loses_nothing(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    bench.server.answer = failing(Verdict.CLOSED, "answers 401 Unauthorized: the token is not accepted")
    waits = bench.turns(20)

    assert waits[-1] == CLOSED_MOST_S
    assert [told and told[0] for told in bench.told] == [
        "there answers 401 Unauthorized: the token is not accepted"
    ]
    assert bench.mirror.status.depth >= 96
    bench.server.answer = lambda lines: None
    bench.turns(3)
    assert bench.readings_there() == 96
    assert bench.told[-1] is None


def test_one_bad_point_is_set_aside_and_all_others_go_on(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    bad = str((T0 + 12 * 900_000) * 1_000_000)

    def answer(lines: list[str]) -> None:
        if any(line.endswith(bad) and line.startswith("reading,") for line in lines):
            raise ServerError(Verdict.REFUSED, "answers 422: field type conflict")

    bench.server.answer = answer
    bench.turns(3)

    assert bench.readings_there() == 95
    assert bench.mirror.status.refused == 1
    assert bench.server.writes < 40
    assert [told and told[0] for told in bench.told] == ["1 points are refused by there and set aside"]


def test_what_was_refused_is_tried_again_once_a_day_and_sent_when_it_is_taken(bench: Bench) -> None:
    test_one_bad_point_is_set_aside_and_all_others_go_on(bench)
    writes = bench.server.writes
    bench.mono_s += REFUSED_AGAIN_S / 2
    bench.turns(1)
    assert bench.server.writes == writes
    bench.mono_s += REFUSED_AGAIN_S / 2
    bench.turns(1)
    assert bench.server.writes == writes + 1
    assert bench.mirror.status.refused == 1

    bench.server.answer = lambda lines: None
    bench.mono_s += REFUSED_AGAIN_S
    bench.turns(3)
    assert bench.readings_there() == 96
    assert bench.mirror.status.refused == 0
    assert bench.told[-1] is None


def test_a_server_that_refuses_every_series_is_waited_for_rather_than_everything_set_aside(
    bench: Bench,
) -> None:
    bench.store.readings.add(readings(1.0))
    bench.server.answer = failing(Verdict.REFUSED, "answers 422: explicit schema")
    bench.turns(5)

    assert bench.mirror.status.refused == 0
    assert len(bench.told) == 1
    bench.server.answer = lambda lines: None
    bench.turns(3)
    assert bench.readings_there() == 96


def test_a_server_that_will_have_no_marker_is_sent_the_points(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    bench.server.marks = failing(Verdict.REFUSED, "answers 422: explicit schema")
    waits = bench.turns(5)

    assert bench.readings_there() == 96
    assert waits[-1] > 1.0, "it is not tried over and over"


def test_a_batch_that_is_too_large_is_sent_in_parts(bench: Bench) -> None:
    bench.store.readings.add(readings(8.0, every_min=1))
    bench.now_ms = T0 + 9 * DAY_MS

    def answer(lines: list[str]) -> None:
        if len(lines) > 300:
            raise ServerError(Verdict.TOO_LARGE, "answers 413")

    bench.server.answer = answer
    bench.turns(6)

    assert bench.readings_there() == 8 * 1440
    assert bench.mirror.status.refused == 0


def test_points_older_than_the_bucket_keeps_count_as_sent(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    bench.server.answer = failing(Verdict.TOO_OLD, "answers 422: outside retention policy")
    bench.turns(2)

    assert bench.mirror.status.depth == 0
    assert bench.told in ([], [None])


def test_a_crash_between_the_servers_taking_and_the_note_of_it_sends_the_same_points_again(
    bench: Bench,
) -> None:
    bench.store.readings.add(readings(1.0))

    def answer(lines: list[str]) -> None:
        bench.server.lines.update(lines)
        raise KeyboardInterrupt

    bench.server.answer = answer
    with pytest.raises(KeyboardInterrupt):
        bench.mirror.turn()
    taken = set(bench.server.lines)
    bench.server.answer = lambda lines: None
    bench.mirror = bench.make()
    bench.turns(3)

    assert bench.server.lines == taken
    assert bench.readings_there() == 96


def test_a_reading_written_while_its_minute_is_on_its_way_is_not_passed_over(bench: Bench) -> None:
    given = readings(1.0)
    bench.store.readings.add(given[::2])

    def answer(_: list[str]) -> None:
        bench.server.answer = lambda lines: None
        bench.store.readings.add(given[1::2])

    bench.server.answer = answer
    bench.turns(4)

    assert bench.readings_there() == 96


def test_another_destination_is_sent_everything_from_the_start(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    bench.turns(2)
    bench.server.lines.clear()
    other = Mirror(
        bench.store,
        bench.server,
        Lines("home", "shed"),
        "elsewhere",
        {"float": "float"},
        clock_ms=lambda: bench.now_ms,
        mono_s=lambda: bench.mono_s,
    )
    other.turn()

    assert bench.readings_there() == 96


def test_a_reading_that_comes_in_time_is_written_once_not_twice(bench: Bench) -> None:
    """The spool is the readings' own table: only what comes late is noted besides."""
    bench.turns(1)
    bench.now_ms = T0
    for reading in readings(1.0):
        bench.now_ms = reading.received_ms
        bench.store.readings.add([reading])
        bench.turns(1)
    noted = bench.store.database.query("SELECT count(*) FROM mirror_due WHERE what='reading'")
    bench.now_ms += DAY_MS
    bench.turns(2)

    assert noted == [(0,)]
    assert bench.readings_there() == 96


def test_without_a_mirror_nothing_is_noted(bench: Bench) -> None:
    bench.store.readings.add(readings(1.0))
    assert bench.store.database.query("SELECT count(*) FROM mirror_due") == [(0,)]


def test_thinning_here_withdraws_nothing_there(bench: Bench) -> None:
    from mustwatch.store.retention import thin
    from mustwatch.store.rollup import roll_up

    bench.store.readings.add(readings(2.0))
    bench.now_ms = T0 + 3 * DAY_MS
    bench.turns(2)
    roll_up(bench.store.database, bench.now_ms)
    assert thin(bench.store.database, T0 + DAY_MS) == 96
    bench.turns(2)

    assert not any("withdrawn=true" in line for line in bench.server.lines)


def test_a_catch_up_of_weeks_does_not_hold_up_the_readings_that_come_meanwhile(bench: Bench) -> None:
    """Commits of single readings while tens of thousands of points are sent: none waits for the mirror."""
    bench.store.readings.add(readings(40.0, every_min=1))
    bench.now_ms = T0 + 41 * DAY_MS
    bench.mirror.start()
    slowest_s, ends = 0.0, time.monotonic() + 30.0
    for number, reading in enumerate(readings(400.0, every_min=5, from_day=40.0)):
        began = time.monotonic()
        bench.store.readings.add([reading])
        slowest_s = max(slowest_s, time.monotonic() - began)
        if (number > 250 and bench.mirror.status.sent) or began > ends:
            break
    sent_meanwhile = bench.mirror.status.sent
    wait_until(lambda: bench.mirror.status.sent >= 40 * 1440, 60, "the catch-up finished")
    bench.mirror.stop()

    assert sent_meanwhile > 0, "both went on at once"
    assert slowest_s < 60.0, "no commit waits for the whole of a catch-up"
