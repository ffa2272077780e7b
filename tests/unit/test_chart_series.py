"""Thinning a curve: M4 (Jugel et al. 2014, PVLDB 7(10):797-808) keeps what the eye sees."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.views.series import Point, Track, hole_ms, m4, thinned


def every_minute(values: list[float], begin_ms: int = 0) -> list[Point]:
    return [Point(begin_ms + i * MINUTE_MS, value) for i, value in enumerate(values)]


def pixels(points: list[Point], begin_ms: int, width_ms: int, columns: int) -> list[tuple[float, float]]:
    """Return the vertical extent of each pixel column's points: what an exact line drawing covers."""
    extents: dict[int, tuple[float, float]] = {}
    for at_ms, value in points:
        column = (at_ms - begin_ms) * columns // width_ms
        low, high = extents.get(column, (value, value))
        extents[column] = (min(low, value), max(high, value))
    return [extents[column] for column in sorted(extents)]


def test_few_points_are_left_as_they_are() -> None:
    points = every_minute([1.0, 3.0, 2.0])

    assert m4(points, 4) == points


def test_a_lonely_spike_among_130_000_points_survives() -> None:
    values = [19.0] * 130_000
    values[77_777] = 35.0

    kept = m4(every_minute(values), 2_000)

    assert len(kept) <= 2_000
    assert Point(77_777 * MINUTE_MS, 35.0) in kept


def test_every_column_keeps_its_first_last_lowest_and_highest() -> None:
    chance = random.Random(1)
    points = every_minute([chance.gauss(1.05, 0.01) for _ in range(50_000)])
    columns = 500
    width_ms = points[-1].at_ms - points[0].at_ms + 1

    kept = m4(points, columns * 4)

    assert pixels(kept, 0, width_ms, columns) == pixels(points, 0, width_ms, columns)
    firsts = {p.at_ms * columns // width_ms: p for p in reversed(points)}
    lasts = {p.at_ms * columns // width_ms: p for p in points}
    assert set(firsts.values()) | set(lasts.values()) <= set(kept)


@given(
    st.lists(
        st.tuples(st.integers(0, 10**9), st.floats(-50, 50)), unique_by=lambda pair: pair[0], max_size=400
    ),
    st.integers(4, 100),
)
def test_thinned_points_are_points_of_the_curve_in_order_and_never_too_many(
    pairs: list[tuple[int, float]], most: int
) -> None:
    points = [Point(*pair) for pair in sorted(pairs)]

    kept = m4(points, most)

    assert kept == [point for point in points if point in set(kept)]
    assert len(kept) <= max(most, 4)
    if points:
        assert {min(points, key=lambda p: p.value).value, max(points, key=lambda p: p.value).value} <= {
            p.value for p in kept
        }
        assert kept[0] == points[0]
        assert kept[-1] == points[-1]


@given(
    st.lists(
        st.tuples(st.integers(0, 10**9), st.floats(-50, 50)), unique_by=lambda pair: pair[0], max_size=400
    ),
    st.integers(4, 100),
)
def test_a_track_is_the_same_points_in_less_memory(pairs: list[tuple[int, float]], most: int) -> None:
    points = [Point(*pair) for pair in sorted(pairs)]

    track = Track(points)

    assert list(track) == points
    assert track[2:5] == points[2:5]
    assert [track[i] for i in range(len(track))] == points
    assert m4(track, most) == m4(points, most)
    assert thinned(track, most) == thinned(points, most)


def test_a_track_notes_no_point_where_there_is_no_value() -> None:
    track = Track()
    track.note(0, 1.05)
    track.note(MINUTE_MS, None)

    assert list(track) == [Point(0, 1.05)]


def test_less_than_one_column_is_refused() -> None:
    with pytest.raises(ValueError, match="4 or more"):
        m4(every_minute([1.0]), 3)


def test_a_night_without_readings_breaks_the_line() -> None:
    evening = every_minute([20.0] * 60)
    morning = every_minute([12.0] * 60, begin_ms=8 * HOUR_MS)

    drawn = thinned(evening + morning, 200)

    assert drawn.count(None) == 1
    assert drawn[60] is None


def test_readings_twice_a_day_are_joined_and_not_all_holes() -> None:
    points = [Point(i * 12 * HOUR_MS, 20.0 + i % 2) for i in range(30)]

    assert None not in thinned(points, 200)


def test_holes_count_as_points_so_that_a_curve_never_has_more_than_asked_for() -> None:
    points = [
        Point(hour * 10 * HOUR_MS + minute * MINUTE_MS, 1.0) for hour in range(200) for minute in range(5)
    ]

    drawn = thinned(points, 100)

    assert len(drawn) <= 100


def test_an_hour_of_silence_is_no_hole_among_minutes() -> None:
    assert hole_ms([i * MINUTE_MS for i in range(100)]) == HOUR_MS
