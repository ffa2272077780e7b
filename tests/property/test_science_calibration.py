"""Whatever points a user gives: the curve is monotone, its error is honest, and what cannot be is refused."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from mustwatch.must.calibration import POINT_SD, Calibration, CalibrationError, fit

inclinations = st.lists(
    st.floats(10, 85).map(lambda x: round(x, 2)), min_size=2, max_size=9, unique=True
).map(sorted)


@st.composite
def float_points(draw):
    """Points of a float of some shape, read with a hydrometer's noise."""
    xs = draw(inclinations)
    assume(xs[-1] - xs[0] >= 5)
    top = draw(st.floats(0.02, 0.15))
    bend = draw(st.floats(-0.8, 0.8))
    shares = [(x - xs[0]) / (xs[-1] - xs[0]) for x in xs]
    noise = [draw(st.floats(-POINT_SD, POINT_SD)) for _ in xs]
    rising = draw(st.booleans())
    ys = [0.995 + top * (s + bend * s * (1 - s)) for s in shares]
    ys = ys if rising else ys[::-1]
    return [(x, y + n) for x, y, n in zip(xs, ys, noise, strict=True)]


def refusal_of(points) -> str | None:
    """Return the line with which the points are refused, or None."""
    try:
        fit(points)
    except CalibrationError as refused:
        return str(refused)
    return None


def fitted(points) -> Calibration:
    """Return the fit, passing over points whose noise makes them fold."""
    assume(refusal_of(points) is None)
    return fit(points)


@given(points=float_points())
def test_the_curve_only_rises_or_only_falls_within_and_beyond_its_points(points):
    calibration = fitted(points)
    low, high = calibration.low_deg, calibration.high_deg
    places = [low + (high - low) * k / 40 for k in range(-10, 51)]
    gravities = [calibration.gravity(x)[0] for x in places]
    rising = points[-1][1] > points[0][1]

    assert gravities == sorted(gravities, reverse=not rising)


@given(points=float_points(), order=st.randoms(use_true_random=False))
def test_the_order_in_which_points_are_given_does_not_matter(points, order):
    shuffled = points.copy()
    order.shuffle(shuffled)

    assert fitted(points) == fit(shuffled)


@given(points=float_points())
def test_the_order_is_the_least_and_leverage_adds_up_to_its_parameters(points):
    calibration = fitted(points)

    assert 1 <= calibration.order <= 3
    assert sum(r.leverage for r in calibration.residuals) == pytest.approx(calibration.order + 1, abs=1e-6)
    assert all(-1e-9 <= r.leverage <= 1 + 1e-9 for r in calibration.residuals)
    assert calibration.point_sd >= POINT_SD
    assert sum(r.residual for r in calibration.residuals) == pytest.approx(0.0, abs=1e-9)


@given(points=float_points(), beyond=st.floats(0.1, 20))
def test_the_error_grows_beyond_the_points(points, beyond):
    calibration = fitted(points)
    edge = calibration.gravity(calibration.high_deg)[1]

    assert calibration.covers(calibration.high_deg)
    assert not calibration.covers(calibration.high_deg + beyond)
    assert calibration.gravity(calibration.high_deg + beyond)[1] > edge


@given(points=float_points(), offset=st.floats(-0.05, 0.05), place=st.floats(0, 1))
def test_re_anchoring_moves_the_curve_and_nothing_else(points, offset, place):
    calibration = fitted(points)
    moved = calibration.reanchored(offset)
    x = calibration.low_deg + place * (calibration.high_deg - calibration.low_deg)

    assert moved.gravity(x)[0] == pytest.approx(calibration.gravity(x)[0] + offset)
    assert moved.gravity(x)[1] == calibration.gravity(x)[1]
    assert moved.reanchored(0.0) == calibration


@given(points=float_points(), fold=st.floats(0.004, 0.03))
def test_points_that_fold_back_are_refused(points, fold):
    calibration = fitted(points)
    *before, (x0, g0), (x1, _) = calibration.points
    assume(before and x1 - x0 >= 1 and abs(g0 - before[0][1]) > 0.04)
    onward = 1 if g0 > before[0][1] else -1

    refusal = refusal_of([*before, (x0, g0), (x1, g0 - onward * fold)])

    assert refusal is not None
    assert "fold back" in refusal


possible = st.tuples(st.floats(-180, 180), st.floats(0.95, 1.2))
impossible = st.tuples(st.floats(), st.floats())


@given(points=st.lists(possible, max_size=4) | st.lists(impossible, max_size=6))
def test_any_points_at_all_are_fitted_or_refused_in_one_line(points):
    refusal = refusal_of(points)

    assert refusal is None or (refusal and "\n" not in refusal)
