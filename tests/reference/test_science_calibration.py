"""The calibration's fit, leverage and error against reference libraries."""

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from statsmodels.stats.outliers_influence import OLSInfluence

from mustwatch.must.calibration import chi_squared_95, fit
from mustwatch.must.polynomial import fits, value

# Invented points of a float, gravities read to half a division; the last set is bent enough for a cubic.
SETS = {
    1: [(25.0, 1.000), (33.1, 1.021), (41.0, 1.041), (48.8, 1.062), (57.2, 1.082)],
    2: [(25.3, 1.000), (38.2, 1.028), (47.9, 1.055), (56.5, 1.081), (61.0, 1.097), (66.1, 1.115)],
    3: [
        (20.0, 1.000),
        (28.0, 1.030),
        (36.0, 1.046),
        (44.0, 1.054),
        (52.0, 1.060),
        (60.0, 1.074),
        (68.0, 1.102),
    ],
}


@pytest.mark.parametrize(("order", "points"), SETS.items())
def test_the_curve_its_leverage_and_its_error_are_those_of_statsmodels(order, points, agrees):
    calibration = fit(points, point_sd=0.001)
    xs, ys = np.array(points).T
    design = np.vander(xs, order + 1, increasing=True)
    library = sm.OLS(ys, design).fit()
    hat = OLSInfluence(library).hat_matrix_diag

    assert calibration.order == order
    for residual, fitted, leverage in zip(calibration.residuals, library.fittedvalues, hat, strict=True):
        agrees(residual.gravity - residual.residual, fitted, 1e-9, "calibration curve, statsmodels, gravity")
        agrees(residual.leverage, leverage, 1e-6, "leverage, statsmodels, ratio")
    between = np.array([30.0, 45.5, 55.0])
    predicted = library.get_prediction(np.vander(between, order + 1, increasing=True))
    for x, mean, mean_sd in zip(between, predicted.predicted_mean, predicted.se_mean, strict=True):
        agrees(calibration.gravity(x)[0], mean, 1e-9, "calibration curve, statsmodels, gravity")
        # statsmodels' error uses the scatter alone; ours never goes below a hydrometer's.
        scaled = mean_sd / np.sqrt(library.scale) * calibration.point_sd
        whole = np.hypot(scaled, calibration.point_sd)
        agrees(calibration.gravity(x)[1], whole, 1e-8, "error of a prediction, statsmodels, gravity")


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_the_orthogonal_basis_fits_as_numpy_does(order, agrees):
    rng = np.random.default_rng(7)
    xs = np.sort(rng.uniform(-1, 1, 12))
    ys = 1.05 + 0.04 * xs + 0.01 * xs**2 + rng.normal(0, 0.001, 12)

    curve, _ = list(fits(list(xs), list(ys)))[order]

    library = np.polynomial.Polynomial.fit(xs, ys, order)
    for x in (-1.0, -0.3, 0.2, 0.9):
        agrees(value(curve, x), library(x), 1e-9, "least squares, numpy, gravity")


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 10, 30, 100])
def test_the_chi_squared_bound_is_that_of_scipy(freedom, agrees):
    library = scipy.stats.chi2.ppf(0.95, freedom)

    agrees(chi_squared_95(freedom) / library, 1.0, 0.03, "chi-squared 95 %, scipy, ratio")
