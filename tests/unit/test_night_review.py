"""The overnight review: minima, swings, steepness and minutes outside the band, on the local clock."""

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS, to_ms
from mustwatch.cellar.profile import Band
from mustwatch.views.night_review import Sample, last_night, night_of, review

VIENNA = ZoneInfo("Europe/Vienna")
BEGINS, ENDS = time(18), time(9)
NIGHT = night_of(date(2026, 9, 1), BEGINS, ENDS, VIENNA)
BAND = Band(15.0, 26.0, 10.0, 32.0)


def every(minutes: float, celsius: list[float], begins_ms: int = NIGHT.from_ms) -> list[Sample]:
    return [Sample(begins_ms + int(i * minutes * MINUTE_MS), value) for i, value in enumerate(celsius)]


def test_a_night_is_fifteen_hours_but_follows_daylight_saving() -> None:
    # EU rule: clocks go forward on 2026-03-29 and back on 2026-10-25.
    hours = {
        day: (night_of(day, BEGINS, ENDS, VIENNA).until_ms - night_of(day, BEGINS, ENDS, VIENNA).from_ms)
        / HOUR_MS
        for day in (date(2026, 9, 1), date(2026, 3, 28), date(2026, 10, 24))
    }

    assert list(hours.values()) == [15, 14, 16]


def test_the_night_that_is_on_is_reviewed_and_by_day_the_one_that_ended() -> None:
    def at(text: str) -> int:
        return to_ms(datetime.fromisoformat(text).replace(tzinfo=VIENNA))

    assert last_night(at("2026-09-02T03:00"), BEGINS, ENDS, VIENNA).date == date(2026, 9, 1)
    assert last_night(at("2026-09-02T12:00"), BEGINS, ENDS, VIENNA).date == date(2026, 9, 1)
    assert last_night(at("2026-09-02T18:00"), BEGINS, ENDS, VIENNA).date == date(2026, 9, 2)


def test_minimum_maximum_and_swing_come_with_their_instants() -> None:
    samples = every(15, [20.0, 18.0, 14.0, 16.0])

    found = review(samples, NIGHT, BAND)

    assert (found.minimum, found.maximum, found.swing) == (14.0, 20.0, 6.0)
    assert found.minimum_ms == samples[2].at_ms
    assert found.maximum_ms == samples[0].at_ms


def test_minutes_outside_are_time_and_not_a_count_of_readings() -> None:
    sparse = review(every(30, [20.0, 14.0, 14.0, 20.0]), NIGHT, BAND)
    dense = review(every(1, [20.0] * 30 + [14.0] * 60 + [20.0]), NIGHT, BAND)

    assert sparse.minutes_below == dense.minutes_below == 60


def test_a_gap_is_not_filled_with_the_last_temperature() -> None:
    samples = [Sample(NIGHT.from_ms, 14.0), Sample(NIGHT.until_ms - MINUTE_MS, 20.0)]

    found = review(samples, NIGHT, BAND)

    assert found.minutes_below == 45
    assert found.coverage < 0.06


def test_a_steady_fall_has_its_slope_per_hour_whatever_the_sensor_s_last_digit() -> None:
    falling = every(5, [round(20.0 - 0.5 * i / 12, 1) for i in range(12 * 6)])

    found = review(falling, NIGHT, BAND)

    assert found.steepest_per_hour is not None
    assert abs(found.steepest_per_hour + 0.5) < 0.06


def test_a_night_without_temperatures_says_nothing_rather_than_zero() -> None:
    found = review([], NIGHT, BAND)

    assert (found.minimum, found.swing, found.coverage) == (None, None, 0.0)


def test_a_night_that_is_still_on_is_covered_up_to_now() -> None:
    found = review(every(15, [20.0] * 8), NIGHT, BAND, NIGHT.from_ms + 2 * HOUR_MS)

    assert found.coverage == 1.0


def test_readings_of_the_day_do_not_count() -> None:
    samples = [Sample(NIGHT.from_ms - HOUR_MS, 35.0), *every(15, [20.0] * 4)]

    assert review(samples, NIGHT, BAND).maximum == 20.0
