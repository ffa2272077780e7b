"""Many readings at once conclude as one by one; a replay broken off goes on; a temperature on its own topic holds."""

import json
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from cellars import FLOAT, PLAN, T0, commit, conclusions, entry, gravity_at, new_store
from mustwatch.alerting.rules import TellRules, TellTarget
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.history import BEGINNING_MS, SensorStay
from mustwatch.cellar.instant import MINUTE_MS, iso
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.config.plan import CellarPlan
from mustwatch.evaluation.live import Evaluation
from mustwatch.replay import by_lot, replay
from mustwatch.store.store import Store

LOTS = 3
DAYS = 5
SENSORS = {
    sensor.id: sensor
    for lot in range(LOTS)
    for sensor in (
        Sensor(f"float-{lot}", SensorKind.FLOAT, "senml", vessel=f"bucket-{lot}", battery_low_v=3.4),
        Sensor(f"probe-{lot}", SensorKind.PROBE, "senml", vessel=f"bucket-{lot}"),
    )
}
CELLAR = replace(PLAN, sensors=SENSORS, rules=TellRules(targets=(TellTarget("me"),)))


def packs_of_a_cellar() -> list[list[Reading]]:
    """Return what the floats and probes of three lots said, packs of one or two, in the order of their coming."""
    packs = []
    for i in range(DAYS * 24 * 6):
        for lot in range(LOTS):
            at_ms = T0 + i * 10 * MINUTE_MS + lot * 1000
            days = (at_ms - T0) / 86_400_000 * (1 + 0.3 * lot)
            jitter = 0.0008 * (((i * 7919) % 1000) / 500.0 - 1.0)
            celsius = 19.0 + 0.01 * (i % 40) + (16.0 if lot == 1 and 300 < i < 330 else 0.0)
            gravity = round(gravity_at(days) + jitter, 4)
            volts = 3.3 if lot == 2 and i > 400 else 3.9
            first = Reading(f"float-{lot}", at_ms, at_ms + 500, gravity, None, round(celsius, 2), volts)
            packs.append([first])
            probe = Reading(f"probe-{lot}", at_ms + 400, at_ms + 600, None, None, round(celsius + 0.1, 2))
            packs.append([probe, probe._replace(observed_ms=at_ms + 5_000, temperature_c=celsius)])
    return packs


def disordered(packs: list[list[Reading]]) -> list[list[Reading]]:
    """Return the same with some come late, some twice, some by an hour before others."""
    chance = random.Random(8)
    keyed = [(i + chance.choice([0.0] * 60 + [4.0, 40.0, 400.0]), pack) for i, pack in enumerate(packs)]
    keyed += [(i + 20.0, packs[i]) for i in range(500, 900, 37)]
    return [pack for _, pack in sorted(keyed, key=lambda one: one[0])]


def concluded(path: Path, packs: list[list[Reading]], at_once: int) -> tuple[object, ...]:
    """Return everything concluded and told of three lots."""
    store = Store(path, T0)
    for sensor in SENSORS.values():
        store.book.configure_place(SensorStay(sensor.id, sensor.vessel, BEGINNING_MS))
    for lot in range(LOTS):
        start = Start(f"bucket-{lot}", gravity=1.05, temperature_c=19.0)
        store.book.append(Entry(f"start-{lot}", f"lot-{lot}", T0, T0, start))
    evaluation = Evaluation(store, CELLAR, T0)
    evaluation.read_book()
    for begin in range(0, len(packs), at_once):
        pile = packs[begin : begin + at_once]
        for place in by_lot.take_all(evaluation, pile):
            evaluation.settle(pile[place][-1].received_ms)
        evaluation.settle(pile[-1][-1].received_ms, with_states=begin % 3 == 0)
    lots = [f"lot-{lot}" for lot in range(LOTS)]
    found = (
        [store.watching.estimates(lot) for lot in lots],
        sorted(map(repr, store.watching.findings())),
        sorted(map(repr, store.alerts.recent(-(2**62)))),
        store.database.query("SELECT id, target, created_ms, body FROM outbox ORDER BY seq"),
        store.readings.between(T0, 2**62),
    )
    store.close()
    return found


@pytest.mark.parametrize("at_once", [7, 250, 4000])
def test_a_pile_of_readings_concludes_and_tells_what_the_same_do_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    packs = packs_of_a_cellar()

    piled = concluded(tmp_path / "piled.db", packs, at_once)
    monkeypatch.setattr(by_lot, "LOT_BY_LOT", False)

    assert piled == concluded(tmp_path / "one.db", packs, at_once)
    assert len(piled[1]) >= 5  # type: ignore[arg-type] # the cellar has something to tell


@pytest.mark.parametrize("at_once", [50, 1000])
def test_a_disordered_pile_concludes_and_tells_what_the_same_do_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    packs = disordered(packs_of_a_cellar())

    piled = concluded(tmp_path / "piled.db", packs, at_once)
    monkeypatch.setattr(by_lot, "LOT_BY_LOT", False)

    assert piled == concluded(tmp_path / "one.db", packs, at_once)


def record_of_a_float() -> list[str]:
    """Return a record of nine days as lines."""
    return [
        json.dumps({"tst": iso(at_ms + 1000), "topic": FLOAT.topic, "payload": json.dumps(pack)})
        for i in range(9 * 96)
        for at_ms in (T0 + i * 15 * MINUTE_MS,)
        for pack in (
            [
                {"bn": "f/", "bt": at_ms / 1000, "n": "gravity", "u": "/", "v": round(gravity_at(i / 96), 4)},
                {"n": "temperature", "u": "Cel", "v": 19.0 + i % 7 / 10},
            ],
        )
    ]


def replayed(path: Path, *records: Iterator[str] | list[str]) -> str:
    """Return what is concluded of records replayed one after the other, each by a process of its own."""
    for record in records:
        store = new_store(path) if not path.exists() else Store(path, T0)
        try:
            replay.Replay(store, PLAN).run(record, T0)
        except InterruptedError:
            pass
        finally:
            store.close()
    store = Store(path, T0)
    found: str = conclusions(store)
    store.close()
    return found


def broken_off(record: list[str], after: int) -> Iterator[str]:
    """Yield the first lines, and break off as a machine does that is switched off."""
    yield from record[:after]
    raise InterruptedError


@pytest.mark.parametrize("after", [120, 499, 801])
def test_a_replay_that_is_broken_off_and_done_again_concludes_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    monkeypatch.setattr(replay, "BATCH", 100)
    monkeypatch.setattr(replay, "BATCH_PER_SENSOR", 1)
    monkeypatch.setattr(replay, "STATE_PER_SENSOR", 300)
    record = record_of_a_float()

    again = replayed(tmp_path / "again.db", broken_off(record, after), record)

    assert again == replayed(tmp_path / "once.db", record)
    assert "rack-due" in again


def test_a_temperature_on_a_topic_of_its_own_serves_the_gravity_after_it_when_concluded_again(
    tmp_path: Path,
) -> None:
    by_topic = {
        "f/sg": Field(Quantity.GRAVITY, "", "SG"),
        "f/temp": Field(Quantity.TEMPERATURE, "", "C"),
    }
    plan = CellarPlan(
        sensors={"float": Sensor("float", SensorKind.FLOAT, "number", vessel="bucket", topics=by_topic)},
        vessels=PLAN.vessels,
        profile_for=PLAN.profile_for,
        rules=PLAN.rules,
    )
    said = []
    for i in range(4 * 24 * 12):
        at_ms = T0 + i * 5 * MINUTE_MS
        said.append(Reading("float", at_ms - 240_000, at_ms, temperature_c=28.0))
        said.append(Reading("float", at_ms, at_ms, gravity=round(gravity_at(i / 288), 4)))
    # Something late, of a slot that begins with a gravity whose temperature was said in the slot before.
    late = said.pop(1000)
    late_of_another_day = said.pop(1500)

    def estimates(path: Path, *batches: list[Reading]) -> object:
        store = new_store(path, entry(-1 / 24, Start("bucket", gravity=1.05)))
        evaluation = Evaluation(store, plan, T0)
        evaluation.read_book()
        commit(store, evaluation)
        for batch in batches:
            for reading in batch:
                evaluation.take(reading)
            commit(store, evaluation)
        found = store.watching.estimates("kit")
        store.close()
        return found

    in_time = sorted([*said, late, late_of_another_day], key=lambda reading: reading.observed_ms)
    assert estimates(tmp_path / "late.db", said, [late], [late_of_another_day]) == estimates(
        tmp_path / "in-time.db", in_time
    )
