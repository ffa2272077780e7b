"""The parts of the watch, each by itself: filter, tail, forecast, thermometer, constancy, silence, sensor watch."""

import json
import math
from random import Random

import pytest

from mustwatch.cellar.history import BEGINNING_MS, END_MS, Placement
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.watch.constancy import Constancy
from mustwatch.watch.curve import SLOWING, Curve, expected_end
from mustwatch.watch.finding import Change, Severity, Subject, Transition, kind_named
from mustwatch.watch.findings.sensor_silent import judge_silence
from mustwatch.watch.gravity_filter import GravityFilter
from mustwatch.watch.hand import HandChecks
from mustwatch.watch.memory import dumped, recall
from mustwatch.watch.motion import Motion
from mustwatch.watch.observation import Observation
from mustwatch.watch.phases import Now
from mustwatch.watch.sensor_watch import SensorWatch
from mustwatch.watch.slots import KEPT_PER_SLOT, SLOT_MS, OpenSlot, SensorSlot, slot_start_ms
from mustwatch.watch.tail import Tail
from mustwatch.watch.thermometer import Thermometer

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS


# -- filter ------------------------------------------------------------------------------------------------------


def test_the_motion_over_two_slots_is_the_motion_over_one_twice() -> None:
    one, two = Motion(1 / 96), Motion(2 / 96)

    assert two.f33 == pytest.approx(one.f33**2, rel=1e-12)
    assert two.f23 == pytest.approx(one.f23 + one.f23 * one.f33, rel=1e-9)
    assert two.f13 == pytest.approx(one.f13 + one.dt * one.f23 + one.f13 * one.f33, rel=1e-6)


def test_the_noise_of_motion_agrees_with_an_integration_in_small_steps() -> None:
    """Own integration: dP/dt = F P + P F' + Q with a unit acceleration variance and alpha 2 a day."""
    alpha, dt, n = 2.0, 0.25, 20_000
    h = dt / n
    p11 = p12 = p13 = p22 = p23 = p33 = 0.0
    for _ in range(n):
        d11, d12, d13 = 2 * p12, p22 + p13, p23 - alpha * p13
        d22, d23, d33 = 2 * p23, p33 - alpha * p23, 2 * alpha * (1.0 - p33)
        p11, p12, p13 = p11 + h * d11, p12 + h * d12, p13 + h * d13
        p22, p23, p33 = p22 + h * d22, p23 + h * d23, p33 + h * d33
    motion = Motion(dt)

    exact = (motion.q11, motion.q12, motion.q13, motion.q22, motion.q23, motion.q33)
    assert exact == pytest.approx((p11, p12, p13, p22, p23, p33), rel=2e-3)


def test_a_check_shifts_a_floats_offset_as_much_as_its_error_allows() -> None:
    kept = GravityFilter(1.050, 0.003)
    i = kept.add_float("float")
    for _ in range(200):
        mean, _ = kept.expect(i, 0.0)
        kept.update_float(i, 0.0, 1.050 - mean, 0.0015**2)
    kept.update_gravity(1.0493, 0.001**2)
    offset_sd, check_sd = 0.0007, 0.001
    share = offset_sd**2 / (offset_sd**2 + check_sd**2)

    assert kept.x[i] == pytest.approx(0.0007 * share, rel=0.1)
    assert kept.x[0] + kept.x[i] == pytest.approx(1.050, abs=5e-5)


def test_the_standard_error_of_a_lot_without_any_check_carries_the_floats_calibration() -> None:
    kept = GravityFilter(1.050, 0.003)
    i = kept.add_float("float")
    for _ in range(500):
        mean, _ = kept.expect(i, 0.0)
        kept.update_float(i, 0.0, 1.050 - mean, 0.0015**2)

    assert 0.0006 < kept.p[0][0] ** 0.5 < 0.0008


# -- tail --------------------------------------------------------------------------------------------------------


def followed(pace: float, amplitude: float, days: float, end: float = 0.993, noise: float = 0.0008) -> Tail:
    """Return a tail after days of hourly gravities that approach ``end`` at a pace."""
    random = Random(7)
    tail = Tail()
    tail.begin(BEGIN_MS, 0.993, 0.003, Now(end + amplitude, 0.0007, -pace * amplitude, 0.001))
    for hour in range(1, int(24 * days) + 1):
        left = amplitude * math.exp(-pace * hour / 24)
        now = Now(end + left, 0.0007, -pace * left, 0.0007)
        tail.follow(1 / 24, end + left + random.gauss(0, noise), noise * noise, now)
    return tail


def test_while_a_slow_tail_has_more_than_0_002_to_fall_it_is_not_said_to_be_done() -> None:
    """At a pace of 0.3 a day there is left of 0.008 after one day 0.0059, after two 0.0044, after three 0.0033."""
    for days in (1, 2, 3):
        left, _ = followed(0.3, 0.008, days).judge(0.002, 0.0008)

        assert left > 0.35


def test_a_fast_tail_is_known_to_be_done_a_day_after_it_is() -> None:
    left, moving = followed(2.4, 0.004, 2.5).judge(0.002, 0.0008)

    assert left < 0.1
    assert moving < 0.1


def test_a_tail_turns_to_another_pace_when_the_old_one_no_longer_fits() -> None:
    """Ten days of a straight slow fall (as the slowest pace has it), then it stops."""
    random = Random(3)
    tail = Tail()
    gravity = 1.040
    tail.begin(BEGIN_MS, 0.993, 0.003, Now(gravity, 0.0007, -0.004, 0.001))
    for hour in range(24 * 14):
        rate = -0.004 if hour < 240 else 0.0
        gravity += rate / 24
        tail.follow(1 / 24, gravity + random.gauss(0, 0.0008), 0.0008**2, Now(gravity, 0.0007, rate, 0.0007))
    left, moving = tail.judge(0.002, 0.0008)

    assert left < 0.2
    assert moving < 0.1


def test_the_tail_foretells_when_it_settles() -> None:
    tail = followed(1.2, 0.006, 0.5)
    days = tail.days_until(0.0008)
    truth = math.log(1.2 * 0.006 / 0.0008) / 1.2 - 0.5

    assert days is not None
    assert days[0] < truth < days[2]
    assert days[1] == pytest.approx(truth, abs=0.8)


def test_a_tail_survives_a_snapshot_to_the_last_bit() -> None:
    tail = followed(0.6, 0.006, 1.0)
    again = Tail()
    recall(again, json.loads(dumped(tail)))

    assert again.judge(0.002, 0.0008) == tail.judge(0.002, 0.0008)


# -- forecast ----------------------------------------------------------------------------------------------------


def test_the_expected_end_is_that_of_dry_wines_from_the_alcohol_tables() -> None:
    """Source: OIML R 22 ethanol with 20 to 22 g/L extract, 16.83 g of sugar to 1 % vol (references, section 3)."""
    for start, end in ((1.0768, 0.9934), (1.0845, 0.9920), (1.0922, 0.9906), (1.1006, 0.9900)):
        assert expected_end(start) == pytest.approx(end, abs=0.0008)


def test_the_time_to_a_gravity_agrees_with_stepping_the_curve() -> None:
    curve = Curve(BEGIN_MS, 1.045, 0.0006, -0.018, 0.0005, 1.085, expected_end(1.085))
    expected = curve.reach(1.010)
    whole, kappa = 1.085 - curve.end, SLOWING
    left = (1.045 - curve.end) / whole
    speed = 0.018 / whole * (left + kappa) / left
    gravity, days, step = 1.045, 0.0, 0.0005
    while gravity > 1.010:
        share = (gravity - curve.end) / whole
        gravity -= speed * share / (share + kappa) * whole * step
        days += step

    assert expected is not None
    assert (expected.at_ms - BEGIN_MS) / DAY_MS == pytest.approx(days, rel=2e-3)
    assert expected.earliest_ms < expected.at_ms < expected.latest_ms


def test_a_forecast_is_withheld_while_the_rate_does_not_carry_it() -> None:
    at_rest = Curve(BEGIN_MS, 1.080, 0.0006, -0.0005, 0.0005, 1.085, 0.992)
    past = Curve(BEGIN_MS, 1.005, 0.0006, -0.010, 0.0005, 1.085, 0.992)

    assert at_rest.reach(1.010) is None
    assert at_rest.slow_to(0.0008) is None
    assert past.reach(1.010) is None


# -- thermometer -------------------------------------------------------------------------------------------------


def slot_of(**celsius: list[float]) -> dict[str, SensorSlot]:
    """Return a slot's temperatures by sensor."""
    parts = {}
    for sensor, values in celsius.items():
        part = parts[sensor] = SensorSlot("bucket")
        part.temperature = [(value, BEGIN_MS + i) for i, value in enumerate(values)]
    return parts


def test_one_wild_temperature_in_a_slot_counts_for_nothing() -> None:
    assert Thermometer().fuse(slot_of(float=[20.1, 55.0, 20.3]), BEGIN_MS) == 20.3


def test_several_sensors_are_averaged_and_none_is_no_temperature() -> None:
    thermometer = Thermometer()

    assert thermometer.fuse(slot_of(float=[20.0], probe=[21.0]), BEGIN_MS) == 20.5
    assert thermometer.fuse(slot_of(), BEGIN_MS + SLOT_MS) is None
    assert thermometer.celsius == 20.5


def test_a_probe_that_repeats_one_value_is_left_out_of_the_mean() -> None:
    thermometer = Thermometer()
    celsius: float | None = None
    for i in range(300):
        stuck = 18.0 if i > 4 else 17.0 + 0.1 * i
        celsius = thermometer.fuse(
            slot_of(float=[20.0 + 0.01 * (i % 7)], probe=[stuck, stuck]), BEGIN_MS + i * SLOT_MS
        )

    assert celsius == pytest.approx(20.03, abs=0.04)


def test_the_change_per_hour_is_over_an_hour_that_was_observed() -> None:
    thermometer = Thermometer()
    for i in range(5):
        thermometer.fuse(slot_of(float=[20.0 + i]), BEGIN_MS + i * SLOT_MS)
    assert thermometer.change_per_hour() == pytest.approx(4.0)

    thermometer.fuse(slot_of(float=[30.0]), BEGIN_MS + 40 * SLOT_MS)
    assert thermometer.change_per_hour() is None


# -- constancy ---------------------------------------------------------------------------------------------------


def run_of(constancy: Constancy, value: float, hours: float, at_ms: int, every_min: int = 15) -> int:
    """Let a sensor repeat a value and return when it ended."""
    for i in range(int(hours * 60 / every_min)):
        constancy.take(value, at_ms + i * every_min * 60_000)
    return at_ms + int(hours * HOUR_MS)


def test_a_sensor_is_frozen_after_half_a_day_of_one_value() -> None:
    constancy = Constancy()
    at_ms = run_of(constancy, 20.0, 1, BEGIN_MS)
    at_ms = run_of(constancy, 20.5, 11, at_ms)
    assert not constancy.is_frozen
    run_of(constancy, 20.5, 2, at_ms)
    assert constancy.is_frozen
    constancy.take(20.0, at_ms + 3 * HOUR_MS)
    assert not constancy.is_frozen


def test_a_coarse_sensor_is_judged_by_the_longest_it_has_held_a_value() -> None:
    constancy = Constancy()
    at_ms = run_of(constancy, 20.0, 10, BEGIN_MS)
    at_ms = run_of(constancy, 20.5, 30, at_ms)

    assert not constancy.is_frozen


def test_two_readings_half_a_day_apart_prove_nothing() -> None:
    constancy = Constancy()
    constancy.take(19.0, BEGIN_MS)
    constancy.take(20.0, BEGIN_MS + HOUR_MS)
    constancy.take(20.0, BEGIN_MS + 60 * HOUR_MS)

    assert not constancy.is_frozen


# -- slots -------------------------------------------------------------------------------------------------------


def test_slots_are_aligned_to_the_epoch() -> None:
    assert slot_start_ms(BEGIN_MS) == BEGIN_MS
    assert slot_start_ms(BEGIN_MS + SLOT_MS - 1) == BEGIN_MS
    assert slot_start_ms(BEGIN_MS + SLOT_MS) == BEGIN_MS + SLOT_MS


def test_a_sensor_that_says_too_much_is_thinned_the_same_way_in_any_order() -> None:
    said = [
        Observation(BEGIN_MS + 997 * i, "float", "bucket", 1.05 + 1e-5 * i, None, 20.0) for i in range(800)
    ]
    one, other = OpenSlot(BEGIN_MS), OpenSlot(BEGIN_MS)
    for obs in said:
        one.take(obs)
    for obs in reversed(said):
        other.take(obs)

    assert len(one.by_sensor["float"].gravity) == KEPT_PER_SLOT
    assert sorted(one.by_sensor["float"].gravity) == sorted(other.by_sensor["float"].gravity)
    kept = [at for _, at, _ in one.by_sensor["float"].gravity]
    assert min(kept) < BEGIN_MS + 80_000
    assert max(kept) > BEGIN_MS + 700_000


# -- hand --------------------------------------------------------------------------------------------------------


def test_equal_checks_count_back_to_the_first_that_agrees_with_all_since() -> None:
    checks = HandChecks()
    for day, gravity in ((0, 1.010), (3, 0.996), (5, 0.995), (7, 0.995)):
        checks.take(BEGIN_MS + day * DAY_MS, gravity)

    assert checks.equal_hours() == 96.0
    assert HandChecks().equal_hours() == 0.0


@pytest.mark.parametrize(
    ("apart_days", "fell", "are_equal"),
    [(1.8, 0.001, True), (1.8, 0.0012, False), (3.0, 0.0014, True), (6.0, 0.002, True), (9.0, 0.0022, False)],
)
def test_checks_many_days_apart_may_differ_by_less_a_day_than_two_in_two_days(
    apart_days: float, fell: float, are_equal: bool
) -> None:
    checks = HandChecks()
    checks.take(BEGIN_MS, 0.997)
    checks.take(BEGIN_MS + round(apart_days * DAY_MS), 0.997 - fell)

    assert checks.equal_hours() == pytest.approx(24.0 * apart_days if are_equal else 0.0)


# -- silence -----------------------------------------------------------------------------------------------------


SUBJECT = Subject("lot", "bucket", "float")


def test_a_sensor_is_silent_once_its_time_is_over_and_the_alert_is_dated_by_that() -> None:
    assert judge_silence(SUBJECT, BEGIN_MS, 7200, BEGIN_MS + 7_200_000, is_open=False) is None
    told = judge_silence(SUBJECT, BEGIN_MS, 7200, BEGIN_MS + 9_000_000, is_open=False)

    assert told is not None
    assert (told.kind, told.change, told.severity) == (
        kind_named("sensor-silent"),
        Change.RAISED,
        Severity.WARNING,
    )
    assert told.at_ms == BEGIN_MS + 7_200_000
    assert told.evidence["hours_silent"] == 2.5


def test_silence_is_said_once_and_ended_by_the_next_reading() -> None:
    assert judge_silence(SUBJECT, BEGIN_MS, 7200, BEGIN_MS + 9_000_000, is_open=True) is None
    told = judge_silence(SUBJECT, BEGIN_MS + 9_000_000, 7200, BEGIN_MS + 9_000_500, is_open=True)

    assert told is not None
    assert (told.change, told.at_ms) == (Change.CLEARED, BEGIN_MS + 9_000_000)


# -- sensor watch ------------------------------------------------------------------------------------------------


def reading(minute: int, *, battery_v: float | None = None, celsius: float | None = None) -> Reading:
    """Return a reading of a minute."""
    at_ms = BEGIN_MS + minute * 60_000
    return Reading("probe", at_ms, at_ms, None, None, celsius, battery_v)


IN_THE_LOT = Placement("bucket", "lot", BEGINNING_MS, END_MS)


def probe(battery_low_v: float | None = 3.4) -> Sensor:
    """Return a probe as configured."""
    return Sensor("probe", SensorKind.PROBE, "senml", battery_low_v=battery_low_v)


def test_a_battery_is_low_after_three_low_readings_and_well_again_only_well_above() -> None:
    watch = SensorWatch(probe())
    volts = [3.6, 3.39, 3.45, 3.39, 3.38, 3.39, 3.41, 3.38, 3.9, 3.9, 3.9]
    told = [
        (i, t.change) for i, v in enumerate(volts) for t in watch.observe(reading(i, battery_v=v), IN_THE_LOT)
    ]

    assert told == [(5, Change.RAISED), (10, Change.CLEARED)]


def test_a_battery_without_a_limit_is_not_judged() -> None:
    watch = SensorWatch(probe(None))

    assert [t for i in range(20) for t in watch.observe(reading(i, battery_v=0.1))] == []


def test_a_probe_that_repeats_one_temperature_is_frozen() -> None:
    watch = SensorWatch(probe())
    told: list[Transition] = []
    for i in range(200):
        celsius = 19.0 + 0.1 * (i % 5) if i < 100 else 19.2
        told += watch.observe(reading(10 * i, celsius=celsius), IN_THE_LOT)
    told += watch.observe(reading(2001, celsius=19.9), IN_THE_LOT)

    assert [(t.kind, t.change) for t in told] == [
        (kind_named("float-frozen"), Change.RAISED),
        (kind_named("float-frozen"), Change.CLEARED),
    ]
    assert told[0].subject == Subject("lot", "bucket", "probe")


def test_a_frozen_probe_is_dated_when_its_run_became_too_long_whichever_reading_shows_it() -> None:
    def raised_at(late: int | None) -> list[int]:
        watch = SensorWatch(probe())
        told: list[Transition] = []
        for i in (*(i for i in range(200) if i != late), *([] if late is None else [late])):
            celsius = 19.0 + 0.1 * (i % 5) if i < 100 else 19.2
            told += watch.observe(reading(10 * i, celsius=celsius), IN_THE_LOT)
        return [t.at_ms for t in told if t.kind is kind_named("float-frozen")]

    (in_order,) = raised_at(None)

    assert [raised_at(late) for late in range(170, 176)] == [[in_order]] * 6


def test_a_sensors_watch_survives_a_snapshot_and_begins_anew_from_another_version() -> None:
    watch = SensorWatch(probe())
    for i in range(2):
        watch.observe(reading(i, battery_v=3.0))
    again = SensorWatch.restore(watch.snapshot(), probe())

    assert [t.kind for t in again.observe(reading(3, battery_v=3.0))] == [kind_named("battery-low")]
    for other in ("[0]", "[]", "nonsense", watch.snapshot().replace("[", "[0,", 2)):
        assert SensorWatch.restore(other, probe()) == SensorWatch(probe())


def test_only_a_changed_sensor_watch_is_written_again() -> None:
    watch = SensorWatch(probe())
    assert watch.snapshot_if_changed() is None
    watch.observe(reading(0, battery_v=3.9))
    assert watch.snapshot_if_changed() is not None
    assert watch.snapshot_if_changed() is None
