"""Lines with errors in both axes: reference data sets, an independent recursion, planted slopes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from bmslogs.analysis.errors_in_variables import slope_through_origin, york_line

X, Y = np.array([0.5, -0.3, 0.2]), np.array([50.5, -29.2, 20.6])


def numbers(text):
    return np.array(text.split(), dtype=float)


def approximate_slope(x, y, sx, sy):
    """Return slope and sd by the quartic of the approximate weighted total least squares (Plett 2011)."""
    x, y, sx, sy = np.broadcast_arrays(x, y, sx, sy)
    k = sx[0] / sy[0]
    y, sy = k * y, k * sy
    c1, c2, c3 = (x * x / sy**2).sum(), (x * y / sy**2).sum(), (y * y / sy**2).sum()
    c4, c5, c6 = (x * x / sx**2).sum(), (x * y / sx**2).sum(), (y * y / sx**2).sum()
    roots = np.roots([c5, -c1 + 2 * c4 - c6, 3 * c2 - 3 * c5, c1 - 2 * c3 + c6, -c2])
    real = roots[(np.abs(roots.imag) < 1e-9) & (roots.real > 0)].real

    def cost(q):
        return (c4 * q**4 - 2 * c5 * q**3 + (c1 + c6) * q**2 - 2 * c2 * q + c3) / (q * q + 1) ** 2

    return min(real, key=cost) / k


def test_equal_ratios_give_total_least_squares():
    sx, sy = 0.01, 0.5
    # smallest singular vector of the scaled pair, computed here by numpy
    v = np.linalg.svd(np.column_stack([X / sx, Y / sy]))[2][-1]
    mine = slope_through_origin(X, Y, sx, sy)
    assert_allclose(mine.value, -v[0] / v[1] * sy / sx, rtol=1e-9)
    assert_allclose(mine.value, approximate_slope(X, Y, sx, sy), rtol=1e-9)
    assert_allclose([mine.value, mine.se], [100.367434, 1.8193], rtol=5e-5)


def test_mixed_errors_are_solved_exactly():
    sx, sy = np.array([0.01, 0.02, 0.01]), np.array([0.5, 0.4, 0.3])
    other = optimize.minimize_scalar(
        lambda q: np.sum((Y - q * X) ** 2 / (q * q * sx**2 + sy**2)), bracket=(90, 110), tol=1e-12
    )
    mine = slope_through_origin(X, Y, sx, sy)
    assert_allclose(mine.value, other.x, rtol=1e-7)
    assert_allclose(mine.value, 100.993196, atol=1e-5)
    assert_allclose(approximate_slope(X, Y, sx, sy), 100.855545, atol=1e-5)  # near, not equal


def test_no_error_in_x_gives_the_reference_slope():
    # NIST Statistical Reference Datasets, NoInt1 (certified: 2.07438016528926, sd 0.0165289256197859)
    x, y = np.arange(60, 71.0), np.arange(130, 141.0)[::-1][::-1]
    mine = slope_through_origin(x, y, 1e-9, 3.56753034006338)
    assert_allclose([mine.value, mine.se], [2.07438016528926, 0.0165289256197859], rtol=1e-8)


def test_interval_covers_planted_capacity():
    rng = np.random.default_rng(1)
    hits = []
    for _ in range(400):
        true = rng.uniform(0.2, 0.6, 8) * rng.choice([-1, 1], 8)
        sx = rng.uniform(0.01, 0.06, 8)
        q = slope_through_origin(true + rng.normal(0, sx), 100 * true + rng.normal(0, 0.5, 8), sx, 0.5)
        hits.append(q.low <= 100 <= q.high)
    assert 0.92 < np.mean(hits) < 0.98  # 95 %, 2.2 % is two sd of the count


def test_no_bound_where_the_span_says_nothing():
    q = slope_through_origin([0.01], [1.0], 0.05, 0.5)
    assert q.high == np.inf or q.low == -np.inf


def test_bad_errors_are_refused():
    with pytest.raises(ValueError, match="above nought"):
        slope_through_origin([0.5], [50.0], 0.0, 1.0)


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
