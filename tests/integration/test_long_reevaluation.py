"""A long history that is evaluated again takes minutes on a Pi: the thread must be seen to come round meanwhile."""

from pathlib import Path

from cellars import PLAN, T0, entry, evaluate, new_store, readings
from mustwatch.cellar.book import Measurement
from mustwatch.cellar.instant import DAY_MS
from mustwatch.evaluation.live import Evaluation


def test_it_says_that_it_is_alive_all_along(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db")
    evaluate(store, [readings(9.0)])
    store.book.append(entry(0.1, Measurement(gravity=1.050, temperature_c=19.0)))
    beats: list[int] = []
    again = Evaluation(store, PLAN, T0 + 10 * DAY_MS, alive=lambda: beats.append(1))
    again.read_book()

    with store.transaction():
        again.commit(T0 + 10 * DAY_MS)

    assert len(beats) >= 9 * 4 - 2  # every six hours of the nine days
