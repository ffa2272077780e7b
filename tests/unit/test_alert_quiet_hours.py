"""Quiet hours go by the clock on the cellar's wall, on every night of the year."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from mustwatch.alerting.rules import QuietHours
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS, to_ms

VIENNA = ZoneInfo("Europe/Vienna")
NIGHT = QuietHours.parse("22:00-07:00")


def at(text: str, zone: ZoneInfo = VIENNA, fold: int = 0) -> int:
    """Return a local time as an instant."""
    return to_ms(datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold))


@pytest.mark.parametrize(
    ("local", "is_quiet"),
    [
        ("2026-09-01T21:59", False),
        ("2026-09-01T22:00", True),  # the beginning is quiet
        ("2026-09-02T00:00", True),  # across midnight
        ("2026-09-02T06:59", True),
        ("2026-09-02T07:00", False),  # the end is not
        ("2026-09-02T12:00", False),
    ],
)
def test_quiet_from_ten_to_seven(local: str, is_quiet: bool) -> None:
    assert NIGHT.covers(at(local), VIENNA) is is_quiet


def test_quiet_hours_may_lie_within_one_day() -> None:
    siesta = QuietHours.parse("13:00-15:00")

    assert siesta.covers(at("2026-09-01T14:00"), VIENNA)
    assert not siesta.covers(at("2026-09-01T02:00"), VIENNA)
    assert siesta.over_ms(at("2026-09-01T14:00"), VIENNA) == at("2026-09-01T15:00")


# EU summer time ends on Sunday 25 October 2026 at 01:00 UTC and began on Sunday 29 March 2026 at 01:00 UTC
# (Directive 2000/84/EC).
def test_the_night_the_clocks_go_back_is_an_hour_longer() -> None:
    evening = at("2026-10-24T22:00")

    assert NIGHT.over_ms(evening, VIENNA) - evening == 10 * HOUR_MS
    assert NIGHT.covers(at("2026-10-25T02:30"), VIENNA)
    assert NIGHT.covers(at("2026-10-25T02:30", fold=1), VIENNA)


def test_the_night_the_clocks_go_forward_is_an_hour_shorter() -> None:
    evening = at("2026-03-28T22:00")

    assert NIGHT.over_ms(evening, VIENNA) - evening == 8 * HOUR_MS


def test_an_end_that_the_clock_jumps_over_is_the_instant_of_the_jump() -> None:
    early = QuietHours.parse("22:00-02:30")

    assert early.over_ms(at("2026-03-28T23:00"), VIENNA) == to_ms(datetime(2026, 3, 29, 1, 0, tzinfo=UTC))


def test_when_it_is_not_quiet_it_is_over_now() -> None:
    noon = at("2026-09-01T12:00")

    assert NIGHT.over_ms(noon, VIENNA) == noon


@settings(max_examples=60, deadline=None)
@given(
    minute=st.integers(0, 366 * 24 * 60),
    zone=st.sampled_from(["Europe/Vienna", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia", "UTC"]),
    begin=st.integers(0, 47),
    length=st.integers(1, 47),
)
def test_it_is_quiet_until_it_is_over_and_not_then(minute: int, zone: str, begin: int, length: int) -> None:
    def clock(half_hours: int) -> str:
        return f"{half_hours % 48 // 2:02d}:{half_hours % 2 * 30:02d}"

    hours = QuietHours.parse(f"{clock(begin)}-{clock(begin + length)}")
    info = ZoneInfo(zone)
    now_ms = to_ms(datetime(2026, 1, 1, tzinfo=UTC)) + minute * MINUTE_MS

    over_ms = hours.over_ms(now_ms, info)

    assert not hours.covers(over_ms, info)
    assert all(hours.covers(ms, info) for ms in range(now_ms, over_ms, 10 * MINUTE_MS))
    assert over_ms == now_ms or hours.covers(over_ms - MINUTE_MS, info)


@pytest.mark.parametrize("text", ["", "22-7", "22:00", "25:00-07:00", "22:00-22:00", "night", "22:00-07:60"])
def test_anything_but_two_different_times_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match="quiet hours"):
        QuietHours.parse(text)


def test_quiet_hours_are_written_as_they_are_read() -> None:
    assert str(QuietHours.parse(" 9:05 – 10:30 ")) == "09:05-10:30"
