"""What moves the estimate when a float behaves unlike a fall: a wine that stops, foam that holds and lets go, spikes."""

from random import Random

import pytest

from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.profile import Profile
from mustwatch.watch.float_track import FloatTrack
from mustwatch.watch.gravity_filter import RISING_MOST, GravityFilter
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS

HOUR_MS = 3_600_000
BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
NOISE = 0.0015
STOPS_H = 80.0
STOPPED_AT = 1.0403


def falling(hour: float) -> float:
    """A must that begins at 1.080, falls by 0.018 a day from the 27th hour on and stops at once after 80 hours."""
    return 1.080 - 0.018 / 24.0 * (min(max(hour, 27.0), STOPS_H) - 27.0)


def watched(
    seed: int, until_h: float, held: tuple[float, float] | None = None
) -> list[tuple[float, WatchStep]]:
    """Watch it through one float every quarter of an hour; ``held``: from and until when foam holds the float."""
    random = Random(seed)
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    steps = list(watch.enter(Entry("1", "lot", BEGIN_MS, BEGIN_MS, Start("bucket", gravity=1.080))))
    for n in range(int(until_h * 4)):
        hour = n / 4.0 + 0.1
        at_ms = BEGIN_MS + round(hour * HOUR_MS)
        shown = falling(hour) + random.gauss(0.0, NOISE)
        if held is not None and held[0] <= hour < held[1]:
            shown = falling(held[0]) + random.gauss(0.0, 0.3 * NOISE)
        steps += watch.observe(Observation(at_ms, "float", "bucket", round(shown, 4), NOISE, 20.0, None))
    return [((s.estimate.at_ms - BEGIN_MS) / HOUR_MS, s) for s in steps]


@pytest.mark.parametrize("seed", range(8))
def test_a_wine_that_stops_at_once_is_followed_although_a_float_that_hangs_would_stop_too(seed: int) -> None:
    off = [
        s.estimate.gravity - STOPPED_AT for h, s in watched(seed, 130) if h > STOPS_H and s.estimate.gravity
    ]

    assert min(off) > -0.0055
    assert max(off) < 0.0020
    assert all(abs(last) < 0.0012 for last in off[-40:])


def test_in_the_day_after_a_stop_the_band_holds_the_gravity_as_often_as_it_says() -> None:
    told = [(h, s.estimate) for seed in range(12) for h, s in watched(seed, STOPS_H + 24.0)]
    held = [
        abs(e.gravity - falling(h)) <= 1.645 * e.gravity_sd
        for h, e in told
        if h > STOPS_H and e.gravity is not None and e.gravity_sd is not None
    ]

    assert len(held) > 1000
    assert 0.85 <= sum(held) / len(held) <= 0.98


@pytest.mark.parametrize("seed", range(4))
def test_a_float_that_hangs_in_foam_and_trembles_little_is_still_not_believed(seed: int) -> None:
    off = [
        s.estimate.gravity - falling(h)
        for h, s in watched(seed, 76, held=(62.0, 72.0))
        if 62.0 < h < 72.0 and s.estimate.gravity
    ]

    assert max(off) < 0.0040  # the float itself is 0.0075 too high by then


def test_no_wine_is_said_to_rise_by_itself() -> None:
    rates = [s.estimate.rate_per_day for h, s in watched(3, 130) if h > STOPS_H and s.estimate.rate_per_day]

    assert max(rates) < 2.0 * RISING_MOST


def test_a_rate_above_what_a_wine_can_do_takes_the_gravity_that_goes_with_it_along() -> None:
    kept = GravityFilter(1.040, 0.001)
    i = kept.add_float("float")
    kept.has_begun = True
    for _ in range(12):
        kept.predict(1 / 24)
        mean, _ = kept.expect(i, 0.0)
        kept.update_float(i, 0.0, 1.046 - mean, NOISE**2)

    assert kept.x[1] <= RISING_MOST + 1e-12
    assert 1.040 < kept.x[0] < 1.0465


def far_off(*residuals: float) -> FloatTrack:
    """A float that showed these residuals, slot by slot, in a wine known to 0.0005 that falls by 0.010 a day."""
    track = FloatTrack(3, NOISE)
    for n, residual in enumerate(residuals):
        end_ms = BEGIN_MS + (n + 1) * SLOT_MS
        track.weigh([(1.030 + residual, end_ms, 1.030)], 1.030, 0.0005**2, -0.010 / 86_400_000, end_ms)
    return track


def test_two_slots_far_below_that_agree_are_a_float_that_foam_let_go() -> None:
    assert far_off(-0.012, -0.013).has_jumped()


def test_two_spikes_downward_of_different_length_are_no_jump() -> None:
    assert not far_off(-0.012, -0.030).has_jumped()


def test_sugar_nobody_wrote_down_is_followed_after_five_slots_that_agree() -> None:
    assert not far_off(*[0.020] * 4).has_jumped()
    assert far_off(*[0.020] * 5).has_jumped()


def weighed(shown: float, stood: float) -> float:
    """The residual of one reading in a wine that, unheard for hours, is thought to be at 1.020 give or take 0.004."""
    track = FloatTrack(3, NOISE)
    residual, _ = track.weigh(
        [(shown, BEGIN_MS, shown)], 1.020, 0.004**2, -0.010 / 86_400_000, BEGIN_MS, (stood - 1.020, 0.0005**2)
    )
    return residual


def test_after_a_silence_a_reading_far_above_where_the_wine_stood_is_taken_to_show_little_more() -> None:
    assert 1.020 + weighed(1.024, stood=1.024) == pytest.approx(1.024)
    assert 1.020 + weighed(1.040, stood=1.024) == pytest.approx(1.024 + 2.0 * (NOISE**2 + 0.0005**2) ** 0.5)
    assert 1.020 + weighed(1.040, stood=9.0) == pytest.approx(1.040)


def test_a_float_that_hangs_and_repeats_itself_is_not_taken_for_a_coarse_one() -> None:
    track = FloatTrack(3, NOISE)
    track.equal_share = 0.35  # rounded to 0.001 it repeats itself now and then
    for n in range(48):
        end_ms = BEGIN_MS + (n + 1) * SLOT_MS
        fallen = 1.030 - 0.010 / 96.0 * n
        track.tremble([(1.036, end_ms, 1.036)], fallen, 0.0007**2, -0.010 / 86_400_000, end_ms)

    assert track.is_held
