"""Heat that kills yeast: its tail is taken to be a slow one, and ``finished`` waits until it must have ended."""

import math
from random import Random

import pytest

from mustwatch.cellar.book import Addition, Entry, Start
from mustwatch.cellar.profile import Profile
from mustwatch.watch.finding import Change, Subject, kind_named
from mustwatch.watch.findings.finished import Ended
from mustwatch.watch.heat import HARMFUL_MS, HOT_C, Heat
from mustwatch.watch.lot_estimator import LotEstimator
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.phases import Now
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.slots import SLOT_MS
from mustwatch.watch.tail import PACES_PER_DAY, PRIORS, PRIORS_AFTER_HEAT, Tail

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
END = 0.9945


def gravity(day: float) -> float:
    """A day and a half of lag, 0.020 a day down to 1.004, then a quarter of what is left each day: half in 2.4 days."""
    begins = 1.5 + (1.080 - 1.004) / 0.020
    if day < 1.5:
        return 1.080
    if day < begins:
        return 1.080 - 0.020 * (day - 1.5)
    fast, slow = 0.0045 * math.exp(-2.0 * (day - begins)), 0.005 * math.exp(-0.28 * (day - begins))
    return END + fast + slow


def finished(
    seed: int, hottest_c: float = 22.0, also: tuple[Entry, ...] = ()
) -> tuple[LotWatch, list[float]]:
    """Watch it by an hourly float in a must that is so hot for ten hours on the fourth day; days of ``finished``."""
    random = Random(seed)
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    events: list[Observation | Entry] = [
        Entry("start", "lot", BEGIN_MS, BEGIN_MS, Start("bucket", gravity=1.080)),
        *also,
    ]
    for hour in range(24 * 24):
        celsius = hottest_c if 80 <= hour < 90 else 22.0
        shown = gravity(hour / 24) + random.gauss(0.0, 0.0015)
        events.append(
            Observation(BEGIN_MS + hour * HOUR_MS + 9, "float", "bucket", round(shown, 4), None, celsius)
        )
    steps: list[WatchStep] = []
    for event in sorted(events, key=lambda e: e.at_ms):
        steps += watch.observe(event) if isinstance(event, Observation) else watch.enter(event)
    return watch, [
        (t.at_ms - BEGIN_MS) / DAY_MS
        for step in steps
        for t in step.transitions
        if t.kind is kind_named("finished") and t.change is Change.RAISED
    ]


def test_the_paces_after_heat_are_a_distribution_with_more_weight_on_the_slow_ones() -> None:
    assert sum(PRIORS) == pytest.approx(1.0)
    assert sum(PRIORS_AFTER_HEAT) == pytest.approx(1.0, abs=0.01)
    slow = [i for i, pace in enumerate(PACES_PER_DAY) if pace < 0.3]
    assert sum(PRIORS_AFTER_HEAT[i] for i in slow) > 2.0 * sum(PRIORS[i] for i in slow)


@pytest.mark.parametrize("seed", range(6))
def test_after_heat_finished_waits_for_a_slow_tail(seed: int) -> None:
    _, cool = finished(seed)
    _, hot = finished(seed, 36.0)

    assert hot, "said in the end"
    assert gravity(hot[0]) - END < 0.002
    assert hot[0] > cool[0] + 0.5


def test_heat_below_what_kills_yeast_changes_nothing() -> None:
    """But for what the float's own lean makes of it: a few hours."""
    assert finished(1, 33.5)[1] == pytest.approx(finished(1)[1], abs=0.25)


@pytest.mark.parametrize(("what", "is_forgotten"), [("yeast", True), ("nutrient", False)])
def test_new_yeast_has_not_been_in_the_heat(what: str, is_forgotten: bool) -> None:
    at_ms = BEGIN_MS + 5 * DAY_MS
    pitched = Entry("again", "lot", at_ms, at_ms, Addition(what, 5.0, "g"))
    watch, _ = finished(2, 36.0, (pitched,))

    assert watch._estimator.heat.is_harmful is not is_forgotten


def test_heat_harms_after_hours_and_one_reading_stands_for_no_more_than_one_of_them() -> None:
    heat = Heat()

    assert not any(heat.take(HOT_C - 0.1, HOUR_MS) for _ in range(100))
    assert not heat.take(HOT_C, 30 * DAY_MS)
    told = [heat.take(HOT_C + 2.0, SLOT_MS) for _ in range(20)]
    assert told.index(True) == (HARMFUL_MS - HOUR_MS) // SLOT_MS - 1
    assert told.count(True) == 1
    assert heat.is_harmful

    heat.begin_anew()
    assert not heat.is_harmful


def test_a_tail_that_has_begun_weighs_its_paces_anew_without_losing_what_it_learnt() -> None:
    def followed(*, expects_slow: bool) -> tuple[float, float]:
        random, tail = Random(5), Tail()
        tail.begin(BEGIN_MS, 0.993, 0.003, Now(0.998, 0.0007, -0.004, 0.001))
        for hour in range(1, 60):
            left = 0.005 * math.exp(-hour / 24.0)
            now = Now(0.993 + left, 0.0007, -left, 0.0007)
            tail.follow(1 / 24, 0.993 + left + random.gauss(0.0, 0.0008), 0.0008**2, now)
            if expects_slow and hour == 30:
                tail.expect(PRIORS_AFTER_HEAT)
        return tail.judge(0.002, 0.0008)

    left, slower_left = followed(expects_slow=False)[0], followed(expects_slow=True)[0]
    assert left < slower_left < 1.0
    assert slower_left < 8.0 * left


def settled_view(hour: float) -> SlotView:
    """A dry wine whose tail leaves next to nothing, so many hours after the begin, after harmful heat."""
    estimator = LotEstimator(48.0, BEGIN_MS)
    estimator.heat.is_harmful = True
    estimator.p_unfinished, estimator.p_falling = 0.01, 0.05
    view = SlotView(Subject("lot", "bucket"), Profile(), BEGIN_MS, estimator)
    view.at_ms = BEGIN_MS + round(hour * HOUR_MS)
    view.gravity, view.gravity_sd, view.rate, view.rate_sd, view.heard = 0.994, 0.0005, 0.0, 0.0004, True
    return view


def test_in_doubt_the_waiting_is_for_hours_in_a_row_and_begins_anew_each_time() -> None:
    ended = Ended()
    raised = [h for h in range(200, 260) for t in ended.judge(settled_view(h)) if t.change is Change.RAISED]
    assert raised == [218]

    moving = settled_view(300)
    moving.gravity, moving.rate = 0.990, -0.004
    assert {t.kind for t in ended.judge(moving)} == {kind_named("finished"), kind_named("refermenting")}

    again = [
        h for h in range(325, 400) for t in ended.judge(settled_view(h)) if t.kind is kind_named("finished")
    ]
    assert again == [343]


def test_one_odd_hour_begins_the_waiting_anew() -> None:
    ended = Ended()
    found = []
    for hour in range(200, 260):
        view = settled_view(hour)
        if hour == 210:
            view.estimator.p_unfinished = 0.05
        found += [hour for t in ended.judge(view) if t.kind is kind_named("finished")]

    assert found == [229]


def test_a_filter_that_sees_it_fall_is_heard_beside_the_tail() -> None:
    ended = Ended()
    view = settled_view(200)
    view.estimator.heat.begin_anew()
    view.rate = -0.0012
    assert not ended.judge(view)

    view.rate = -0.0004
    assert [t.kind for t in ended.judge(view)] == [kind_named("finished")]
