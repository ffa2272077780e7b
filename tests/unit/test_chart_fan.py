"""The forecast as a fan: it passes through what is foreseen, and its shape is the uptake law's."""

from itertools import pairwise

from mustwatch.cellar.instant import DAY_MS
from mustwatch.views.chart_fan import Foreseen, fan

NOW_MS = 1_800_000_000_000


def in_days(gravity: float, at: float, earliest: float, latest: float) -> Foreseen:
    return Foreseen(gravity, *(NOW_MS + round(days * DAY_MS) for days in (at, earliest, latest)))


def test_it_begins_now_and_passes_through_everything_foreseen() -> None:
    made = fan(NOW_MS, 1.040, [in_days(1.010, 3, 2.5, 3.8), in_days(0.994, 7, 5, 10)])

    assert made is not None
    assert (made.gravity[0], made.expected_ms[0], made.latest_ms[0]) == (1.040, NOW_MS, NOW_MS)
    at_racking = made.gravity.index(1.010)
    assert made.expected_ms[at_racking] == NOW_MS + 3 * DAY_MS
    assert made.earliest_ms[at_racking] == NOW_MS + round(2.5 * DAY_MS)
    assert (made.gravity[-1], made.latest_ms[-1]) == (0.994, NOW_MS + 10 * DAY_MS)


def test_gravity_falls_and_time_goes_on_along_every_ray() -> None:
    made = fan(NOW_MS, 1.040, [in_days(1.010, 3, 2.5, 3.8), in_days(0.994, 7, 5, 10)])

    assert made is not None
    assert all(later < earlier for earlier, later in pairwise(made.gravity))
    for ray in (made.expected_ms, made.earliest_ms, made.latest_ms):
        assert all(later >= earlier for earlier, later in pairwise(ray))
    assert all(
        e <= x <= z for e, x, z in zip(made.earliest_ms, made.expected_ms, made.latest_ms, strict=True)
    )


def test_it_slows_down_towards_the_end() -> None:
    made = fan(NOW_MS, 1.050, [in_days(0.994, 8, 6, 12)])

    assert made is not None
    spans = [later - earlier for earlier, later in pairwise(made.expected_ms)]
    assert spans[-1] > 2 * spans[0]


def test_without_anything_below_the_present_gravity_there_is_none() -> None:
    assert fan(NOW_MS, 1.005, []) is None
    assert fan(NOW_MS, 1.005, [in_days(1.010, 2, 1, 3)]) is None
