"""Readings become conclusions on a real store; neither order of arrival, nor batches, nor restarts change them."""

import random
from pathlib import Path

import pytest

from cellars import PLAN, T0, commit, conclusions, entry, evaluate, new_store, readings
from mustwatch.cellar.book import Bottling, Measurement, Move, Racking, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.store import Store

DAYS = 9.0
HISTORY = readings(DAYS)


def commit_and_fail(store: Store, evaluation: Evaluation) -> None:
    with store.transaction():
        evaluation.commit(T0)
        raise RuntimeError("the card is full")


def batches(history: list[Reading], size: int) -> list[list[Reading]]:
    return [history[i : i + size] for i in range(0, len(history), size)]


@pytest.fixture(scope="module")
def in_order(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What is concluded of the history as it came, in one go."""
    store = new_store(tmp_path_factory.mktemp("in-order") / "c.db")
    evaluate(store, [HISTORY])
    found = conclusions(store)
    store.close()
    return found


def test_an_ordinary_ferment_is_ready_to_rack_and_then_finished(in_order: str) -> None:
    assert "rack-due" in in_order
    assert "finished" in in_order
    assert "stuck" not in in_order


@pytest.mark.parametrize("size", [1, 7, 100])
def test_the_size_of_a_batch_changes_nothing(tmp_path: Path, in_order: str, size: int) -> None:
    store = new_store(tmp_path / "c.db")

    evaluate(store, batches(HISTORY, size))

    assert conclusions(store) == in_order


def test_a_reading_that_comes_twice_is_stored_and_counted_once(tmp_path: Path, in_order: str) -> None:
    store = new_store(tmp_path / "c.db")
    doubled = [reading for one in HISTORY for reading in (one, one)]

    evaluate(store, batches(doubled, 50))
    evaluate(store, [HISTORY[100:200]])

    assert store.readings.count() == len(HISTORY)
    assert conclusions(store) == in_order


def test_a_stretch_that_comes_a_day_late_lands_in_its_place(tmp_path: Path, in_order: str) -> None:
    store = new_store(tmp_path / "c.db")
    held_back = HISTORY[300:360]

    evaluate(store, [HISTORY[:300], HISTORY[360:500], held_back, HISTORY[500:]])

    assert conclusions(store) == in_order


def test_readings_out_of_order_give_what_they_give_in_order(tmp_path: Path, in_order: str) -> None:
    store = new_store(tmp_path / "c.db")
    shuffled = list(HISTORY)
    chance = random.Random(4)
    for i in range(0, len(shuffled) - 8, 8):
        part = shuffled[i : i + 8]
        chance.shuffle(part)
        shuffled[i : i + 8] = part

    evaluate(store, batches(shuffled, 40))

    assert conclusions(store) == in_order


def test_a_restart_after_any_batch_changes_nothing(tmp_path: Path, in_order: str) -> None:
    path = tmp_path / "c.db"
    new_store(path).close()
    for batch in batches(HISTORY, 123):
        store = Store(path, T0)
        evaluate(store, [batch])
        store.close()

    store = Store(path, T0)
    assert conclusions(store) == in_order


def test_the_clock_s_ticks_close_slots_without_changing_what_is_concluded(
    tmp_path: Path, in_order: str
) -> None:
    store = new_store(tmp_path / "c.db")
    evaluation = evaluate(store, [])
    for reading in HISTORY:
        evaluation.take(reading)
        evaluation.advance(reading.observed_ms + 30_000)
        commit(store, evaluation)

    assert conclusions(store) == in_order


def test_a_check_typed_a_day_late_concludes_as_one_typed_at_once(tmp_path: Path) -> None:
    check = entry(5.0, Measurement(gravity=0.999, temperature_c=19.0))
    at_once = new_store(tmp_path / "a.db", entry(0, Start("bucket", gravity=1.050)), check)
    evaluate(at_once, [HISTORY])
    late = new_store(tmp_path / "b.db", entry(0, Start("bucket", gravity=1.050)))
    evaluation = evaluate(late, [HISTORY[:700]])

    late.book.append(check)
    evaluation.read_book()
    commit(late, evaluation)
    evaluate(late, [HISTORY[700:]])

    assert conclusions(late) == conclusions(at_once)


def test_what_an_entry_ends_is_over_at_once_and_in_the_end_as_if_its_slot_had_been_waited_for(
    tmp_path: Path,
) -> None:
    racked = entry(4.6, Racking("carboy", "bucket", floats=("float",)))
    before = [reading for reading in HISTORY if reading.observed_ms <= racked.at_ms]
    at_once = new_store(tmp_path / "a.db", entry(0, Start("bucket", gravity=1.050)), racked)
    evaluate(at_once, [HISTORY])
    store = new_store(tmp_path / "b.db", entry(0, Start("bucket", gravity=1.050)))
    evaluation = evaluate(store, [before])
    assert [alert.kind for alert in store.alerts.open()] == ["rack-due"]

    store.book.append(racked)
    evaluation.read_book()
    assert evaluation.wants_commit
    commit(store, evaluation, racked.at_ms + 1)

    assert store.alerts.open() == []
    for reading in HISTORY[len(before) :]:
        evaluation.take(reading)
    commit(store, evaluation)
    assert conclusions(store) == conclusions(at_once)


def test_an_undone_racking_leaves_no_trace_in_what_is_concluded(tmp_path: Path, in_order: str) -> None:
    store = new_store(tmp_path / "c.db")
    evaluation = evaluate(store, [HISTORY])
    racked = entry(4.0, Racking("carboy", "bucket"))

    store.book.append(racked)
    evaluation.read_book()
    commit(store, evaluation)
    assert conclusions(store) != in_order
    store.book.undo(racked, T0 + int(DAYS * DAY_MS))
    evaluation.read_book()
    commit(store, evaluation)

    assert conclusions(store) == in_order


def test_a_lot_begun_in_the_book_afterwards_takes_up_the_readings_that_were_there(
    tmp_path: Path, in_order: str
) -> None:
    store = new_store(tmp_path / "c.db", entry(0, Start("tub"), "other-start", lot="other"))
    evaluation = evaluate(store, [HISTORY])

    store.book.append(entry(0, Start("bucket", gravity=1.050, temperature_c=19.0)))
    evaluation.read_book()
    commit(store, evaluation)

    assert conclusions(store) == in_order


def test_a_float_taken_out_is_heard_for_no_lot(tmp_path: Path) -> None:
    store = new_store(
        tmp_path / "c.db", entry(0, Start("bucket", gravity=1.050)), entry(2.0, Move("float", None), "moved")
    )

    evaluate(store, [HISTORY])

    assert store.readings.count() == len(HISTORY)
    assert store.watching.estimates("kit")[-1].at_ms <= T0 + 2 * DAY_MS + 15 * MINUTE_MS


def test_a_second_reading_of_the_same_instant_completes_the_first_and_changes_nothing_it_said(
    tmp_path: Path,
) -> None:
    store = new_store(tmp_path / "c.db")
    at_ms = T0 + HOUR_MS
    first = Reading("float", at_ms, at_ms, gravity=1.050)
    second = Reading("float", at_ms, at_ms + 5, gravity=1.099, temperature_c=19.0)

    evaluate(store, [[first], [second]])

    assert store.readings.get("float", at_ms) == first._replace(temperature_c=19.0)


def test_a_failed_transaction_leaves_the_store_as_it_was_and_a_new_evaluation_goes_on(
    tmp_path: Path, in_order: str
) -> None:
    store = new_store(tmp_path / "c.db")
    evaluation = evaluate(store, [HISTORY[:400]])
    before = conclusions(store)
    for reading in HISTORY[400:600]:
        evaluation.take(reading)
    with pytest.raises(RuntimeError):
        commit_and_fail(store, evaluation)

    assert conclusions(store) == before
    assert store.readings.count() == 400

    evaluate(store, [HISTORY[400:]])
    assert conclusions(store) == in_order


def test_memory_of_a_lot_stays_small_however_long_it_ferments(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db")
    sizes = []
    evaluation = Evaluation(store, PLAN, T0)
    evaluation.read_book()
    commit(store, evaluation)
    for week in range(4):
        for reading in readings(7.0 * (week + 1), from_day=7.0 * week):
            evaluation.take(reading)
        commit(store, evaluation)
        sizes.append(len(evaluation.watches["kit"].snapshot()))

    assert max(sizes) < 20_000
    assert sizes[-1] < 1.2 * sizes[1]


@pytest.mark.parametrize("minutes", [-15, 7])
def test_a_bottling_ends_what_holds_of_the_wine_whenever_it_was(tmp_path: Path, minutes: int) -> None:
    store = new_store(tmp_path / "c.db")
    evaluation = evaluate(store, [HISTORY])
    assert "finished" in {a.kind.name for a in store.alerts.open()}

    at_day = DAYS + minutes / 1440  # -15: where a slot of the watch ends
    store.book.append(entry(at_day, Bottling(28)))
    evaluation.read_book()
    commit(store, evaluation)

    assert store.alerts.open() == []
    finished = next(a for a in store.alerts.of_lot("kit") if a.kind.name == "finished")
    assert (finished.cleared_ms, finished.ended_with_lot) == (T0 + int(at_day * DAY_MS), "bottled")


@pytest.mark.parametrize("takes_it", ["move", "start", "rack"])
def test_a_float_that_another_lot_took_is_no_longer_heard_by_the_first_however_late_that_is_written(
    tmp_path: Path, takes_it: str
) -> None:
    kit = entry(0, Start("bucket", gravity=1.050, temperature_c=19.0))
    apple = entry(0, Start("tub"), "apple-began", "apple")
    taken = {
        "move": entry(3, Move("float", "tub"), "taken", "apple"),
        "start": entry(3, Start("carboy", floats=("float",)), "taken", "plum"),
        "rack": entry(3, Racking("carboy", floats=("float",)), "taken", "apple"),
    }[takes_it]
    heard = readings(6.0)
    in_time = new_store(tmp_path / "a.db", kit, apple, taken)
    first = evaluate(in_time, [heard])
    late = new_store(tmp_path / "b.db", kit, apple)
    evaluation = evaluate(late, [heard])
    assert late.watching.now()["kit"]["gravity"] < 1.002

    late.book.append(taken)
    evaluation.read_book()
    commit(late, evaluation)

    for store, its in ((in_time, first), (late, evaluation)):
        its.advance(T0 + 7 * DAY_MS)
        commit(store, its)
    assert late.watching.now()["kit"]["gravity"] > 1.015
    assert conclusions(late) == conclusions(in_time)

    late.book.undo(taken, T0 + 7 * DAY_MS)
    evaluation.read_book()
    commit(late, evaluation)

    assert late.watching.now()["kit"]["gravity"] < 1.002
