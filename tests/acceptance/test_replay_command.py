"""`mustwatch replay`: what `mosquitto_sub -F %j` wrote down, through the same pipeline, told to nobody."""

import json
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daemons import Daemon
from mustsim import cellar as simulated_cellar
from mustsim.configuration import mustwatch_toml
from mustsim.lines import json_lines
from mustsim.scenario import load
from mustwatch.cellar.book import Entry, Measurement
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.config import settings
from mustwatch.config.plan import plan_of
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.store import Store


@pytest.fixture(scope="module")
def stuck() -> simulated_cellar.SimulatedCellar:
    return simulated_cellar.run(load("stuck-forced"), seed=5)


@pytest.fixture
def daemon(daemon_with: Callable[[str], Daemon], stuck: simulated_cellar.SimulatedCellar) -> Daemon:
    toml = mustwatch_toml(stuck.scenario, "127.0.0.1", 1)  # no broker is needed
    made = daemon_with(f'{toml}\n[[tell]]\nurl = "json://127.0.0.1:1/"\n')
    lot = stuck.truth.actions[0]
    made.done(
        "record", "start", lot.lot, "--vessel", lot.vessel, "--gravity", f"{lot.gravity_shown:.3f}",
        "--celsius", "20", "--at", json.loads(next(iter(json_lines(stuck))))["tst"][:10],
    )  # fmt: skip
    return made


def history(folder: Path, cellar: simulated_cellar.SimulatedCellar, more: str = "") -> str:
    path = folder / "history.jsonl"
    path.write_text("".join(line.rstrip("\n") + "\n" for line in json_lines(cellar)) + more, encoding="utf-8")
    return str(path)


def test_a_recorded_history_is_replayed_into_the_store_with_its_findings(
    daemon: Daemon, stuck: simulated_cellar.SimulatedCellar, tmp_path: Path
) -> None:
    document = daemon.json("replay", history(tmp_path, stuck))

    assert set(document) == {"readings", "quarantined", "alerts"}
    assert document["readings"] == len({(m.sensor, m.observed_ms) for m in stuck.messages})
    assert document["quarantined"] == 0
    kinds = {alert["kind"] for alert in document["alerts"]}
    assert "stuck" in kinds
    assert "finished" not in kinds
    assert all(alert["told_at"] is None for alert in document["alerts"])


def test_replayed_twice_it_changes_nothing(
    daemon: Daemon, stuck: simulated_cellar.SimulatedCellar, tmp_path: Path
) -> None:
    path = history(tmp_path, stuck)
    first = daemon.json("replay", path)
    second = daemon.json("replay", path)

    assert second["readings"] == 0
    assert [a["id"] for a in second["alerts"]] == [a["id"] for a in first["alerts"]]


def test_what_was_replayed_need_not_be_evaluated_again_by_the_daemon(
    daemon: Daemon, stuck: simulated_cellar.SimulatedCellar, tmp_path: Path
) -> None:
    daemon.done("replay", history(tmp_path, stuck))
    now_ms = time.time_ns() // 1_000_000
    with closing(Store(daemon.store, now_ms)) as store:
        lot = stuck.truth.actions[0].lot
        before = store.watching.estimates(lot)
        plan = plan_of(settings.load(daemon.config))
        evaluation = Evaluation(store, plan, now_ms)
        evaluation.read_book()
        with store.transaction():
            evaluation.commit(now_ms)

        assert len(before) > 500
        assert not evaluation.is_behind
        assert store.watching.estimates(lot) == before

    daemon.start(until=("backup made",))  # the last of what a start does
    assert daemon.stop() == 0
    assert "evaluating again" not in daemon.said()


def test_an_entry_written_after_a_replay_is_taken_up_by_the_next(
    daemon: Daemon, stuck: simulated_cellar.SimulatedCellar, tmp_path: Path
) -> None:
    path = history(tmp_path, stuck)
    daemon.done("replay", path)
    now_ms = time.time_ns() // 1_000_000
    with closing(Store(daemon.store, now_ms)) as store:
        lot, last_ms = stuck.truth.actions[0].lot, store.readings.newest_ms() or 0
        before = store.watching.estimates(lot)[-1]
        at_ms = last_ms - HOUR_MS
        store.book.append(Entry("late", lot, at_ms, now_ms, Measurement(gravity=1.001, temperature_c=20.0)))

    daemon.done("replay", path)

    with closing(Store(daemon.store, now_ms)) as store:
        after = store.watching.estimates(lot)[-1]
        assert after.gravity != before.gravity


def test_lines_that_are_no_messages_are_passed_over_and_counted(
    daemon: Daemon, stuck: simulated_cellar.SimulatedCellar, tmp_path: Path
) -> None:
    more = '{"tst": "yesterday", "topic": "a", "payload": "b"}\n[1,2]\n{"tst": 1, "topic"\n'

    result = daemon.command("replay", history(tmp_path, stuck, more), "--json")

    assert result.returncode == 0
    assert "3 lines were passed over" in result.stderr
    assert json.loads(result.stdout)["readings"] > 0


def test_a_topic_no_sensor_has_is_quarantined_with_its_reason(daemon: Daemon, tmp_path: Path) -> None:
    path = tmp_path / "other.jsonl"
    path.write_text('{"tst": "2026-09-01T00:00:00.000Z+0000", "topic": "x/y", "qos": 1, "payload": "1.05"}\n')

    assert daemon.json("replay", str(path))["quarantined"] == 1


def test_while_a_daemon_keeps_watch_a_replay_into_its_store_is_refused(
    daemon: Daemon, tmp_path: Path
) -> None:
    path = tmp_path / "empty.jsonl"
    path.write_text("")
    daemon.start(listening=False)

    result = daemon.command("replay", str(path))

    assert result.returncode == 1
    assert "keeps watch" in result.stderr


def test_a_file_that_is_not_there_is_wrong_input(daemon: Daemon) -> None:
    result = daemon.command("replay", "/nowhere.jsonl")

    assert result.returncode == 2
    assert "No such file" in result.stderr


def test_a_file_that_records_nothing_is_wrong_input(daemon: Daemon, tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("racked on Sunday\n")

    result = daemon.command("replay", str(path))

    assert result.returncode == 2
    assert "line 1: not JSON" in result.stderr
