"""A lot's watch on made-up ferments: what it says when, and what it never says.

The curves are logistic falls, sampled by a seeded float with 0.0015 of noise every 10 minutes; nothing here is real.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from random import Random
from statistics import median

import pytest

from mustwatch.cellar.book import Addition, Bottling, Entry, Measurement, Racking, Reanchor, Start, What
from mustwatch.cellar.profile import Profile, Stage
from mustwatch.must.enrichment import with_added
from mustwatch.watch.finding import Change, FindingKind, Severity, Transition, kind_named
from mustwatch.watch.lot_watch import LateArrivalError, LotWatch, SnapshotOutdatedError, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.phases import Now
from mustwatch.watch.slots import SLOT_MS
from mustwatch.watch.tail import Tail

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
Curve = Callable[[float], float]


def falls(start: float, end: float, middle_day: float, pace: float) -> Curve:
    """Return a logistic fall of gravity by days."""
    return lambda day: end + (start - end) / (1.0 + math.exp(pace * (day - middle_day)))


HEALTHY = falls(1.080, 0.993, 4.0, 1.6)
STUCK = falls(1.080, 1.020, 3.0, 1.8)


def still(day: float) -> float:
    """Return 20 °C."""
    return 20.0


def day_and_night(day: float) -> float:
    """Return 20 °C, four kelvin warmer and colder by day and night."""
    return 20.0 + 4.0 * math.sin(2.0 * math.pi * day)


def said(
    curve: Curve,
    days: float,
    *,
    from_day: float = 0.0,
    sensor: str = "float",
    noise: float = 0.0015,
    minutes: float = 10.0,
    celsius: Curve = still,
    per_k: float = 0.0,
    offset: float = 0.0,
    seed: int = 1,
) -> list[Observation]:
    """Return what a float says of a curve: rounded to 0.0005, off by ``offset`` and ``per_k`` away from 20 °C."""
    random = Random(seed)
    found = []
    for i in range(int((days - from_day) * 1440 / minutes)):
        day = from_day + i * minutes / 1440
        warm = celsius(day)
        gravity = curve(day) + offset + per_k * (warm - 20.0) + random.gauss(0, noise)
        at_ms = BEGIN_MS + round(day * DAY_MS) + 7
        found.append(
            Observation(
                at_ms,
                sensor,
                "bucket",
                round(gravity * 2000) / 2000,
                None,
                round(warm + random.gauss(0, 0.05), 2),
            )
        )
    return found


def at_day(day: float, what: What) -> Entry:
    """Return an entry of the book."""
    when = BEGIN_MS + round(day * DAY_MS)
    return Entry(f"{type(what).__name__}-{day}", "lot", when, when, what)


START = at_day(0.0, Start("bucket", gravity=1.080, litres=20.0))


def watched(
    events: Iterable[Observation | Entry], profile: Profile | None = None
) -> tuple[LotWatch, list[WatchStep]]:
    """Return the watch after all events in time order, and its steps."""
    watch = LotWatch("lot", "bucket", profile or Profile(), BEGIN_MS)
    steps: list[WatchStep] = []
    for event in sorted(events, key=lambda e: (e.at_ms, isinstance(e, Observation))):
        steps += watch.observe(event) if isinstance(event, Observation) else watch.enter(event)
    steps += watch.advance(2**62)
    return watch, steps


def told(steps: Sequence[WatchStep], kind: FindingKind, change: Change = Change.RAISED) -> list[Transition]:
    """Return the transitions of a kind."""
    return [t for step in steps for t in step.transitions if t.kind is kind and t.change is change]


def day_of(transition: Transition) -> float:
    """Return the day of a transition."""
    return (transition.at_ms - BEGIN_MS) / DAY_MS


def crossing(curve: Curve, gravity: float) -> float:
    """Return the day on which a curve falls to a gravity."""
    low, high = 0.0, 30.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if curve(middle) > gravity else (low, middle)
    return low


# -- estimate ---------------------------------------------------------------------------------------------------


def test_the_estimate_follows_a_fast_ferment_without_lag_and_a_flat_one_without_wander() -> None:
    fast = falls(1.100, 0.993, 3.5, 1.8)
    _, steps = watched([at_day(0, Start("bucket", gravity=1.100)), *said(fast, 12)])
    off = [
        s.estimate.gravity - fast((s.estimate.at_ms - BEGIN_MS) / DAY_MS)
        for s in steps
        if s.estimate.gravity is not None
    ]
    flat = [s.estimate.gravity for s in steps[-3 * 96 :] if s.estimate.gravity is not None]

    assert max(abs(o) for o in off[96:]) < 0.003
    assert (sum(o * o for o in off[96:]) / len(off[96:])) ** 0.5 < 0.0006
    assert max(flat) - min(flat) < 0.0015


def test_a_single_spike_moves_the_estimate_by_less_than_its_error() -> None:
    clean = said(HEALTHY, 2.0)
    spiked = list(clean)
    spiked[200] = spiked[200]._replace(gravity=1.120)
    _, without = watched([START, *clean])
    _, with_it = watched([START, *spiked])
    pairs = [
        (a.estimate.gravity, b.estimate.gravity, a.estimate.gravity_sd)
        for a, b in zip(without, with_it, strict=True)
    ]

    assert max(abs(a - b) / sd for a, b, sd in pairs if a and b and sd) < 0.6


def test_day_and_night_do_not_look_like_fermentation() -> None:
    """A float that errs by 0.0003 per kelvin in a flat wine that swings by 8 kelvin between day and night."""
    wine = said(lambda day: 0.993, 14, from_day=8, celsius=day_and_night, per_k=0.0003)
    _, steps = watched([START, *said(HEALTHY, 8, celsius=day_and_night, per_k=0.0003), *wine])
    rates = [s.estimate.rate_per_day for s in steps[-4 * 96 :]]

    # Untreated the rate would swing by 0.0003 x 4 x 2 pi = 0.0075 a day.
    assert max(abs(r) for r in rates if r is not None) < 0.0012
    assert not told(steps, kind_named("refermenting"))


def test_two_floats_are_fused_and_the_better_one_counts_more() -> None:
    fine = said(HEALTHY, 5, sensor="fine", noise=0.0008, seed=2)
    coarse = said(HEALTHY, 5, sensor="coarse", noise=0.004, seed=3)
    _, together = watched([START, *fine, *coarse])
    _, alone = watched([START, *coarse])

    def rmse(steps: list[WatchStep]) -> float:
        off = [
            (s.estimate.gravity or 0) - HEALTHY((s.estimate.at_ms - BEGIN_MS) / DAY_MS) for s in steps[48:]
        ]
        return (sum(o * o for o in off) / len(off)) ** 0.5

    assert rmse(together) < 0.6 * rmse(alone)


def test_a_hydrometer_check_re_anchors_the_estimate() -> None:
    """A float that reads 0.006 too low is believed until a check says so."""
    events: list[Observation | Entry] = [
        *said(HEALTHY, 6, offset=-0.006),
        at_day(3.0, Measurement(round(HEALTHY(3.0), 3))),
    ]
    _, steps = watched(events)
    before = next(s for s in steps if s.estimate.at_ms >= BEGIN_MS + 2.9 * DAY_MS).estimate
    after = next(s for s in steps if s.estimate.at_ms >= BEGIN_MS + 3.2 * DAY_MS).estimate

    assert before.gravity == pytest.approx(HEALTHY(2.9) - 0.006, abs=0.002)
    assert after.gravity == pytest.approx(HEALTHY(3.2), abs=0.002)
    assert [t.subject.sensor for t in told(steps, kind_named("float-adrift"))] == ["float"]


def test_a_re_anchoring_clears_the_drift_and_does_not_look_like_a_step() -> None:
    before = [o for o in said(HEALTHY, 6, offset=-0.006) if o.at_ms < BEGIN_MS + 4 * DAY_MS]
    after = [o for o in said(HEALTHY, 6, offset=0.0) if o.at_ms >= BEGIN_MS + 4 * DAY_MS]
    check = at_day(3.0, Measurement(round(HEALTHY(3.0), 3)))
    _, steps = watched([*before, *after, check, at_day(4.0, Reanchor("float", 0.006))])
    cleared = told(steps, kind_named("float-adrift"), Change.CLEARED)
    end = steps[-1].estimate

    assert [round(day_of(t), 1) for t in cleared] == [4.0]
    assert end.gravity == pytest.approx(HEALTHY(6.0), abs=0.002)


@pytest.mark.parametrize(("day", "is_adrift"), [(4.0, False), (10.0, True)])
def test_a_check_in_a_fast_ferment_may_differ_by_what_an_hour_makes_of_it(
    day: float, is_adrift: bool
) -> None:
    check = at_day(day, Measurement(HEALTHY(day) - 0.0038))
    _, steps = watched([START, *said(HEALTHY, day + 1.0), check])

    assert bool(told(steps, kind_named("float-adrift"))) is is_adrift


def test_sugar_raises_gravity_at_once_and_fermentation_goes_on() -> None:
    """10 g/L of sugar is 0.0038 of gravity."""

    def sweetened(day: float) -> float:
        return HEALTHY(day) + (0.00384 if day >= 3.0 else 0.0)

    _, steps = watched([START, *said(sweetened, 4.5), at_day(3.0, Addition("sugar", 200, "g", sugar_g=200))])
    after = next(s for s in steps if s.estimate.at_ms >= BEGIN_MS + 3.25 * DAY_MS).estimate

    assert after.gravity == pytest.approx(sweetened(3.25), abs=0.002)
    assert after.rate_per_day is not None
    assert after.rate_per_day < -0.01


# -- findings of a healthy lot ----------------------------------------------------------------------------------


def test_a_healthy_ferment_is_told_twice_rack_due_and_finished() -> None:
    _, steps = watched([START, *said(HEALTHY, 14)])
    kinds = [t.kind for step in steps for t in step.transitions]

    assert kinds == [kind_named("rack-due"), kind_named("finished")]


def test_rack_due_opens_within_two_hours_of_the_true_crossing() -> None:
    for seed in range(5):
        _, steps = watched([START, *said(HEALTHY, 9, seed=seed)])
        (due,) = told(steps, kind_named("rack-due"))

        assert abs(day_of(due) - crossing(HEALTHY, 1.010)) * 24 < 2.0


def test_rack_due_is_told_ahead_if_the_profile_asks_for_notice() -> None:
    _, steps = watched([START, *said(HEALTHY, 9)], Profile(racking_notice_hours=24))
    (due,) = told(steps, kind_named("rack-due"))

    assert 14 < (crossing(HEALTHY, 1.010) - day_of(due)) * 24 < 34
    assert due.evidence["hours_ahead"] == pytest.approx(24, abs=1)


def test_racking_clears_rack_due_and_names_the_new_vessel() -> None:
    racked = at_day(6.5, Racking("carboy", floats=("float",)))
    watch, steps = watched([START, *said(HEALTHY, 9), racked])
    (cleared,) = told(steps, kind_named("rack-due"), Change.CLEARED)

    assert cleared.subject.vessel == "carboy"
    assert watch.stage is Stage.SECONDARY


def test_finished_comes_within_three_days_of_settling_and_never_before() -> None:
    settled = crossing(lambda day: -(HEALTHY(day + 0.01) - HEALTHY(day)) / 0.01, 0.0008)
    for seed in range(5):
        _, steps = watched([START, *said(HEALTHY, 14, seed=seed)])
        (finished,) = told(steps, kind_named("finished"))

        assert -6 < (day_of(finished) - settled) * 24 < 72
        assert HEALTHY(day_of(finished)) - 0.993 < 0.002


def knee(day: float) -> float:
    """A day of lag, 0.020 a day to the knee, then 0.005 that fall by a fifth a day: yeast dies, sugar is left."""
    return max(1.080 - 0.020 * max(0.0, day - 1.0), 0.989 + 0.005 * math.exp(-0.2 * max(0.0, day - 5.3)))


@pytest.mark.parametrize("seed", range(8))
def test_a_slow_fall_after_a_knee_is_not_called_finished(seed: int) -> None:
    """A fast fall says nothing of a second, slower phase."""
    _, steps = watched([START, *said(knee, 16, seed=seed, noise=0.001, minutes=60)])

    for finished in told(steps, kind_named("finished")):
        assert knee(day_of(finished)) - 0.989 < 0.002


def stops_at_once(day: float) -> float:
    """0.020 a day after a day of lag, down to 1.0135, and not a thousandth further."""
    return max(1.0135, 1.080 - 0.020 * max(0.0, day - 1.0))


@pytest.mark.parametrize("seed", range(8))
def test_a_wine_that_stops_above_the_racking_gravity_is_not_called_for_racking(seed: int) -> None:
    """Racking a stuck wine does it harm."""
    _, steps = watched([START, *said(stops_at_once, 7, seed=seed, noise=0.001, minutes=15)])

    assert not told(steps, kind_named("rack-due"))


def test_finished_asks_for_a_hydrometer_check_and_says_that_bottling_waits() -> None:
    _, steps = watched([START, *said(HEALTHY, 14)])
    (finished,) = told(steps, kind_named("finished"))

    assert finished.evidence["next"] == "check with a hydrometer; bottling waits for that check"
    assert finished.severity is Severity.NOTICE


def test_a_wine_that_moves_again_is_no_longer_finished_but_refermenting() -> None:
    again = falls(0.9965, 0.9900, 16.0, 2.0)

    def curve(day: float) -> float:
        return falls(1.080, 0.9965, 4.0, 1.6)(day) if day < 13.0 else again(day)

    _, steps = watched([START, *said(curve, 21)])
    cleared = told(steps, kind_named("finished"), Change.CLEARED)
    (raised,) = told(steps, kind_named("refermenting"))
    (ended,) = told(steps, kind_named("refermenting"), Change.CLEARED)
    finished = told(steps, kind_named("finished"))

    assert cleared[0].at_ms == raised.at_ms
    assert raised.severity is Severity.WARNING
    assert [day_of(f) < 13 for f in finished] == [True, False]
    assert finished[1].at_ms == ended.at_ms


def sweetened_after_the_end(day: float) -> float:
    """Return a dry wine that is given sugar on the twelfth day, ferments it, and stays below dryness throughout."""
    end = falls(1.080, 0.990, 4.0, 1.6)
    return end(day) + (0.006 * math.exp(-0.8 * (day - 12.0)) if day >= 12.0 else 0.0)


def test_a_finished_wine_that_is_given_sugar_is_not_finished_until_it_has_fermented_that_too() -> None:
    sugar = at_day(12.0, Addition("sugar", 320, "g", sugar_g=320))
    _, steps = watched([START, *said(sweetened_after_the_end, 20), sugar])

    (cleared,) = told(steps, kind_named("finished"), Change.CLEARED)
    first, again = told(steps, kind_named("finished"))
    assert day_of(first) < 12.0
    assert day_of(cleared) == pytest.approx(12.0, abs=0.02)
    assert sweetened_after_the_end(day_of(again)) - 0.990 < 0.002


def test_a_stabilised_wine_that_is_sweetened_stays_finished() -> None:
    additions = (
        at_day(11.0, Addition("potassium sorbate", 5, "g")),
        at_day(12.0, Addition("sugar", 320, "g", sugar_g=320)),
    )

    def sweet(day: float) -> float:
        return falls(1.080, 0.990, 4.0, 1.6)(day) + (0.006 if day >= 12.0 else 0.0)

    _, steps = watched([START, *said(sweet, 18), *additions])

    assert len(told(steps, kind_named("finished"))) == 1
    assert told(steps, kind_named("finished"), Change.CLEARED) == []


def test_refermenting_in_the_bottle_is_urgent() -> None:
    again = falls(0.9965, 0.9900, 16.0, 2.0)

    def curve(day: float) -> float:
        return falls(1.080, 0.9965, 4.0, 1.6)(day) if day < 13.0 else again(day)

    _, steps = watched([START, *said(curve, 17), at_day(12.0, Bottling(24))])
    (raised,) = told(steps, kind_named("refermenting"))

    assert raised.severity is Severity.URGENT


def test_the_longer_a_profile_wants_a_wine_settled_the_later_its_end_is_foretold() -> None:
    """The rate halves within half a day on this curve, at first by the lot's own curve and then by its tail."""
    found = {}
    for hours in (48.0, 96.0):
        _, steps = watched([START, *said(HEALTHY, 9)], Profile(settled_hours=hours))
        ends = {(s.estimate.at_ms - BEGIN_MS) // HOUR_MS: s.forecast.finish for s in steps}
        found[hours] = [ends[hour] for hour in (4 * 24, 6 * 24)]

    for soon, late in zip(found[48.0], found[96.0], strict=True):
        assert soon is not None
        assert late is not None
        assert 4 < (late.at_ms - soon.at_ms) / HOUR_MS < 24


def test_a_mean_over_six_hours_is_known_better_than_that_of_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wine that has long settled is asked about its tail four times a day: by means of six hours."""
    known: list[tuple[int, float]] = []

    def take(self: Tail, days: float, gravity: float, variance: float, now: Now) -> None:
        known.append((round(24 * days), variance))
        taken(self, days, gravity, variance, now)

    taken = Tail.follow
    monkeypatch.setattr(Tail, "follow", take)
    watched([START, *said(HEALTHY, 14)])
    one, six = ([v for hours, v in known if hours == asked] for asked in (1, 6))

    assert len(six) > 12
    assert median(six) == pytest.approx(median(one) / 6.0, rel=0.1)


# -- stuck, and what only looks so --------------------------------------------------------------------------------


def test_a_ferment_that_stops_above_dryness_is_stuck_within_two_days_and_not_finished() -> None:
    for seed in range(5):
        _, steps = watched([START, *said(STUCK, 12, seed=seed)])
        (stuck,) = told(steps, kind_named("stuck"))
        stopped = crossing(lambda day: -(STUCK(day + 0.01) - STUCK(day)) / 0.01, 0.0008)

        assert -24 < (day_of(stuck) - stopped) * 24 < 48
        assert not told(steps, kind_named("finished"))


def moved(
    observations: Iterable[Observation], from_day: float, to_day: float, by: float
) -> list[Observation]:
    """Return what a float says that shows so much more from one day to another."""
    begin, end = (BEGIN_MS + round(day * DAY_MS) for day in (from_day, to_day))
    return [
        o._replace(gravity=round(((o.gravity or 0.0) + by) * 2000) / 2000) if begin <= o.at_ms < end else o
        for o in observations
    ]


def falls_again(day: float) -> float:
    """Return a stuck wine that ferments again from the ninth day on, slowly."""
    return STUCK(day) - max(0.0, 0.003 * (day - 9.0))


@pytest.mark.parametrize("hours", [6, 24, 72])
@pytest.mark.parametrize("by", [0.003, 0.006, 0.010])
def test_a_float_that_is_lifted_and_comes_back_does_not_make_a_stuck_wine_go_on(
    hours: int, by: float
) -> None:
    for seed in range(3):
        lifted = moved(said(STUCK, 14, minutes=15, seed=seed), 8.3, 8.3 + hours / 24, by)
        _, steps = watched([START, *lifted])

        assert len(told(steps, kind_named("stuck"))) == 1
        assert not told(steps, kind_named("stuck"), Change.CLEARED)


def test_a_stuck_wine_that_is_thinned_with_water_is_still_stuck_and_one_that_falls_is_not() -> None:
    water = at_day(8.0, Addition("top-up", 6.0, "L", "water", litres=6.0))
    _, steps = watched([START, water, *moved(said(STUCK, 12), 8.0, 12.0, -0.006)])
    _, again = watched([START, water, *moved(said(falls_again, 12), 8.0, 12.0, -0.006)])

    assert not told(steps, kind_named("stuck"), Change.CLEARED)
    assert [9.0 < day_of(t) < 11.0 for t in told(again, kind_named("stuck"), Change.CLEARED)] == [True]


def test_a_stuck_wine_that_ferments_again_is_stuck_no_more_a_day_and_a_half_later_at_most() -> None:
    for seed in range(3):
        _, steps = watched([START, *said(falls_again, 12, seed=seed)])
        (cleared,) = told(steps, kind_named("stuck"), Change.CLEARED)

        assert 9.0 < day_of(cleared) < 10.5


def test_a_check_may_say_that_a_stuck_wine_stands_higher_and_what_it_falls_by_counts_from_there() -> None:
    higher = at_day(9.0, Measurement(1.0255))
    fallen = moved(said(STUCK, 13), 11.0, 13.0, -0.006)
    _, steps = watched([START, *fallen])
    _, checked = watched([START, higher, *fallen])

    assert told(steps, kind_named("stuck"), Change.CLEARED)
    assert [day_of(t) > 11.0 for t in told(checked, kind_named("stuck"), Change.CLEARED)] == [True]


def test_so_near_dryness_that_a_drifted_float_may_mean_dry_stuck_is_said_only_after_three_days() -> None:
    def days_to_stuck(end: float) -> float:
        _, steps = watched([START, *said(falls(1.080, end, 4.0, 1.8), 16)])
        (stuck,) = told(steps, kind_named("stuck"))
        return day_of(stuck)

    assert days_to_stuck(1.000) - days_to_stuck(1.005) > 2.0


def frozen_from(observations: list[Observation], day: float) -> list[Observation]:
    """Return what the float says when its gravity freezes; its temperature goes on."""
    cut = BEGIN_MS + round(day * DAY_MS)
    held = next(o.gravity for o in observations if o.at_ms >= cut)
    return [o if o.at_ms < cut else o._replace(gravity=held) for o in observations]


@pytest.mark.parametrize("day", [3.5, 5.0, 6.0])
def test_a_float_that_freezes_in_mid_ferment_makes_nothing_stuck_or_finished(day: float) -> None:
    _, steps = watched([START, *frozen_from(said(HEALTHY, 14), day)])
    (frozen,) = told(steps, kind_named("float-frozen"))

    assert not told(steps, kind_named("stuck"))
    assert not told(steps, kind_named("finished"))
    assert 0.4 < day_of(frozen) - day < 1.0
    assert frozen.subject.sensor == "float"


def test_a_frozen_float_is_told_by_what_it_said_though_its_corrected_gravity_still_moves() -> None:
    observations = said(HEALTHY, 14, celsius=day_and_night)
    cut = BEGIN_MS + 5 * DAY_MS
    held = [
        o if o.at_ms < cut else o._replace(gravity=1.0105 + 1e-4 * ((o.temperature_c or 0) - 20))
        for o in observations
    ]
    said_by = [o._replace(said=o.gravity if o.at_ms < cut else 1.0105) for o in held]
    _, steps = watched([START, *said_by])

    assert told(steps, kind_named("float-frozen"))
    assert not told(steps, kind_named("stuck"))


def test_foam_that_holds_the_float_for_half_a_day_makes_nothing_stuck() -> None:
    random = Random(5)
    begin, end = BEGIN_MS + round(4.2 * DAY_MS), BEGIN_MS + round(4.7 * DAY_MS)
    where = HEALTHY(4.2) + 0.003
    foamy = [
        o
        if not begin <= o.at_ms < end
        else o._replace(gravity=round((where + random.gauss(0, 0.0004)) * 2000) / 2000)
        for o in said(HEALTHY, 8)
    ]
    _, steps = watched([START, *foamy])

    assert not told(steps, kind_named("stuck"))
    assert not told(steps, kind_named("sluggish"))


def test_silence_makes_nothing_stuck_and_clears_nothing() -> None:
    _, steps = watched([START, *said(STUCK, 8), *said(STUCK, 20, from_day=19.9)])

    assert len(told(steps, kind_named("stuck"))) == 1
    assert not told(steps, kind_named("stuck"), Change.CLEARED)


def test_a_coarse_float_in_a_still_wine_is_neither_frozen_nor_unheard() -> None:
    """Steps of 0.002 and next to no noise: the same value for days is what it must say."""

    def coarse(curve: Curve, days: float) -> list[Observation]:
        return [
            o._replace(gravity=round((o.gravity or 0) * 500) / 500) for o in said(curve, days, noise=0.0002)
        ]

    _, steps = watched([START, *coarse(HEALTHY, 14)])

    assert told(steps, kind_named("finished"))
    assert all(day_of(t) > 8 for t in told(steps, kind_named("float-frozen")))


def test_no_onset_within_the_profiles_hours_is_told_once_and_cleared_by_the_onset() -> None:
    late = falls(1.080, 0.993, 8.0, 2.0)
    _, steps = watched([START, *said(late, 9)])
    (raised,) = told(steps, kind_named("late-onset"))
    (cleared,) = told(steps, kind_named("late-onset"), Change.CLEARED)

    assert day_of(raised) == pytest.approx(3.0, abs=0.1)
    assert 5.5 < day_of(cleared) < 7.5


def test_a_slow_fall_is_sluggish_and_no_more() -> None:
    def slow(day: float) -> float:
        return 1.080 - 0.02 * min(max(day - 1.0, 0.0), 2.0) - 0.003 * max(day - 3.0, 0.0)

    _, steps = watched([START, *said(slow, 10)])

    assert [round(day_of(t)) for t in told(steps, kind_named("sluggish"))] in ([4], [5])
    assert not told(steps, kind_named("stuck"))


# -- by hand --------------------------------------------------------------------------------------------------------


def test_a_lot_watched_by_hand_is_finished_by_two_equal_checks_two_days_apart() -> None:
    checks = [(3, 1.045), (5, 1.012), (6, 1.004), (8, 0.995), (10, 0.994)]
    _, steps = watched([START, *(at_day(day, Measurement(gravity)) for day, gravity in checks)])

    assert [round(day_of(t)) for t in told(steps, kind_named("finished"))] == [10]
    assert [round(day_of(t)) for t in told(steps, kind_named("rack-due"))] == [6]


def test_a_lot_watched_by_hand_is_stuck_by_two_equal_checks_above_dryness() -> None:
    checks = [(3, 1.045), (5, 1.022), (7, 1.022)]
    _, steps = watched([START, *(at_day(day, Measurement(gravity)) for day, gravity in checks)])

    assert [round(day_of(t)) for t in told(steps, kind_named("stuck"))] == [7]


# -- event time -------------------------------------------------------------------------------------------------------


def test_what_lies_before_the_horizon_is_refused_by_name() -> None:
    watch, _ = watched([START, *said(HEALTHY, 0.1)])

    with pytest.raises(LateArrivalError, match=r"lot lot: instant \d+ lies before the horizon"):
        watch.observe(said(HEALTHY, 0.05)[0])


def test_the_horizon_moves_with_the_slots_and_a_tick_closes_only_what_has_ended() -> None:
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    first = said(HEALTHY, 0.1)[0]
    assert watch.horizon_ms == BEGIN_MS
    assert watch.observe(first) == ()

    assert watch.advance(BEGIN_MS + SLOT_MS - 1) == ()
    assert [s.estimate.at_ms for s in watch.advance(BEGIN_MS + SLOT_MS)] == [BEGIN_MS + SLOT_MS]
    assert watch.horizon_ms == BEGIN_MS + SLOT_MS


@pytest.mark.parametrize("old", ['"version":"', '"watch":[', '"FloatFrozen":[', '"lot"'])
def test_a_snapshot_that_does_not_fit_is_outdated(old: str) -> None:
    watch, _ = watched([START])
    other = watch.snapshot().replace(old, f"{old}9" if old.endswith('"') else f"{old}9,", 1)

    with pytest.raises(SnapshotOutdatedError, match="replay the lot"):
        LotWatch.restore(other, Profile())
    for nothing in ("", "[]", "{}", "null", '{"version":7}'):
        with pytest.raises(SnapshotOutdatedError, match="replay the lot"):
            LotWatch.restore(nothing, Profile())


def test_a_snapshot_stays_small_however_long_the_history() -> None:
    watch, _ = watched([START, *said(HEALTHY, 60, minutes=30)])

    assert len(watch.snapshot()) < 9_000


def test_the_band_of_a_stage_holds_from_its_entry_on() -> None:
    profile = replace(Profile(), bands=((Stage.SECONDARY, replace(Profile().band, high_c=18.0)),))
    _, steps = watched([START, *said(HEALTHY, 9), at_day(6.5, Racking("carboy"))], profile)
    (warm,) = told(steps, kind_named("too-warm"))

    assert 6.5 < day_of(warm) < 6.7


# -- temperature ------------------------------------------------------------------------------------------------------


def in_its_room(coldest_c: float, warmest_c: float) -> Curve:
    """Return a must that swings between two temperatures with the days, coldest at 6:00."""
    middle, swing = 0.5 * (warmest_c + coldest_c), 0.5 * (warmest_c - coldest_c)
    return lambda day: middle - swing * math.cos(2.0 * math.pi * (day - 0.25))


def test_a_must_that_comes_back_by_just_half_a_degree_each_day_is_told_once_of_one_excursion() -> None:
    _, steps = watched([START, *said(HEALTHY, 8, celsius=in_its_room(13.5, 15.5))])

    assert len(told(steps, kind_named("too-cold"))) == 1
    assert told(steps, kind_named("too-cold"), Change.CLEARED) == []


def test_a_must_that_is_well_back_inside_each_day_is_one_excursion_that_eases_and_comes_back() -> None:
    _, steps = watched([START, *said(HEALTHY, 4, celsius=in_its_room(13.5, 16.5))])

    severities = [t.severity for t in told(steps, kind_named("too-cold"))]
    assert severities == [Severity.WARNING, Severity.NOTICE] * 4
    assert told(steps, kind_named("too-cold"), Change.CLEARED) == []


def test_a_leap_at_the_onset_does_not_make_the_fall_after_it_sluggish_for_two_days() -> None:
    def leaps(day: float) -> float:
        return 1.080 - 0.02 * min(max(day - 2.0, 0.0), 0.5) - 0.004 * max(day - 2.5, 0.0)

    _, steps = watched([START, *said(leaps, 8)])
    (sluggish,) = told(steps, kind_named("sluggish"))

    assert 4.0 < day_of(sluggish) < 5.5


@pytest.mark.parametrize(
    ("falls_at_hour", "is_told"), [(17.5, False), (18.25, True), (8.75, True), (9.0, False)]
)
def test_the_night_lasts_from_its_first_quarter_of_an_hour_to_its_last(
    falls_at_hour: float, is_told: bool
) -> None:
    """BEGIN_MS is at a UTC hour of its own; the night is 18:00 to 09:00 UTC here."""
    begin_hour = BEGIN_MS % DAY_MS / HOUR_MS
    at_day_ = 3.0 + (falls_at_hour - begin_hour) / 24.0

    def drops(day: float) -> float:
        return 20.0 if day < at_day_ else 13.0

    _, steps = watched([START, *said(HEALTHY, at_day_ + 0.6, celsius=drops, minutes=5.0)])

    assert bool(told(steps, kind_named("night-swing"))) is is_told


def test_sugar_lifts_the_estimate_by_the_mass_balance_at_the_gravity_it_went_into() -> None:
    """A kilogram in 20 L lifts 1.080 by less than water, for the must already holds sugar and the volume grows."""
    sugar = at_day(0.5, Addition("sugar", 1000, "g", sugar_g=1000))
    check = at_day(0.4, Measurement(1.080))
    before, _ = watched([START, check])
    after, _ = watched([START, check, sugar])

    was, became = before.estimate().gravity, after.estimate().gravity
    assert was is not None
    assert became is not None
    assert became == pytest.approx(with_added(20.0, was, 1000.0).gravity, abs=0.00005)
