"""How a float's calibration chooses its order, states its error and refuses points."""

import pytest

from mustwatch.must.calibration import POINT_SD, CalibrationError, fit

STRAIGHT = [(25.0, 1.0000), (40.0, 1.0390), (55.0, 1.0785), (70.0, 1.1170)]
BENT = [(25.0, 1.000), (45.0, 1.050), (60.0, 1.100)]


def test_two_points_make_a_straight_line():
    calibration = fit([(25.0, 1.000), (61.0, 1.090)])

    assert calibration.order == 1
    assert calibration.gravity(43.0)[0] == pytest.approx(1.045)


def test_points_that_a_line_explains_get_no_more_than_a_line():
    assert fit(STRAIGHT).order == 1


def test_points_that_a_line_misses_get_a_parabola():
    assert fit(BENT).order == 2


def test_a_cubic_asks_for_five_points():
    # Four points a cubic would pass through exactly, leaving nothing to show an error by.
    wavy = [(20.0, 1.000), (36.0, 1.046), (52.0, 1.060), (68.0, 1.102)]

    assert fit(wavy).order < 3


def test_four_points_that_nothing_explains_say_so_and_carry_their_scatter():
    wavy = [(20.0, 1.000), (36.0, 1.046), (52.0, 1.060), (68.0, 1.102)]
    calibration = fit(wavy)

    assert not calibration.explained
    assert calibration.point_sd > 5 * POINT_SD


def test_a_curve_that_would_turn_back_is_not_taken():
    # A parabola through these has its top between the last two points; the line is kept, with its scatter.
    flattening = [(20.0, 1.000), (30.0, 1.060), (60.0, 1.0650)]
    calibration = fit(flattening)

    assert calibration.order == 1
    assert not calibration.explained
    assert calibration.gravity(60.0)[0] > calibration.gravity(50.0)[0]


def test_a_reading_between_many_points_is_surer_than_one_at_the_edge_or_beyond():
    calibration = fit(STRAIGHT)
    middle, edge, beyond = (calibration.gravity(x)[1] for x in (47.5, 70.0, 90.0))

    assert POINT_SD < middle < edge < beyond


def test_a_point_passed_exactly_has_a_leverage_of_one():
    assert [r.leverage for r in fit(BENT).residuals] == pytest.approx([1.0, 1.0, 1.0])


def test_the_range_is_that_of_the_points():
    calibration = fit(STRAIGHT)

    assert calibration.covers(25.0)
    assert calibration.covers(70.0)
    assert not calibration.covers(24.9)
    assert calibration.gravity_range == pytest.approx((1.0000, 1.1172), abs=5e-4)


def test_a_float_that_leans_the_other_way_may_fall_throughout():
    calibration = fit([(30.0, 1.100), (50.0, 1.050), (70.0, 1.000)])

    assert calibration.gravity(60.0)[0] == pytest.approx(1.025)


def test_beyond_its_points_a_parabola_goes_on_straight():
    calibration = fit(BENT)
    g = [calibration.gravity(x)[0] for x in (60.0, 65.0, 70.0, 75.0)]

    assert g[1] - g[0] == pytest.approx(g[2] - g[1]) == pytest.approx(g[3] - g[2])


def test_re_anchoring_puts_the_curve_through_the_check_and_replaces_an_earlier_one():
    calibration = fit(STRAIGHT)
    shown = calibration.gravity(40.0)[0]
    once = calibration.reanchored(1.0370 - shown)
    twice = once.reanchored(1.0400 - shown)

    assert once.gravity(40.0)[0] == pytest.approx(1.0370)
    assert twice.gravity(40.0)[0] == pytest.approx(1.0400)
    assert calibration.offset == 0.0


def test_a_check_that_no_drift_explains_is_refused():
    with pytest.raises(CalibrationError, match="calibrate it anew"):
        fit(STRAIGHT).reanchored(0.06)


def test_repeated_points_are_averaged():
    calibration = fit([(25.0, 1.000), (25.0, 1.001), (61.0, 1.090)])

    assert calibration.gravity(25.0)[0] == pytest.approx(1.0005)


def test_near_points_may_be_out_of_order_by_a_hydrometers_error():
    assert fit([(25.0, 1.000), (50.0, 1.0622), (50.3, 1.0617), (61.0, 1.090)]).order == 1


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([], "two points or more are needed, 0 given"),
        ([(25.0, 1.0)], "two points or more are needed, 1 given"),
        ([(25.0, 1.0), (26.0, 1.09)], "span 1° of inclination"),
        ([(25.0, 1.0), (25.0, 1.09)], "span 0° of inclination"),
        ([(25.0, 1.0), (60.0, 1.002)], "span 0.0020 of gravity"),
        ([(25.0, 1.0), (45.0, 1.06), (60.0, 1.05)], r"fold back between 45° \(1.0600\) and 60° \(1.0500\)"),
        ([(25.0, 1.0), (45.0, 1.05), (60.0, 1.0)], "fold back"),
        ([(25.0, 1.0), (25.0, 1.02), (60.0, 1.09)], r"points at 25° disagree \(1.0000 and 1.0200\)"),
        ([(25.0, 1.0), (60.0, 1050.0)], r"gravity at 60°, 1050 is out of range; .*did you mean 1\.050"),
        ([(250.0, 1.0), (60.0, 1.05)], "inclination 250° is out of range"),
        ([(float("nan"), 1.0), (60.0, 1.05)], "inclination nan"),
    ],
)
def test_points_that_cannot_be_are_refused_with_what_is_wrong(points, says):
    with pytest.raises(CalibrationError, match=says) as refused:
        fit(points)
    assert "\n" not in str(refused.value)


def test_a_higher_order_that_scatters_hardly_less_is_not_worth_it():
    # A line with four times a hydrometer's noise, up and down in turn, which no order explains.
    noisy = [
        (20.0 + 5.0 * k, 1.000 + 0.012 * k + 0.004 * (-1) ** k + 0.0002 * (k - 4) ** 2) for k in range(9)
    ]
    calibration = fit(noisy)

    assert not calibration.explained
    assert calibration.order == 1
