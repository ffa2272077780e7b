"""What every part of the daemon relies on in the store. A new keeper of tables fails the first test until it is written.

Each promise is tried on the real file, through two connections where another process is meant.
"""

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from cellars import T0, entry, new_store, readings
from mustwatch.alerting.alert import Alert, key_of
from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.alerting.step import opened
from mustwatch.app.schedule import DoneTimes
from mustwatch.cellar.book import Note
from mustwatch.cellar.history import SensorStay
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.reading import Reading
from mustwatch.deliver.outbox import OutboxStore
from mustwatch.store.book import CalibrationPoints
from mustwatch.store.readings import Unreadable
from mustwatch.store.redelivery import Redelivery
from mustwatch.store.revising import Due
from mustwatch.store.schema import MIGRATIONS, Migration, SchemaTooNewError, migrate
from mustwatch.store.store import Store
from mustwatch.store.watching import Checkpoint
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Change, Severity, Subject, Transition, kind_named


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = new_store(tmp_path / "cellar.db")
    yield made
    made.close()


class Row:
    slot, sequence, packet_id, digest = 1, 7, 42, b"12345678"


def an_alert() -> Alert:
    found = Transition(
        kind_named("too-warm"), Change.RAISED, T0, Severity.WARNING, Subject(lot="kit"), {"celsius": 30.0}
    )
    return opened(key_of(found.kind, found.subject), found, T0, set())


CALIBRATION = CalibrationPoints("float", T0, ((25.0, 1.0), (70.0, 1.11)))
WRITES: dict[str, Callable[[Store], object]] = {
    "readings": lambda s: s.readings.add(readings(0.1)),
    "readings, quarantine": lambda s: s.readings.quarantine(
        [Unreadable(T0, "a/b", b"\xff", "not-json", "no JSON")]
    ),
    "book": lambda s: s.book.append(entry(1.0, Note("hello"))),
    "book, calibration": lambda s: s.book.save_calibration(CALIBRATION),
    "book, place": lambda s: s.book.configure_place(SensorStay("float", "carboy", T0)),
    "watching": lambda s: s.watching.save_checkpoint(Checkpoint("kit", T0, '{"some": "snapshot"}')),
    "watching, estimates": lambda s: s.watching.add_estimates(
        "kit", [Estimate(T0, 1.05, 0.001, -0.01, 0.002, 19.0)]
    ),
    "watching, kept": lambda s: s.watching.keep("job:backup", "123"),
    "alerts": lambda s: s.alerts.save([an_alert()]),
    "outbox": lambda s: s.outbox.put([written_message(MessageKind.TEST, "phone", "t", "b", T0, DAY_MS)]),
    "revising": lambda s: s.revising.keep(Due("kit", T0)),
    "redelivery": lambda s: s.redelivery.apply(emptied=False, rows=[Row()]),
}
each_write = pytest.mark.parametrize("name", sorted(WRITES))


def dump(path: Path) -> list[str]:
    """Return the whole content as another process sees it."""
    with closing(sqlite3.connect(path)) as other:
        return list(other.iterdump())


def fail_after(store: Store, write: Callable[[Store], object]) -> None:
    """Write in a transaction that then fails."""

    def in_a_transaction() -> None:
        with store.transaction():
            write(store)
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError, match="in the middle"):
        in_a_transaction()


def test_every_keeper_of_tables_is_tried_here(store: Store) -> None:
    keepers = set(vars(store)) - {"database"}
    assert keepers == {name.partition(",")[0] for name in WRITES}


@each_write
def test_what_is_written_is_there_for_another_process_when_the_call_returns(store: Store, name: str) -> None:
    before = dump(store.path)
    WRITES[name](store)

    assert dump(store.path) != before


@each_write
def test_what_is_written_in_a_transaction_that_fails_is_not_there(store: Store, name: str) -> None:
    before = dump(store.path)
    fail_after(store, WRITES[name])

    assert dump(store.path) == before


@each_write
def test_nobody_sees_half_a_transaction(store: Store, name: str) -> None:
    before = dump(store.path)
    with store.transaction():
        WRITES[name](store)
        seen = dump(store.path)

    assert seen == before


@each_write
def test_it_is_all_there_after_closing_and_opening(store: Store, name: str) -> None:
    WRITES[name](store)
    before = dump(store.path)
    store.close()
    again = Store(store.path, T0)

    assert dump(again.path) == before
    again.close()


def test_within_its_own_transaction_a_writer_sees_what_it_wrote(store: Store) -> None:
    with store.transaction():
        store.readings.add(readings(0.1))
        assert store.readings.count() == 9


def test_a_sensor_first_met_in_a_transaction_that_failed_is_met_again(store: Store) -> None:
    """Else its readings would be stored under a number that names nobody."""
    new = Reading("another", T0, T0, 1.05)
    fail_after(store, lambda s: s.readings.add([new]))
    store.readings.add([new])

    assert store.readings.between(T0, T0 + 1) == [new]


def test_a_reading_is_stored_once_however_often_it_comes(store: Store) -> None:
    given = readings(1.0)
    for _ in range(3):
        store.readings.add(given)
    changed = given[0]._replace(gravity=1.2)
    store.readings.add([changed])

    assert store.readings.between(0, 2**62) == given


def test_pages_are_all_readings_in_order_each_once(store: Store) -> None:
    given = [r for n in range(3) for r in (x._replace(sensor=f"s{n}") for x in readings(1.0))]
    store.readings.add(given)
    pages = list(store.readings.pages(0, 2**62, rows=7))
    together = [r for page in pages for r in page]

    assert together == store.readings.between(0, 2**62)
    assert max(len(page) for page in pages) == 7


def test_a_commit_is_on_the_card_when_it_returns(store: Store) -> None:
    """``synchronous`` FULL (2) in WAL mode: the log is synced at every commit. Source: sqlite.org/pragma.html."""
    writer = store.database._writer
    assert writer.execute("PRAGMA synchronous").fetchone() == (2,)
    assert writer.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_the_log_file_is_cut_back_when_nobody_reads(store: Store) -> None:
    store.readings.add(readings(60.0, every_min=2))
    assert store.database.log_bytes() > 1_000_000
    store.database.tidy_log()

    assert store.database.log_bytes() == 0


def test_a_reader_who_holds_on_does_not_hold_up_the_tidying(store: Store) -> None:
    store.readings.add(readings(10.0))
    with closing(sqlite3.connect(store.path)) as slow:
        slow.execute("BEGIN")
        slow.execute("SELECT count(*) FROM reading").fetchone()
        tidying = threading.Thread(target=store.database.tidy_log)
        tidying.start()
        tidying.join(5.0)
        assert not tidying.is_alive()
    store.database.tidy_log()
    assert store.database.log_bytes() == 0


def test_under_steady_writing_the_log_stays_bounded(store: Store) -> None:
    for day in range(40):
        for reading in readings(day + 1.0, every_min=60, from_day=float(day)):
            store.readings.add([reading])

    assert store.database.log_bytes() < 9 * 1024 * 1024


def test_two_writers_wait_for_each_other(store: Store) -> None:
    other = Store(store.path, T0)
    given = readings(2.0, every_min=5)

    def write(into: Store, part: list[Reading]) -> None:
        for reading in part:
            into.readings.add([reading])

    threads = [threading.Thread(target=write, args=(s, given[n::2])) for n, s in enumerate((store, other))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert store.readings.count() == len(given)
    other.close()


def test_closing_twice_does_no_harm(store: Store) -> None:
    store.close()
    store.close()


# --- migrations ----------------------------------------------------------------------------------------------


def test_a_new_file_has_every_migration_on_record(store: Store) -> None:
    rows = store.database.query("SELECT version FROM migration ORDER BY version")
    assert [row[0] for row in rows] == [m.version for m in MIGRATIONS]


def test_a_migration_that_fails_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    def half(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE half (x)")
        raise sqlite3.OperationalError("database or disk is full")

    with closing(sqlite3.connect(tmp_path / "m.db", isolation_level=None)) as connection:
        migrate(connection, T0)
        before = list(connection.iterdump())
        with pytest.raises(sqlite3.OperationalError):
            migrate(connection, T0, (*MIGRATIONS, Migration(99, "half", half)))

        assert list(connection.iterdump()) == before


def test_a_file_of_a_newer_version_is_left_alone(store: Store) -> None:
    store.close()
    with closing(sqlite3.connect(store.path)) as connection, connection:
        connection.execute("INSERT INTO migration VALUES (999, 'from the future', 0)")
    before = dump(store.path)
    with pytest.raises(SchemaTooNewError, match="install the newer mustwatch"):
        Store(store.path, T0)

    assert dump(store.path) == before


def test_a_store_of_the_first_version_is_brought_up_to_date_with_what_it_holds(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrate(connection, T0, MIGRATIONS[:1])
        connection.execute("INSERT INTO sensor VALUES (1, 'float')")
        connection.execute("INSERT INTO reading VALUES (?, 1, 0, 1.05, NULL, 19.0, NULL, NULL, 0)", (T0,))
    store = Store(path, T0)

    assert store.readings.get("float", T0) == Reading("float", T0, T0, 1.05, None, 19.0)
    store.close()


@pytest.mark.parametrize("is_database", [False, True])
def test_a_file_that_cannot_be_opened_is_let_go(tmp_path: Path, is_database: bool) -> None:
    path = tmp_path / "c.db"
    if is_database:
        Store(path, T0).close()
        with closing(sqlite3.connect(path)) as newer, newer:
            newer.execute("INSERT INTO migration VALUES (999, 'to come', 0)")
    else:
        path.write_bytes(b"not a database at all" * 1000)

    with pytest.raises((sqlite3.DatabaseError, SchemaTooNewError)) as failed:
        Store(path, T0)

    held = [str(of.readlink()) for of in Path("/proc/self/fd").iterdir() if of.exists()]
    assert str(path) not in held, failed  # whose traceback keeps whatever was made


# --- the promises that other parts name ------------------------------------------------------------------------


def test_the_outbox_is_what_its_worker_needs(store: Store) -> None:
    outbox: OutboxStore = store.outbox
    message = written_message(MessageKind.TEST, "phone", "t", "b", T0, DAY_MS)
    store.outbox.put([message, message])
    outbox.mark_attempt(message.id, T0)
    assert [row.is_repeat_possible for row in outbox.waiting()] == [True]
    outbox.mark_failed(message.id, T0, "refused", T0 + 1000)
    assert [(row.attempts, row.is_repeat_possible, row.error) for row in outbox.waiting()] == [
        (1, False, "refused")
    ]
    outbox.mark_told(message.id, T0)

    assert outbox.waiting() == []


def test_the_schedule_keeps_its_times_here(store: Store) -> None:
    times: DoneTimes = store.watching
    assert times.kept("job:x") is None
    times.keep("job:x", "1")
    times.keep("job:x", "2")

    assert times.kept("job:x") == "2"


def test_the_ledger_is_emptied_and_filled_in_one_step(store: Store) -> None:
    ledger: Redelivery = store.redelivery
    ledger.apply(emptied=False, rows=[Row()])
    assert ledger.rows() == [(1, 7, 42, b"12345678")]
    ledger.apply(emptied=True, rows=[])

    assert ledger.rows() == []
