"""A float that reads a wine in no lot, on a real store: found, kept over a restart, ended by what the book says."""

from pathlib import Path

import pytest

from cellars import PLAN, T0, commit, entry, evaluate, new_store, readings
from mustwatch.alerting.alert import Alert
from mustwatch.cellar.book import Move, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.evaluation.live import Evaluation
from mustwatch.replay.by_lot import take_all
from mustwatch.store.store import Store
from mustwatch.watch.finding import kind_named

BOOKED_ELSEWHERE = entry(0, Start("tub"), "tub-began", "other")
HEARD = readings(3.0)


def missing(store: Store) -> list[Alert]:
    return [a for a in store.alerts.recent(-(2**62)) if a.kind is kind_named("lot-missing")]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return new_store(tmp_path / "c.db", BOOKED_ELSEWHERE)


@pytest.mark.parametrize("pile", [1, 7, len(HEARD)])
def test_it_is_found_once_however_the_readings_come(store: Store, pile: int) -> None:
    evaluation = evaluate(store, [HEARD[i : i + pile] for i in range(0, len(HEARD), pile)])

    (alert,) = missing(store)
    assert alert.opened_ms == T0 + 2 * HOUR_MS
    assert alert.subject.sensor == "float"
    assert (alert.subject.vessel, alert.subject.lot) == ("bucket", None)
    assert not alert.is_over
    assert alert.figures()["gravity"] == pytest.approx(HEARD[-1].gravity, abs=0.003)
    assert evaluation.watches.keys() == {"other"}


def test_in_one_pile_it_is_found_as_one_by_one(store: Store, tmp_path: Path) -> None:
    other = new_store(tmp_path / "d.db", BOOKED_ELSEWHERE)
    evaluate(store, [HEARD])
    evaluation = Evaluation(other, PLAN, T0)
    evaluation.read_book()
    commit(other, evaluation)
    for _ in take_all(evaluation, [HEARD]):
        commit(other, evaluation)
    commit(other, evaluation)

    assert [(a.opened_ms, a.cleared_ms) for a in missing(other)] == [
        (a.opened_ms, a.cleared_ms) for a in missing(store)
    ]
    assert missing(store)


@pytest.mark.parametrize(
    "what",
    [
        entry(0, Start("bucket", gravity=1.050), "began", "kit"),
        entry(2.5, Start("bucket"), "began", "kit"),
        entry(2.5, Move("float", "carboy"), "moved", "other"),
        entry(2.5, Move("float", None), "moved", "other"),
    ],
)
def test_what_is_written_ends_it_at_once_after_a_restart_too(store: Store, what: object) -> None:
    evaluate(store, [HEARD])
    again = Evaluation(store, PLAN, T0 + 3 * DAY_MS)

    store.book.append(what)  # type: ignore[arg-type]
    again.read_book()
    commit(store, again)

    (alert,) = missing(store)
    assert alert.cleared_ms == max(what.at_ms, alert.opened_ms)  # type: ignore[attr-defined]


def test_a_lot_begun_in_time_leaves_nothing_to_find(store: Store) -> None:
    store.book.append(entry(0.1, Start("bucket", gravity=1.050), "began", "kit"))

    evaluate(store, [HEARD])

    assert missing(store) == []


def test_it_ends_although_a_new_version_has_forgotten_that_it_holds(store: Store) -> None:
    evaluate(store, [HEARD])
    with store.transaction():
        store.watching.keep("sensor:float", "[0]")
    again = Evaluation(store, PLAN, T0 + 3 * DAY_MS)

    store.book.append(entry(2.5, Start("bucket"), "began", "kit"))
    again.read_book()
    commit(store, again)

    (alert,) = missing(store)
    assert alert.cleared_ms == T0 + int(2.5 * DAY_MS)
