"""A float that foam holds: what it said before that was sure is taken back, and racking is told although it hangs."""

import json
from random import Random

import pytest

from mustwatch.cellar.book import Entry, Measurement, Start
from mustwatch.cellar.profile import Profile
from mustwatch.watch.finding import Change, kind_named
from mustwatch.watch.gravity_filter import GravityFilter
from mustwatch.watch.hanging import MOST_STEPS, Hanging
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS

HOUR_MS = 3_600_000
BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
NOISE = 0.0015
FALLS_H = 27.0
CROSSES_H = FALLS_H + (1.080 - 1.010) / 0.018 * 24.0


def falling(hour: float) -> float:
    """A must of 1.080 that falls by 0.018 a day from the 27th hour on, past 1.010 at the 120th."""
    return 1.080 - 0.018 / 24.0 * max(hour - FALLS_H, 0.0)


def events(
    seed: int, until_h: float, held: tuple[float, float], lift: float = 0.003
) -> list[Observation | Entry]:
    """A float every quarter of an hour that foam lifts and holds from and until these hours."""
    random = Random(seed)
    found: list[Observation | Entry] = [
        Entry("1", "lot", BEGIN_MS, BEGIN_MS, Start("bucket", gravity=1.080, litres=20.0))
    ]
    for n in range(int(until_h * 4)):
        hour = n / 4.0 + 0.1
        shown = falling(hour) + random.gauss(0.0, NOISE)
        if held[0] <= hour < held[1]:
            shown = falling(held[0]) + lift + random.gauss(0.0, 0.25 * NOISE)
        at_ms = BEGIN_MS + round(hour * HOUR_MS)
        found.append(Observation(at_ms, "float", "bucket", round(shown, 4), NOISE, 20.0, None))
    return found


def stepped(watch: LotWatch, of: list[Observation | Entry]) -> list[WatchStep]:
    """Return the steps of a watch over some events."""
    steps: list[WatchStep] = []
    for event in of:
        steps += watch.observe(event) if isinstance(event, Observation) else watch.enter(event)
    return steps


def hour_of(at_ms: int) -> float:
    """Return an instant in hours since the begin."""
    return (at_ms - BEGIN_MS) / HOUR_MS


def off(steps: list[WatchStep], from_h: float, to_h: float) -> list[float]:
    """Return by how much the estimates of these hours are off."""
    return [
        s.estimate.gravity - falling(hour_of(s.estimate.at_ms))
        for s in steps
        if s.estimate.gravity is not None and from_h <= hour_of(s.estimate.at_ms) < to_h
    ]


@pytest.mark.parametrize("seed", range(6))
def test_racking_is_told_in_time_although_the_float_hangs_in_foam_over_the_crossing(seed: int) -> None:
    steps = stepped(
        LotWatch("lot", "bucket", Profile(), BEGIN_MS),
        events(seed, CROSSES_H + 12.0, (CROSSES_H - 1.5, CROSSES_H + 9.0), lift=0.001),
    )
    due = [
        t
        for s in steps
        for t in s.transitions
        if t.kind is kind_named("rack-due") and t.change is Change.RAISED
    ]

    assert len(due) == 1
    assert hour_of(due[0].at_ms) == pytest.approx(
        CROSSES_H, abs=3.5
    )  # the float would say so eleven hours late
    assert due[0].evidence["hours_unheard"] == pytest.approx(hour_of(due[0].at_ms) - CROSSES_H + 1.5, abs=2.0)


@pytest.mark.parametrize("seed", range(6))
def test_a_float_that_hangs_well_above_the_racking_gravity_is_waited_for(seed: int) -> None:
    """It may after all swim in a wine that is stuck, and racking would do that harm."""
    until_h = CROSSES_H + 9.0
    steps = stepped(
        LotWatch("lot", "bucket", Profile(), BEGIN_MS),
        events(seed, until_h + 2.0, (CROSSES_H - 6.0, until_h), lift=0.003),
    )
    told = [hour_of(t.at_ms) for s in steps for t in s.transitions if t.kind is kind_named("rack-due")]

    assert len(told) == 1
    assert told[0] >= until_h


@pytest.mark.parametrize("seed", range(6))
def test_once_it_is_sure_that_a_float_hangs_the_estimate_is_where_the_fall_went_on(seed: int) -> None:
    steps = stepped(
        LotWatch("lot", "bucket", Profile(), BEGIN_MS), events(seed, 100.0, (80.0, 92.0), lift=0.001)
    )

    assert max(abs(o) for o in off(steps, 84.0, 88.0)) < 0.0035  # the float shows 0.004 to 0.007 too much


@pytest.mark.parametrize("cut_h", [80.5, 81.5, 84.0])
def test_a_snapshot_amid_the_hanging_goes_on_as_if_nothing_had_been(cut_h: float) -> None:
    found = events(2, 100.0, (80.0, 92.0))
    cut = sum(hour_of(e.at_ms) < cut_h for e in found)
    whole = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    first = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    stepped(first, found[:cut])
    again = LotWatch.restore(first.snapshot(), Profile())

    unread = [e for e in found[:cut] if e.at_ms >= again.horizon_ms]

    assert stepped(whole, found)[-20:] == stepped(again, unread + found[cut:])[-20:]
    assert json.loads(whole.snapshot()) == json.loads(again.snapshot())


def test_a_filter_that_comes_back_to_a_mark_is_where_it_would_be_without_what_it_heard() -> None:
    def begun() -> GravityFilter:
        kept = GravityFilter(1.040, 0.001)
        kept.add_float("float")
        kept.has_begun = True
        kept.x[1] = -0.012
        return kept

    misled, alone, hanging = begun(), begun(), Hanging()
    hanging.begin(misled)
    for _ in range(6):
        misled.predict(1 / 96, 0.1)
        hanging.advance(1 / 96, 0.1)
        misled.update_float(3, 0.0, 0.004, NOISE**2)
        alone.predict(1 / 96, 0.1)

    assert misled.x[0] > alone.x[0] + 0.001
    assert hanging.take_back(misled)
    assert (misled.x, misled.p) == (alone.x, alone.p)
    assert not hanging.take_back(misled), "once"


def test_what_is_unsure_for_too_long_is_not_taken_back() -> None:
    kept, hanging = GravityFilter(1.040, 0.001), Hanging()
    hanging.begin(kept)
    for _ in range(MOST_STEPS + 1):
        hanging.advance(1 / 96, 0.0)

    assert not hanging.take_back(kept)


def test_a_check_or_a_second_float_meanwhile_is_not_taken_back() -> None:
    found = events(4, 82.0, (80.0, 92.0))
    checked = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    stepped(checked, found)
    at_ms = BEGIN_MS + round(82.05 * HOUR_MS)
    checked.enter(Entry("2", "lot", at_ms, at_ms, Measurement(1.039)))
    checked.advance(2**62)
    assert checked._estimator.hanging.mark is None

    two = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    others = [
        Observation(e.at_ms + 1, "other", "bucket", round(falling(hour_of(e.at_ms)), 4), NOISE, 20.0)
        for e in found
        if isinstance(e, Observation)
    ]
    stepped(two, sorted([*found, *others], key=lambda e: e.at_ms))
    assert two._estimator.hanging.mark is None


def test_by_hand_with_a_probe_racking_is_reckoned_between_checks_and_says_since_when() -> None:
    found: list[Observation | Entry] = [
        Entry("1", "lot", BEGIN_MS, BEGIN_MS, Start("bucket", gravity=1.080, litres=20.0))
    ]
    for n in range(int((CROSSES_H + 12.0) * 4)):
        at_ms = BEGIN_MS + n * SLOT_MS + 5
        found.append(Observation(at_ms, "probe", "bucket", None, None, 20.0, None))
        if n % 32 == 16:
            gravity = round(falling(n / 4.0), 3)
            found.append(Entry(f"c{n}", "lot", at_ms, at_ms, Measurement(gravity)))
    steps = stepped(LotWatch("lot", "bucket", Profile(), BEGIN_MS), found)
    due = [t for s in steps for t in s.transitions if t.kind is kind_named("rack-due")]

    assert len(due) == 1
    assert hour_of(due[0].at_ms) == pytest.approx(CROSSES_H, abs=6.0)
    assert 0.0 < float(due[0].evidence["hours_unheard"] or 0.0) <= 8.5
