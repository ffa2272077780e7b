"""What is concluded from a float that a check has shown to be adrift: never that a wine above dryness is finished."""

from random import Random

import pytest

from mustwatch.cellar.book import Entry, Measurement, Start
from mustwatch.cellar.profile import Profile
from mustwatch.watch.finding import Change, FindingKind, kind_named
from mustwatch.watch.float_track import FloatTrack
from mustwatch.watch.lot_estimator import LotEstimator
from mustwatch.watch.lot_watch import LotWatch
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
CHECKED_ON = 11.0
CREEPS_UNTIL = 13.0


def raised(
    seed: int, stands_at: float, creeps_per_day: float, days: float, stands_from: float = 9.2
) -> list[tuple[FindingKind, float]]:
    """Watch a wine that comes to stand on a day by a float that creeps from day 3 to 13; one check, on day 11."""
    random = Random(seed)
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    steps = list(watch.enter(Entry("1", "lot", BEGIN_MS, BEGIN_MS, Start("bucket", gravity=1.080))))
    for n in range(int(days * 48)):
        day = n / 48
        gravity = 1.080 - (1.080 - stands_at) * min(max(day - 1.2, 0.0) / (stands_from - 1.2), 1.0)
        at_ms = BEGIN_MS + round(day * DAY_MS) + 7
        if n == CHECKED_ON * 48:
            check = Measurement(round(gravity, 3))
            steps += watch.enter(Entry("2", "lot", at_ms, at_ms, check))
        shown = gravity + creeps_per_day * min(max(day - 3.0, 0.0), CREEPS_UNTIL - 3.0)
        shown = round(shown + random.gauss(0.0, 0.0015), 4)
        steps += watch.observe(Observation(at_ms + 1, "float", "bucket", shown, 0.0015, 20.0))
    return [
        (t.kind, (t.at_ms - BEGIN_MS) / DAY_MS)
        for s in steps
        for t in s.transitions
        if t.change is Change.RAISED
    ]


@pytest.mark.parametrize("seed", range(4))
def test_a_dry_wine_that_stands_is_finished_although_its_float_has_crept_down(seed: int) -> None:
    found = raised(seed, 0.994, -0.0005, 22.0, stands_from=10.6)
    days = [day for kind, day in found if kind is kind_named("finished")]

    assert kind_named("float-adrift") in dict(found)
    assert len(days) == 1
    assert CHECKED_ON < days[0] < 16.0


@pytest.mark.parametrize("seed", range(4))
def test_a_float_known_to_creep_down_makes_nothing_ferment_again(seed: int) -> None:
    found = raised(seed, 0.994, -0.0014, 22.0)

    assert kind_named("finished") in dict(found)
    assert kind_named("refermenting") not in dict(found)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("creeps", [-0.0005, -0.0007])
@pytest.mark.parametrize("stands_at", [0.9985, 1.001])
def test_a_wine_checked_to_stand_above_dryness_is_never_finished_by_a_float_that_creeps_below(
    seed: int, creeps: float, stands_at: float
) -> None:
    found = raised(seed, stands_at, creeps, 24.0)

    assert kind_named("float-adrift") in dict(found)
    assert not [day for kind, day in found if kind is kind_named("finished") and day > CHECKED_ON]


@pytest.mark.parametrize("seed", range(4))
def test_a_float_that_crept_up_may_hide_a_fall_and_says_nothing_of_the_end(seed: int) -> None:
    found = raised(seed, 0.994, 0.0008, 22.0)

    assert kind_named("float-adrift") in dict(found)
    assert not [day for kind, day in found if kind is kind_named("finished") and day > CHECKED_ON]


def with_floats(**adrift: bool) -> LotEstimator:
    """Return an estimator that has just heard floats that are or are not adrift."""
    estimator = LotEstimator(48.0, BEGIN_MS)
    estimator.through_ms = BEGIN_MS + DAY_MS
    for name, is_adrift in adrift.items():
        track = estimator.floats[name] = FloatTrack(3)
        track.is_adrift, track.heard_ms = is_adrift, BEGIN_MS + DAY_MS
    return estimator


def test_a_float_that_is_adrift_beside_a_good_one_leaves_the_good_one_to_go_by() -> None:
    assert with_floats(one=True).is_adrift
    assert not with_floats(one=True, other=False).is_adrift
    assert not with_floats(one=False).is_adrift

    fell_silent = with_floats(one=True, other=False)
    fell_silent.floats["other"].heard_ms = BEGIN_MS
    assert fell_silent.is_adrift


def test_a_check_from_before_the_sugar_does_not_vouch_for_a_float_adrift() -> None:
    estimator = with_floats(one=True)
    estimator.checked_gravity = 0.995
    assert estimator.no_lower_than(0.994) == 0.995

    estimator.forget_checks()
    assert estimator.no_lower_than(0.994) > 1.2
