"""Lines with errors in both axes: reference data sets, an independent recursion, planted slopes."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from bmslogs.analysis.errors_in_variables import york_line


def numbers(text):
    return np.array(text.split(), dtype=float)


def test_york_line_on_pearsons_data():
    # Pearson's data with York's weights; results of York et al. 2004, table II
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    wx = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    wy = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    line = york_line(x, y, wx**-0.5, wy**-0.5)
    assert_allclose([line.a, line.b], [5.47991022, -0.480533407], rtol=1e-8)
    assert_allclose([line.se_a, line.se_b], [0.294971, 0.057985], rtol=1e-5)
    assert_allclose(line.chi2, 1.48329, rtol=1e-5)


def test_york_line_without_x_errors_is_least_squares():
    # NIST Statistical Reference Datasets, Norris (certified values)
    x = numbers(
        """
        0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9
        338.0 447.5 11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0
        11.1 118.3 229.2 669.1 448.9 0.5
        """
    )
    y = numbers(
        """
        0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8
        339.3 448.9 10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9
        10.2 117.6 228.9 668.4 449.2 0.2
        """
    )
    line = york_line(x, y, 1e-9, 0.884796396144373)
    assert_allclose([line.a, line.b], [-0.262323073774029, 1.00211681802045], rtol=1e-9)
    assert_allclose([line.se_a, line.se_b], [0.232818234301152, 0.000429796848199937], rtol=1e-8)
    assert_allclose(line.chi2, 1.0, rtol=1e-9)


def points(seed=3, rows=40):
    """Points about 2 - 0.7 x with errors in both axes, each of its own size. Origin: planted."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 10, rows)
    sx, sy = rng.uniform(0.05, 0.4, rows), rng.uniform(0.05, 0.4, rows)
    return x + rng.normal(0, sx), 2.0 - 0.7 * x + rng.normal(0, sy), sx, sy


def test_york_line_is_the_least_of_the_chi_squared_of_both_errors():
    """sum (y - a - b x)^2 / (sy^2 + b^2 sx^2), made least by scipy's simplex, which knows nothing of York."""
    x, y, sx, sy = points()

    def chi2(p):
        return float((((y - p[0] - p[1] * x) ** 2) / (sy**2 + (p[1] * sx) ** 2)).sum())

    other = minimize(chi2, [1.0, -1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    line = york_line(x, y, sx, sy)
    assert_allclose([line.a, line.b], other.x, rtol=1e-6)
    assert_allclose(line.chi2, other.fun / (len(x) - 2), rtol=1e-6)


def test_points_on_a_line_come_back_whatever_their_errors():
    """Three points by hand: y = 1.5 + 4 x, errors between 1e-6 and 1e3."""
    x = np.array([0.0, 1.0, 5.0])
    line = york_line(x, 1.5 + 4 * x, np.array([1e-6, 1e3, 1.0]), np.array([1.0, 1e-3, 5.0]))
    assert_allclose([line.a, line.b, line.chi2], [1.5, 4.0, 0.0], atol=1e-6)


def test_axes_changed_over_and_other_units():
    """x on y has the inverse slope: the line is the same (unlike least squares'); volts or millivolts."""
    x, y, sx, sy = points()
    line, other = york_line(x, y, sx, sy), york_line(y, x, sy, sx)
    assert_allclose([other.b, other.a], [1 / line.b, -line.a / line.b], rtol=1e-6)
    assert_allclose(other.se_b, line.se_b / line.b**2, rtol=1e-6)
    milli = york_line(x, 1e3 * y + 7.0, sx, 1e3 * sy)
    assert_allclose(
        [milli.b, milli.a, milli.se_b], [1e3 * line.b, 1e3 * line.a + 7.0, 1e3 * line.se_b], rtol=1e-8
    )
    turn = np.random.default_rng(4).permutation(len(x))
    assert_allclose(york_line(x[turn], y[turn], sx[turn], sy[turn]), line, rtol=1e-8)


def test_errors_of_x_flatten_no_slope():
    """The look-alike: least squares reads 17 % too little where half of what x varies by is its error's square."""
    rng = np.random.default_rng(5)
    true = rng.normal(0, 1, 4000)
    x, y = true + rng.normal(0, 0.45, 4000), 3.0 * true + rng.normal(0, 0.1, 4000)
    assert np.polyfit(x, y, 1)[0] < 2.6
    assert_allclose(york_line(x, y, 0.45, 0.1).b, 3.0, rtol=0.03)


def test_the_intervals_hold_the_slope():
    hits = []
    for seed in range(200):
        line = york_line(*points(seed, 15))
        hits.append(abs(line.b + 0.7) < 1.96 * line.se_b)
    assert 0.90 < np.mean(hits) < 0.99
