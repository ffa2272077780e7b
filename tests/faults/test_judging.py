"""The judge of the fault tests can say no: it sees a reading that is missing, and a message told twice or never."""

import shutil
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from shed import Row, Shed, float_messages

from endpoints import Arrived
from mustwatch.deliver.parcel import MAY_BE_A_REPEAT
from mustwatch.evaluation.live import Evaluation
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.intake import Decoded, Intake
from mustwatch.store.store import Store


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the store of a shed that took all its messages and told nobody yet."""
    folder = tmp_path_factory.mktemp("lived")
    shed = Shed(folder, 1, lots=2)
    store, plan = Store(shed.daemon.store, shed.begins_ms), shed.plan()
    intake = Intake(plan.sensors.values())
    evaluation = Evaluation(store, plan, shed.begins_ms)
    evaluation.read_book()
    now_ms = shed.messages[-1].at_ms + 7_200_000
    for message in shed.messages:
        taken = intake.take(
            Arrival(message.topic, message.payload, now_ms, payload_bytes=len(message.payload))
        )
        assert isinstance(taken, Decoded)
        for reading in taken.readings:
            evaluation.take(reading)
        if evaluation.wants_commit:
            evaluation.settle(now_ms)
    evaluation.advance(now_ms)
    evaluation.settle(now_ms)
    store.close()
    shed.close()
    return folder


@pytest.fixture
def shed(lived: Path, tmp_path: Path) -> Shed:
    made = Shed(tmp_path, 1, lots=2)
    made.close()
    for old in tmp_path.glob("cellar.db*"):
        old.unlink()
    shutil.copy(lived / "cellar.db", tmp_path / "cellar.db")
    with closing(sqlite3.connect(made.daemon.store)) as connection:
        first = connection.execute("SELECT min(observed_ms) FROM reading").fetchone()[0]
    shift = first - made.messages[0].at_ms
    made.begins_ms += shift
    made.messages = sorted(m for n in range(2) for m in float_messages(n, made.begins_ms, 9.0, 15))
    return made


def tell(shed: Shed, times: int = 1) -> None:
    for message in shed.outbox():
        shed.endpoint.arrived += [Arrived(message.title, message.body, "info")] * times


def judged(shed: Shed) -> Row:
    row = Row("x")
    shed.judge(row)
    return row


def test_a_run_without_faults_has_lost_nothing(shed: Shed) -> None:
    tell(shed)
    row = judged(shed)

    assert (row.lost, row.told_twice, row.notes) == (0, 0, [])
    assert row.readings == 2 * 864
    assert row.messages > 4


def test_a_reading_that_is_missing_is_seen(shed: Shed) -> None:
    tell(shed)
    with closing(sqlite3.connect(shed.daemon.store)) as connection, connection:
        connection.execute("DELETE FROM reading WHERE observed_ms = (SELECT max(observed_ms) FROM reading)")

    assert judged(shed).lost == 1


def test_a_message_that_was_never_told_is_seen(shed: Shed) -> None:
    tell(shed)
    shed.endpoint.arrived.pop()

    assert judged(shed).lost == 1


def test_a_message_told_twice_is_seen_unless_it_says_that_it_may_be_a_repeat(shed: Shed) -> None:
    tell(shed)
    again = shed.endpoint.arrived[0]
    shed.endpoint.arrived.append(again)
    assert judged(shed).told_twice == 1

    shed.endpoint.arrived[-1] = replace(again, message=f"{again.message}\n\n{MAY_BE_A_REPEAT}")
    row = judged(shed)
    assert (row.told_twice, row.repeated) == (0, 1)


def test_an_alert_that_a_faultless_run_comes_to_and_this_one_did_not_is_seen(shed: Shed) -> None:
    tell(shed)
    with closing(sqlite3.connect(shed.daemon.store)) as connection, connection:
        connection.execute("DELETE FROM alert WHERE id = (SELECT max(id) FROM alert WHERE lot IS NOT NULL)")

    assert judged(shed).lost == 1
