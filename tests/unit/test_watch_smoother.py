"""The backward pass knows the future: it is nearer to the truth than the live estimate, and ends where that ends."""

import math
from random import Random

from mustwatch.cellar.book import Entry, Racking, Start
from mustwatch.cellar.profile import Profile
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.lot_watch import LotWatch
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS
from mustwatch.watch.smoother import smooth

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
DAY_MS = 86_400_000


def gravity(day: float) -> float:
    """Return a logistic fall."""
    return 0.994 + 0.086 / (1.0 + math.exp(1.8 * (day - 3.5)))


def events(days: float, second_from: float | None = None) -> list[Observation | Entry]:
    """Return a start, a racking and a float every 15 minutes; a second float may come later."""
    random = Random(4)
    found: list[Observation | Entry] = [
        Entry("start", "lot", BEGIN_MS, BEGIN_MS, Start("bucket", gravity=1.080)),
        Entry("rack", "lot", BEGIN_MS + 6 * DAY_MS, BEGIN_MS + 6 * DAY_MS, Racking("carboy")),
    ]
    for i in range(int(96 * days)):
        at_ms = BEGIN_MS + i * SLOT_MS + 5
        found.append(
            Observation(at_ms, "float", "bucket", gravity(i / 96) + random.gauss(0, 0.0015), None, 20.0)
        )
        if second_from is not None and i / 96 > second_from:
            found.append(
                Observation(
                    at_ms + 1, "other", "bucket", gravity(i / 96) + random.gauss(0, 0.0015), None, 20.0
                )
            )
    return sorted(found, key=lambda e: e.at_ms)


def live(found: list[Observation | Entry]) -> list[Estimate]:
    """Return the live estimates."""
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    steps = [s for e in found for s in (watch.observe(e) if isinstance(e, Observation) else watch.enter(e))]
    return [s.estimate for s in (*steps, *watch.advance(2**62))]


def rmse(estimates: list[Estimate]) -> tuple[float, float]:
    """Return the root mean square errors of gravity and rate after the first half day."""
    off, rate_off = [], []
    for e in estimates[48:]:
        day = (e.at_ms - BEGIN_MS) / DAY_MS
        off.append((e.gravity or 0.0) - gravity(day))
        rate_off.append((e.rate_per_day or 0.0) - (gravity(day + 0.001) - gravity(day - 0.001)) / 0.002)
    return (
        math.sqrt(sum(o * o for o in off) / len(off)),
        math.sqrt(sum(o * o for o in rate_off) / len(rate_off)),
    )


def test_it_is_nearer_to_the_truth_than_the_live_estimate() -> None:
    found = events(10)
    then, since = rmse(live(found)), rmse(smooth("lot", "bucket", Profile(), BEGIN_MS, found))

    assert since[0] < 0.9 * then[0]
    assert since[1] < 0.6 * then[1]


def test_it_ends_with_the_live_estimate_and_has_its_instants() -> None:
    found = events(5)
    then, since = live(found), smooth("lot", "bucket", Profile(), BEGIN_MS, found)

    assert [e.at_ms for e in since] == [e.at_ms for e in then]
    assert since[-1] == then[-1]


def test_its_standard_errors_are_smaller_and_cover_the_truth() -> None:
    found = events(10)
    then, since = live(found), smooth("lot", "bucket", Profile(), BEGIN_MS, found)
    sure = [(a.rate_sd or 0.0) > (b.rate_sd or 0.0) for a, b in zip(then[96:-96], since[96:-96], strict=True)]
    covered = [
        abs((e.gravity or 0) - gravity((e.at_ms - BEGIN_MS) / DAY_MS)) <= 1.645 * (e.gravity_sd or 0)
        for e in since
    ]

    assert sum(sure) > 0.99 * len(sure)
    assert sum(covered) > 0.85 * len(covered)


def test_a_float_that_joins_later_is_no_trouble() -> None:
    found = events(8, second_from=4.0)

    assert rmse(smooth("lot", "bucket", Profile(), BEGIN_MS, found))[0] < 0.0008


def test_a_lot_without_any_gravity_has_nothing_to_smooth() -> None:
    found: list[Observation | Entry] = [Observation(BEGIN_MS + 5, "probe", "bucket", None, None, 20.0)]

    assert [e.gravity for e in smooth("lot", "bucket", Profile(), BEGIN_MS, found)] == [None]
    assert smooth("lot", "bucket", Profile(), BEGIN_MS, []) == []
