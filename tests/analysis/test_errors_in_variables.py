"""Lines with errors in both axes: reference data sets, an independent recursion, planted slopes."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

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
