"""Regression and prediction intervals against NIST StRD, statsmodels and themselves."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy.special import gammaln
from scipy.stats import t as student

from hissmark.worth.calibrate import Fit, Point, Prior, fit

F64 = NDArray[np.float64]
FLAT = Prior(slope=0.0, slope_sd=None, pressure_sd=None, scatter=None)

# NIST Statistical Reference Datasets, Norris (linear, lower difficulty): 36 pairs y, x; from memory, and
# proved by the certified values below, which no slip of a digit would meet.
NORRIS = np.array(
    [
        0.1, 0.2, 338.8, 337.4, 118.1, 118.2, 888.0, 884.6, 9.2, 10.1, 228.1, 226.5, 668.5, 666.3, 998.5,
        996.3, 449.1, 448.6, 778.9, 777.0, 559.2, 558.2, 0.3, 0.4, 0.1, 0.6, 778.1, 775.5, 668.8, 666.9,
        339.3, 338.0, 448.9, 447.5, 10.8, 11.6, 557.7, 556.0, 228.3, 228.1, 998.0, 995.8, 888.8, 887.6,
        119.6, 120.2, 0.3, 0.3, 0.6, 0.3, 557.6, 556.8, 339.3, 339.1, 888.0, 887.2, 998.5, 999.0, 778.9,
        779.0, 10.2, 11.1, 117.6, 118.3, 228.9, 229.2, 668.4, 669.1, 449.2, 448.9, 0.2, 0.5,
    ]
).reshape(-1, 2)  # fmt: skip
X = 1  # column of the independent variable
CERTIFIED = {
    "b0": -0.262323073774029,
    "b1": 1.00211681802045,
    "sd1": 0.429796848199937e-3,
    "s": 0.884796396144373,
}


def fit_of(x: F64, y: F64, prior: Prior = FLAT) -> Fit:
    found = fit([Point(float(a), 0.0, float(b), 0.0, "v") for a, b in zip(x, y, strict=True)], prior=prior)
    assert found is not None
    return found


def test_norris_certified_values() -> None:
    """Slope, intercept, standard deviation of the slope (t with 34 degrees: wider than its scale by
    34/32).
    """
    found = fit_of(NORRIS[:, X], NORRIS[:, 1 - X])
    slope, slope_sd = found.slope
    intercept = float(found.weight @ found.mean[:, 2])
    assert slope == pytest.approx(CERTIFIED["b1"], rel=1e-10)
    assert intercept == pytest.approx(CERTIFIED["b0"], rel=1e-7)
    assert slope_sd == pytest.approx(CERTIFIED["sd1"] * (34 / 32) ** 0.5, rel=1e-3)
    # The residual standard deviation, through the mean of its posterior: s sqrt(n/2) G((n-1)/2) / G(n/2), n
    # = 34.
    mean = CERTIFIED["s"] * 17**0.5 * np.exp(gammaln(16.5) - gammaln(17.0))
    assert found.scatter_decades == pytest.approx(mean, rel=1e-3)


@pytest.mark.parametrize("count", [4, 5, 8, 20])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_prediction_interval_is_that_of_ordinary_least_squares(count: int, seed: int) -> None:
    """Flat prior: statsmodels' t-distributed prediction interval (its `obs_ci`), within the range and
    outside it.
    """
    rng = np.random.default_rng(seed)
    x = rng.uniform(40.0, 70.0, count)
    y = -6.0 + 0.1 * x + rng.normal(0.0, 0.1, count)
    at = np.array([35.0, 50.0, 55.5, 90.0])
    summary = sm.OLS(y, sm.add_constant(x)).fit().get_prediction(sm.add_constant(at)).summary_frame(alpha=0.1)
    spread = fit_of(x, y).predict(at, np.zeros(4))
    within = 2e-3 * (summary["obs_ci_upper"] - summary["obs_ci_lower"]).to_numpy()
    assert np.all(np.abs(spread.quantile(0.05) - summary["obs_ci_lower"]) < within)
    assert np.all(np.abs(spread.quantile(0.50) - summary["mean"]) < within)
    assert np.all(np.abs(spread.quantile(0.95) - summary["obs_ci_upper"]) < within)


def test_leverage_and_left_out_points_are_those_of_statsmodels() -> None:
    """Hat-matrix diagonal, and the externally studentised residual as a two-sided probability."""
    rng = np.random.default_rng(5)
    x = rng.uniform(40.0, 70.0, 9)
    y = -6.0 + 0.1 * x + rng.normal(0.0, 0.1, 9)
    y[4] += 0.5
    influence = sm.OLS(y, sm.add_constant(x)).fit().get_influence()
    found = fit_of(x, y)
    assert found.leverage == pytest.approx(influence.hat_matrix_diag, rel=1e-6)
    expected = 2.0 * student.sf(np.abs(influence.resid_studentized_external), 9 - 3)
    assert found.left_out == pytest.approx(expected, rel=1e-3, abs=1e-6)
    assert int(np.argmin(found.left_out)) == 4


def test_pressure_and_valves_are_regressed_together() -> None:
    """Two regressors and a constant for each of three valves: statsmodels with dummies."""
    rng = np.random.default_rng(7)
    level, power = rng.uniform(40, 70, 12), rng.uniform(-5, 5, 12)
    valve = np.repeat([0, 1, 2], 4)
    y = -6 + 0.09 * (level - power) + 0.04 * power + 0.5 * valve + rng.normal(0, 0.05, 12)
    points = [Point(*row, 0.0, f"v{v}") for *row, v in zip(level, power, y, valve, strict=True)]
    found = fit(points[:4], points[4:], FLAT)
    assert found is not None
    dummies = np.eye(3)[valve]
    model = sm.OLS(y, np.column_stack((level - power, power, dummies))).fit()
    assert found.slope[0] == pytest.approx(model.params[0], rel=1e-6)
    assert found.pressure_slope[0] == pytest.approx(model.params[1], rel=1e-6)
    at = np.array([[55.0 - 2.0, 2.0, 1.0, 0.0, 0.0]])
    frame = model.get_prediction(at).summary_frame(alpha=0.1)
    spread = found.predict(55.0, 2.0)
    assert spread.quantile(0.05)[0] == pytest.approx(frame["obs_ci_lower"][0], abs=2e-3)
    assert spread.quantile(0.95)[0] == pytest.approx(frame["obs_ci_upper"][0], abs=2e-3)


def test_a_prior_is_a_pseudo_observation() -> None:
    """A normal prior on the slope is one more row of a weighted regression (textbook identity): statsmodels
    WLS.
    """
    x, y = np.array([45.0, 52.0, 58.0]), np.array([-1.6, -0.7, -0.3])
    known = 0.2  # errors of the measurements, so large that the scatter does not matter
    points = [Point(float(a), 0.0, float(b), known, "v") for a, b in zip(x, y, strict=True)]
    tight = Prior(slope=0.1, slope_sd=0.01, pressure_sd=None, scatter=0.004, scatter_factor=1.01)
    found = fit(points, prior=tight)
    assert found is not None
    rows = np.vstack((sm.add_constant(x), [0.0, 1.0]))
    weights = np.append(np.full(3, 1.0 / (known**2 + 0.004**2)), 1.0 / 0.01**2)
    model = sm.WLS(np.append(y, 0.1), rows, weights=weights).fit()
    assert found.slope[0] == pytest.approx(model.params[1], rel=1e-4)
    assert found.slope[1] == pytest.approx(float(np.sqrt(model.normalized_cov_params[1, 1])), rel=1e-3)


def test_one_point_gives_the_law_of_the_standards() -> None:
    """10 dB more, ten times the rate; the interval widens away from the point."""
    found = fit([Point(50.0, 0.0, -3.0, 0.02, "v")])
    assert found is not None
    spread = found.predict([40.0, 50.0, 60.0], 0.0)
    assert spread.quantile(0.5) == pytest.approx([-4.0, -3.0, -2.0], abs=1e-6)
    width = spread.quantile(0.95) - spread.quantile(0.05)
    assert width[0] == pytest.approx(width[2])
    assert width[1] < 0.75 * width[0]


def test_no_point_no_fit() -> None:
    assert fit([], [Point(50.0, 0.0, -3.0, 0.02, "other")]) is None
