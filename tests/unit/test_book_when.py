"""When something was done, as people type it in the evening for what they did this morning."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from mustwatch.cellar.instant import from_ms, to_ms
from mustwatch.recording.when import WhenError, when

VIENNA = ZoneInfo("Europe/Vienna")
NOW = datetime(2026, 9, 3, 20, 15, tzinfo=VIENNA)  # a Thursday


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("now", "2026-09-03T20:15+02:00"),
        ("18:30", "2026-09-03T18:30+02:00"),
        ("7:05", "2026-09-03T07:05+02:00"),
        ("today 7:05", "2026-09-03T07:05+02:00"),
        ("yesterday 18:30", "2026-09-02T18:30+02:00"),
        ("Yesterday at 18:30", "2026-09-02T18:30+02:00"),
        ("yesterday", "2026-09-02T12:00+02:00"),
        ("today", "2026-09-03T12:00+02:00"),
        ("tue 18:30", "2026-09-01T18:30+02:00"),
        ("thursday 18:30", "2026-08-27T18:30+02:00"),
        ("2h ago", "2026-09-03T18:15+02:00"),
        ("1.5 hours ago", "2026-09-03T18:45+02:00"),
        ("30m ago", "2026-09-03T19:45+02:00"),
        ("3d ago", "2026-08-31T20:15+02:00"),
        ("2026-09-01T18:30:00+02:00", "2026-09-01T18:30+02:00"),
        ("2026-09-01T16:30:00Z", "2026-09-01T18:30+02:00"),
        ("2026-09-01 18:30", "2026-09-01T18:30+02:00"),
        ("2026-09-01", "2026-09-01T12:00+02:00"),
        ("2026-01-15 18:30", "2026-01-15T18:30+01:00"),
    ],
)
def test_an_instant_is_read_in_the_cellars_zone(typed: str, meant: str) -> None:
    assert from_ms(when(typed, to_ms(NOW), VIENNA)) == datetime.fromisoformat(meant).astimezone(UTC)


def test_a_day_that_has_no_noon_yet_means_now() -> None:
    morning = datetime(2026, 9, 3, 8, 0, tzinfo=VIENNA)

    assert when("today", to_ms(morning), VIENNA) == to_ms(morning)


@pytest.mark.parametrize(
    "typed", ["soon", "25:00", "yesterday evening", "t 18:30", "2026-13-01", "18:30 2h ago", "-1h ago"]
)
def test_anything_else_is_refused_with_what_was_expected(typed: str) -> None:
    with pytest.raises(WhenError, match="expected 18:30, yesterday 18:30"):
        when(typed, to_ms(NOW), VIENNA)


def test_a_time_that_is_still_to_come_today_is_asked_back() -> None:
    with pytest.raises(WhenError, match=r"still to come today; expected e\.g\. yesterday 23:00"):
        when("23:00", to_ms(NOW), VIENNA)


def test_the_hour_that_spring_skips_never_was() -> None:
    """The European Union sets clocks forward at 01:00 UTC on the last Sunday of March (Directive 2000/84/EC)."""
    with pytest.raises(WhenError, match="the clocks were set forward over it"):
        when("2026-03-29 02:30", to_ms(NOW), VIENNA)


def test_of_the_hour_that_autumn_repeats_the_first_is_meant() -> None:
    after = to_ms(datetime(2026, 11, 1, tzinfo=UTC))

    assert from_ms(when("2026-10-25 02:30", after, VIENNA)) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
