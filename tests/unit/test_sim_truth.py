"""The truth beside a simulated cellar: its events are what the curves show."""

from dataclasses import replace

import numpy as np
import pytest

from mustsim.truth import LotTruth, crossings, excursions, fast_changes, lot_events

STEP_MS = 900_000
DAYS = 20
T = np.arange(0, DAYS * 96 + 1, dtype=np.int64) * STEP_MS
DAY = T / 86_400_000


def lot(gravity, celsius=20.0, sugar=0.0):
    gravity = np.asarray(gravity, dtype=float)
    zeros = np.zeros(T.size)
    return LotTruth(
        "wine", "default", 1.010, (15, 26, 10, 32), T, gravity, np.gradient(gravity, DAY), celsius + zeros,
        sugar + zeros, zeros, zeros, zeros, zeros, zeros, ((0, "bucket"),), 0.992,
    )  # fmt: skip


def falling(until, to, start=1.080, wait=1.0):
    """Return a gravity that waits a day, falls evenly to a gravity at a day, and stays."""
    return np.interp(DAY, [0, wait, until], [start, start, to])


def kinds(truth, dry_at=0.998):
    return [event.kind for event in lot_events(truth, 30.0, dry_at)]


def test_a_healthy_ferment_begins_crosses_and_ends():
    assert kinds(lot(falling(9, 0.993))) == ["onset", "crossing", "end"]


def test_the_crossing_is_found_between_the_points_of_the_grid():
    truth = lot(np.interp(DAY, [0, 10], [1.060, 0.960]))

    assert crossings(truth, 1.010)[0].at_ms == pytest.approx(5 * 86_400_000, abs=1000)


def test_sugar_added_after_the_crossing_makes_a_second_one():
    gravity = falling(8, 1.005)
    gravity[DAY > 9] += 0.020
    gravity -= 0.010 * np.clip((DAY - 10) / 2, 0, 2)

    assert kinds(lot(gravity)).count("crossing") == 2


def test_a_ferment_that_stops_with_sugar_left_has_stalled():
    assert kinds(lot(falling(6, 1.022), sugar=50.0)) == ["onset", "stall"]


@pytest.mark.parametrize(("per_day", "told"), [(0.0004, ["stall", "end"]), (0.00079, ["end"])])
def test_one_that_crawls_on_into_dryness_ends_there_and_has_stalled_if_that_took_days(per_day, told):
    high = 0.9985 if told == ["end"] else 0.9990
    gravity = falling(6, high) - per_day * np.clip(DAY - 6, 0, None)
    events = lot_events(lot(gravity, sugar=9.0), 30.0, 0.998)

    assert [e.kind for e in events] == ["onset", "crossing", *told]
    dry_ms = 6 * 86_400_000 + (high - 0.998) / per_day * 86_400_000
    assert events[-1].at_ms == pytest.approx(dry_ms, abs=2 * STEP_MS)
    assert told == ["end"] or events[-2].until_ms == events[-1].at_ms


def test_one_that_stops_high_because_nothing_is_left_to_ferment_has_ended():
    assert kinds(lot(falling(9, 1.002), sugar=1.0))[-1] == "end"


def test_one_that_goes_on_after_days_of_rest_has_paused_and_resumed():
    gravity = np.interp(DAY, [0, 1, 8, 14, 17], [1.080, 1.080, 0.9970, 0.9970, 0.992])
    events = lot_events(lot(gravity, sugar=9.0), 30.0, 0.998)

    assert [e.kind for e in events] == ["onset", "crossing", "pause", "resume", "end"]
    assert events[2].until_ms == events[3].at_ms == pytest.approx(14 * 86_400_000, abs=2 * STEP_MS)


def test_a_cold_night_of_rest_is_no_pause():
    gravity = np.interp(DAY, [0, 1, 5, 5.5, 9], [1.080, 1.080, 1.040, 1.040, 0.993])

    assert kinds(lot(gravity)) == ["onset", "crossing", "end"]


def test_what_never_begins_has_no_events():
    assert kinds(lot(np.full(T.size, 1.080))) == []


def test_slow_days_are_told():
    assert "slow" in kinds(lot(falling(19, 1.020), sugar=60.0))


def test_an_excursion_counts_only_beyond_the_dwell():
    celsius = np.where((DAY >= 3) & (DAY < 3.0 + 0.25 / 24), 30.0, 20.0)
    longer = np.where((DAY >= 3) & (DAY < 3.5), 28.0, 20.0)

    assert excursions(T, celsius, "too-warm", 26.0, 30.0, above=True) == []
    event = excursions(T, longer, "too-warm", 26.0, 30.0, above=True)[0]
    assert (event.at_ms, event.value) == (3 * 86_400_000, 28.0)


def test_cold_is_told_with_its_coldest():
    celsius = 20.0 - 12.0 * np.exp(-(((DAY - 7) / 0.3) ** 2))
    truth = replace(lot(falling(12, 0.993)), temperature_c=celsius)
    events = {event.kind: event for event in lot_events(truth, 30.0, 0.998)}

    assert events["too-cold"].value == pytest.approx(8.0, abs=0.01)
    assert events["urgent-cold"].at_ms > events["too-cold"].at_ms


def test_four_kelvin_within_the_hour_are_a_fast_change_and_four_within_a_day_are_not():
    quick = np.interp(DAY, [0, 5, 5 + 1 / 24, 20], [20, 20, 16, 16])
    slow = np.interp(DAY, [0, 5, 6, 20], [20, 20, 16, 16])

    assert fast_changes(T, quick, 3.0)[0].value == pytest.approx(-4.0)
    assert fast_changes(T, slow, 3.0) == []
