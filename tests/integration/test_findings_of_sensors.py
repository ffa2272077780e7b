"""What was found of a sensor stays found when the lot it is in is evaluated again."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from cellars import FLOAT, PLAN, T0, commit, entry, new_store, readings
from mustwatch.cellar.book import Start
from mustwatch.cellar.history import BEGINNING_MS, SensorStay
from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.store import Store
from mustwatch.watch.finding import Change, Severity, Subject, Transition, kind_named

PROBE = Sensor("probe", SensorKind.PROBE, "senml", vessel="bucket", topic="cellar/probe", battery_low_v=3.4)
WATCHED = replace(PLAN, sensors={"float": FLOAT, "probe": PROBE})
OF_SENSORS = (kind_named("battery-low"), kind_named("float-frozen"), kind_named("sensor-silent"))


def said_by_probe(days: float) -> list[Reading]:
    """Return a probe's readings: it repeats itself from the second day to the sixth; its battery fails on the fourth."""
    made = []
    for i in range(int(days * 96)):
        at_ms = T0 + i * 15 * MINUTE_MS + 7
        day = i / 96
        celsius = 19.4 if 2.0 <= day < 6.0 else 19.0 + 0.01 * ((i * 7919) % 97)
        made.append(Reading("probe", at_ms, at_ms + 1000, None, None, celsius, 3.2 if day > 4.0 else 3.9))
    return made


HISTORY = sorted([*readings(8.0), *said_by_probe(8.0)], key=lambda r: r.observed_ms)


def evaluated(path: Path, batches: Iterable[Iterable[Reading]]) -> tuple[Store, Evaluation]:
    store = new_store(path)
    store.book.configure_place(SensorStay("probe", "bucket", BEGINNING_MS))
    evaluation = Evaluation(store, WATCHED, T0)
    evaluation.read_book()
    commit(store, evaluation)
    for batch in batches:
        for reading in batch:
            evaluation.take(reading)
        commit(store, evaluation)
    return store, evaluation


def of_sensors(store: Store) -> list[Transition]:
    return [t for t in store.watching.findings("kit") if t.kind in OF_SENSORS]


def test_a_float_s_readings_that_come_late_leave_what_was_found_of_the_probe_in_the_log(
    tmp_path: Path,
) -> None:
    in_order, _ = evaluated(tmp_path / "a.db", [HISTORY])
    until_ms = T0 + 7 * DAY_MS
    held_back = [r for r in HISTORY if r.sensor == "float" and T0 + DAY_MS <= r.observed_ms < T0 + 2 * DAY_MS]
    in_time = [r for r in HISTORY if r not in held_back]

    late, _ = evaluated(
        tmp_path / "b.db",
        [
            [r for r in in_time if r.observed_ms < until_ms],
            held_back,
            [r for r in in_time if r.observed_ms >= until_ms],
        ],
    )

    assert [(t.kind, t.change) for t in of_sensors(in_order)] == [
        (kind_named("float-frozen"), Change.RAISED),
        (kind_named("battery-low"), Change.RAISED),
        (kind_named("float-frozen"), Change.CLEARED),
    ]
    assert late.watching.findings("kit") == in_order.watching.findings("kit")


@pytest.mark.parametrize("day", [-1.0, 1.0])
def test_a_lot_s_start_that_is_recorded_anew_leaves_what_was_found_of_its_sensors_in_the_log(
    tmp_path: Path, day: float
) -> None:
    store, evaluation = evaluated(tmp_path / "c.db", [HISTORY])
    before = of_sensors(store)

    store.book.undo(store.book.entries()[0], T0 + 9 * DAY_MS)
    store.book.append(entry(day, Start("bucket", gravity=1.050, temperature_c=19.0), "anew"))
    evaluation.read_book()
    commit(store, evaluation)

    assert before
    assert of_sensors(store) == before


def test_a_silence_that_was_found_stays_in_the_log(tmp_path: Path) -> None:
    store, evaluation = evaluated(tmp_path / "c.db", [HISTORY[:600]])
    subject = Subject("kit", "bucket", "probe")
    silence = Transition(
        kind_named("sensor-silent"), Change.RAISED, HISTORY[599].observed_ms, Severity.WARNING, subject
    )
    evaluation.find([silence])
    commit(store, evaluation)

    late = HISTORY[300]._replace(observed_ms=HISTORY[300].observed_ms + 13)
    evaluation.take(late)
    commit(store, evaluation)

    assert silence in store.watching.findings("kit")


def test_what_the_lot_s_own_watch_found_is_in_the_log_once_however_often_it_is_evaluated_again(
    tmp_path: Path,
) -> None:
    store, evaluation = evaluated(tmp_path / "c.db", [HISTORY])
    before = store.watching.findings("kit")

    for _ in range(2):
        evaluation.reconsider_since(T0)
        commit(store, evaluation)

    assert any(t.kind is kind_named("rack-due") for t in before)
    assert store.watching.findings("kit") == before
