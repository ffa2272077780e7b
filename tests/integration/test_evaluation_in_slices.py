"""A lot evaluated again slice by slice: what comes between the slices, and restarts, change nothing."""

import random
from pathlib import Path

import pytest

from cellars import PLAN, T0, conclusions, entry, evaluate, new_store, readings
from mustwatch.cellar.book import Measurement, Racking
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.store import Store
from mustwatch.watch import lot_watch
from mustwatch.watch.finding import kind_named

DAYS = 9.0
HISTORY = readings(DAYS)
NOW_MS = T0 + int(DAYS * DAY_MS) + 1000
CHECK = entry(0.1, Measurement(gravity=1.050, temperature_c=19.0))


def commit(store: Store, evaluation: Evaluation) -> None:
    """Commit as the daemon does: nothing is evaluated again in it."""
    with store.transaction():
        evaluation.commit((store.readings.newest_ms() or T0) + 1000)


def catch_up(evaluation: Evaluation) -> int:
    slices = 0
    while evaluation.is_behind:
        evaluation.revise(NOW_MS, budget_s=0.0)
        slices += 1
    return slices


@pytest.fixture(scope="module")
def in_order(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What is concluded of the history and the check, each as it came."""
    store = new_store(tmp_path_factory.mktemp("in-order") / "c.db")
    store.book.append(CHECK)
    evaluate(store, [HISTORY])
    found = conclusions(store)
    store.close()
    return found


def test_no_transaction_holds_more_than_a_stretch(tmp_path: Path, in_order: str) -> None:
    store = new_store(tmp_path / "c.db")
    evaluation = evaluate(store, [HISTORY])
    store.book.append(CHECK)
    evaluation.read_book()
    commit(store, evaluation)
    before = len(store.watching.estimates("kit"))

    evaluation.revise(NOW_MS, budget_s=0.0)

    assert evaluation.behind()[0].lot == "kit"
    assert 5 <= evaluation.behind()[0].percent <= 20  # a day of nine
    assert len(store.watching.estimates("kit")) == before  # what is still to come stands as it was
    assert catch_up(evaluation) >= 8
    assert conclusions(store) == in_order


def test_what_comes_between_the_slices_finds_its_place(tmp_path: Path, in_order: str) -> None:
    store = new_store(tmp_path / "c.db")
    held_back = HISTORY[100:110] + HISTORY[420:440]
    live = HISTORY[700:]
    evaluation = evaluate(store, [[r for r in HISTORY[:700] if r not in held_back]])
    store.book.append(CHECK)
    evaluation.read_book()
    commit(store, evaluation)
    chance = random.Random(8)
    coming = held_back + live
    while coming:
        for _ in range(chance.randrange(1, 12)):
            if coming:
                evaluation.take(coming.pop(0 if chance.random() < 0.7 else -1))
        commit(store, evaluation)
        if evaluation.is_behind:
            evaluation.revise(NOW_MS, budget_s=0.0)

    catch_up(evaluation)

    assert store.readings.count() == len(HISTORY)
    assert conclusions(store) == in_order


@pytest.mark.parametrize("every", [1, 2, 5])
def test_a_stop_after_any_slice_goes_on_there(tmp_path: Path, in_order: str, every: int) -> None:
    path = tmp_path / "c.db"
    store = new_store(path)
    evaluate(store, [HISTORY])
    store.book.append(CHECK)
    slices = 0
    while True:
        evaluation = Evaluation(store, PLAN, NOW_MS)
        evaluation.read_book()
        commit(store, evaluation)
        for _ in range(every):
            if evaluation.is_behind:
                evaluation.revise(NOW_MS, budget_s=0.0)
                slices += 1
        if not evaluation.is_behind:
            break
        store.close()
        store = Store(path, NOW_MS)

    assert slices <= 11  # nothing is done twice but what lies before a checkpoint
    assert conclusions(store) == in_order


def test_an_entry_undone_amid_leaves_no_trace(tmp_path: Path, in_order: str) -> None:
    store = new_store(tmp_path / "c.db")
    store.book.append(CHECK)
    evaluation = evaluate(store, [HISTORY])
    racked = entry(4.0, Racking("carboy", "bucket"))
    store.book.append(racked)
    evaluation.read_book()
    commit(store, evaluation)
    evaluation.revise(NOW_MS, budget_s=0.0)
    store.book.undo(racked, NOW_MS)

    evaluation.read_book()
    commit(store, evaluation)
    catch_up(evaluation)

    assert conclusions(store) == in_order


def test_a_float_that_sends_random_days_does_not_keep_its_lot_from_coming_to_an_end(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db")
    evaluation = evaluate(store, [HISTORY])
    chance = random.Random(3)
    ends = 0
    for i in range(60):
        at_ms = T0 + chance.randrange(int(DAYS * DAY_MS))
        evaluation.take(Reading("float", at_ms, NOW_MS + i, 1.02, None, 19.0))
        commit(store, evaluation)
        evaluation.revise(NOW_MS, budget_s=0.0)
        ends += not store.revising.all() or store.revising.all()[0].since_ms is None

    assert ends >= 4


def test_after_an_upgrade_a_must_that_is_far_too_hot_is_told_before_the_season_is_evaluated_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "c.db"
    store = new_store(path)
    evaluate(store, [HISTORY])
    monkeypatch.setattr(lot_watch, "VERSION", "of tomorrow")

    evaluation = Evaluation(store, PLAN, NOW_MS)
    evaluation.read_book()
    commit(store, evaluation)
    for i in range(12):
        at_ms = NOW_MS + i * 15 * MINUTE_MS
        evaluation.take(Reading("float", at_ms, at_ms, 0.995, None, 36.0))
    commit(store, evaluation)

    assert evaluation.is_behind
    open_ = [(a.kind, a.severity.value) for a in store.alerts.open()]
    assert (kind_named("too-warm"), "urgent") in open_
    assert kind_named("late-onset") not in {kind for kind, _ in open_}
    told = {m.message.id for m in store.outbox.waiting()}
    catch_up(evaluation)
    assert (kind_named("too-warm"), "urgent") in [(a.kind, a.severity.value) for a in store.alerts.open()]
    assert not [a for a in store.alerts.recent(0) if a.is_withdrawn and a.opened_ms > NOW_MS - HOUR_MS]
    assert {m.message.id for m in store.outbox.waiting()} >= told


def test_a_season_evaluated_again_holds_the_lock_for_moments(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db")
    evaluate(store, [readings(60.0, every_min=5)])
    store.book.append(CHECK)
    store.database.longest_held_s = 0.0
    evaluation = Evaluation(store, PLAN, T0 + 61 * DAY_MS)
    evaluation.read_book()
    evaluation.settle(T0 + 61 * DAY_MS)

    assert store.database.longest_held_s < 0.25
