"""Worlds: drawn from a seed, as wide as they say, and true to themselves."""

import numpy as np
import pytest

from mustsim.worlds.courses import FAMILIES, HOURS, TUNING_FAMILIES, with_second_pool
from mustsim.worlds.floats import LIVELY_PER_DAY, Float, read
from mustsim.worlds.world import CHECK_FIRST, draw_world

DRAWN = [draw_world(seed) for seed in (*range(20), *range(CHECK_FIRST, CHECK_FIRST + 20))]


def test_a_seed_always_gives_the_same_world():
    one, again = draw_world(7), draw_world(7)

    assert np.array_equal(one.gravity, again.gravity)
    assert np.array_equal(one.said[0].gravity, again.said[0].gravity)
    assert one.deeds == again.deeds


def test_tuning_worlds_leave_families_to_the_check_set():
    assert {w.family for w in DRAWN if not w.is_check} <= set(TUNING_FAMILIES)
    assert set(FAMILIES) > set(TUNING_FAMILIES)


@pytest.mark.parametrize("world", DRAWN, ids=lambda w: f"{w.seed}-{w.family}-{w.turns.fate}")
def test_a_wine_falls_or_stands_and_never_rises(world):
    assert 1.040 <= world.gravity[0] <= 1.130
    assert np.diff(world.gravity).max() < 1e-9
    assert 2.0 < world.celsius.min() <= world.celsius.max() < 45.0


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_falls_from_its_start_toward_its_end(family):
    course = FAMILIES[family](np.random.default_rng(3), 1.085, 0.993)

    assert course.size == HOURS.size
    assert course[0] == pytest.approx(1.085, abs=0.0005)
    assert course[-1] < 1.07


def test_a_second_pool_leaves_a_knee_with_a_slow_fall_after_it():
    course = FAMILIES["monod"](np.random.default_rng(5), 1.085, 0.993)
    kneed = with_second_pool(course, 0.008, 0.2)
    knee = int(np.argmax(course <= 0.9932))

    left = kneed[knee] - 0.993
    assert 0.0055 < left < 0.0081
    assert (kneed[knee + 96] - 0.993) / left == pytest.approx(np.exp(-0.2), abs=0.03)


def test_a_wine_that_stalls_stands_near_where_it_stalled():
    stalled = [w for w in DRAWN if w.turns.fate == "stalls" and w.gravity[-1] < w.turns.stall_at]

    assert stalled
    for world in stalled:
        assert world.gravity[-96] - world.gravity[-1] < 0.0003


def test_foam_lifts_a_float_only_while_the_wine_ferments():
    steady = Float("gaussian", 1e-9, 0.0, 6.0, 1e-6, 15.0, 0.0, 0.0, 0.0, 0.0, 0.0, 5.0, 0.1, 0, 0, ())
    at = np.arange(0.0, 480.0, 0.25)
    fall = np.where(at < 240.0, 0.02, 0.0)
    gravity = 1.085 - np.minimum(at, 240.0) * 0.02 / 24.0
    shown = read(steady, at, gravity, fall, np.full(at.size, 20.0), np.random.default_rng(1))

    assert np.abs(shown - gravity)[fall > LIVELY_PER_DAY].max() > 0.002
    assert np.abs(shown - gravity)[fall == 0.0].max() < 1e-5


def test_a_gap_is_a_silence():
    silent = [s for w in DRAWN for s in w.said if s.float_.gaps and s.float_.gaps[0] > 24.0]

    assert silent
    assert any(np.diff(s.hours).max() > 20.0 for s in silent)
