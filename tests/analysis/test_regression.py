"""One fit for all cells and its jackknife: scipy, numpy and statsmodels beside it, and textbook cases by hand."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats
from scipy.interpolate import BSpline

from bmslogs.analysis.regression import block_fit, equal_blocks, jackknife_se, spline_columns, t_factor
from bmslogs.base.errors import NotEnoughData


def numbers(text):
    return np.array(text.split(), dtype=float)


def test_certified_values_of_a_line():
    """NIST Statistical Reference Datasets, Norris: coefficients and the standard deviation of the residuals."""
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
    design = np.stack([np.ones(36), x], axis=1)
    fit = block_fit(design, np.stack([y, 10 * y], axis=1), equal_blocks(36, 6))
    assert_allclose(fit.coef[:, 0], [-0.262323073774029, 1.00211681802045], rtol=1e-10)
    assert_allclose(fit.coef[:, 1], 10 * fit.coef[:, 0])
    assert_allclose(fit.residual_sd, [0.884796396144373, 8.84796396144373], rtol=1e-10)
    assert_allclose(fit.pseudo_inverse @ y, fit.coef[:, 0])


def planted(rows=240, cells=4, seed=1):
    rng = np.random.default_rng(seed)
    design = np.stack([np.ones(rows), rng.normal(0, 100, rows), np.linspace(0, 1, rows) ** 2], axis=1)
    return design, design @ rng.normal(0, 1, (3, cells)) + rng.normal(0, 0.5, (rows, cells))


def test_leaving_out_a_block_is_the_fit_of_what_is_left():
    design, y = planted()
    block = equal_blocks(240, 8)
    fit = block_fit(design, y, block)
    for b in range(8):
        other = np.linalg.lstsq(design[block != b], y[block != b], rcond=None)[0]
        assert_allclose(fit.without[b], other, rtol=1e-9)
    assert fit.blocks == 8


def test_with_a_row_a_block_the_jackknife_is_that_of_the_books():
    """Of a mean it is s / sqrt(n) exactly (Efron and Tibshirani 1993, ch. 11); of a line statsmodels' HC3 but for the
    centring and a factor (n - 1) / n (MacKinnon and White 1985, J. Econometrics 29, 305, from memory)."""
    y = np.array([3.0, 5.0, 4.0, 8.0, 6.0])
    fit = block_fit(np.ones((5, 1)), y[:, None], np.arange(5))
    assert_allclose(jackknife_se(fit.without[:, 0, 0]), y.std(ddof=1) / np.sqrt(5))
    design, readings = planted(rows=60)
    fit = block_fit(design, readings, np.arange(60))
    robust = sm.OLS(readings[:, 0], design).fit(cov_type="HC3").bse
    assert_allclose(jackknife_se(fit.without)[:, 0], robust, rtol=0.03)


def test_the_jackknife_holds_where_residuals_hang_together():
    """Planted errors of 30 rows' memory: the interval of 8 blocks covers about 95 %, the textbook's far less."""
    rng = np.random.default_rng(5)
    rows, cells = 800, 400
    noise = np.zeros((rows, cells))
    for k in range(1, rows):
        noise[k] = np.exp(-1 / 30) * noise[k - 1] + rng.normal(0, 1, cells)
    x = np.repeat(rng.normal(0, 1, rows // 40), 40)
    design = np.stack([np.ones(rows), x], axis=1)
    fit = block_fit(design, noise + 2.0 * x[:, None], equal_blocks(rows, 8))
    covers = np.abs(fit.coef[1] - 2.0) <= t_factor(8) * jackknife_se(fit.without)[1]
    textbook = fit.residual_sd / np.sqrt(((x - x.mean()) ** 2).sum())
    assert 0.90 < covers.mean() < 0.99
    assert (np.abs(fit.coef[1] - 2.0) <= 1.96 * textbook).mean() < 0.6


@pytest.mark.parametrize(
    ("seed", "scale", "constant"), [(1, 1e-6, 3.7), (2, 1e6, -1e3), (3, 1e3, 0.0), (4, 0.1, 1e3)]
)
def test_units_order_of_cells_and_a_constant_change_what_they_must(seed, scale, constant):
    design, y = planted(rows=90, seed=seed)
    block = equal_blocks(90, 6)
    fit = block_fit(design, y, block)
    turned = block_fit(design * [1.0, scale, 1.0], scale * y[:, ::-1] + constant, block)
    # [V] to [mV], [A] to [mA]: ohms stay; a constant moves the level alone
    assert_allclose(turned.coef[1, ::-1], fit.coef[1], rtol=1e-6, atol=1e-9)
    assert_allclose(turned.coef[0, ::-1], scale * fit.coef[0] + constant, rtol=1e-6, atol=1e-6 * scale + 1e-8)
    assert_allclose(turned.residual_sd[::-1], scale * fit.residual_sd, rtol=1e-4, atol=1e-9)


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda d: d[:8], "samples"),
        (lambda d: d * [1, 0, 1], "never moves"),
        (lambda d: np.column_stack([d, d[:, 1] * 2]), "tell apart"),
        (lambda d: np.column_stack([d, (np.arange(len(d)) < 25) * 1.0]), "one part of the log"),
    ],
)
def test_what_cannot_be_told_is_refused(spoil, why):
    design, y = planted()
    design = spoil(design)
    with pytest.raises(NotEnoughData, match=why):
        block_fit(design, y[: len(design)], equal_blocks(len(design), 8))


def test_a_column_that_nobody_asks_for_may_hang_on_one_block():
    design, y = planted()
    only_there = (np.arange(240) < 25) * 1.0
    fit = block_fit(np.column_stack([design, only_there]), y, equal_blocks(240, 8), wanted=3)
    plain = np.linalg.lstsq(design[30:], y[30:], rcond=None)[0]
    assert_allclose(fit.without[0, :3], plain, rtol=1e-9)


@pytest.mark.parametrize(("blocks", "tabled"), [(2, 12.706), (4, 3.182), (8, 2.365), (31, 2.042)])
def test_students_factors(blocks, tabled):
    """Table of Student's t, 0.975, blocks - 1 degrees of freedom (any textbook)."""
    assert t_factor(blocks) == pytest.approx(tabled, abs=5e-4)
    assert t_factor(blocks, 0.9) == pytest.approx(stats.t.ppf(0.95, blocks - 1))
    assert t_factor(1) == t_factor(2)  # no interval is narrower for being told by less


@pytest.mark.parametrize(("rows", "number"), [(80, 8), (83, 8), (7, 8), (1, 4), (0, 3)])
def test_blocks_are_runs_of_about_equal_length(rows, number):
    found = equal_blocks(rows, number)
    assert len(found) == rows and np.all(np.diff(found) >= 0)
    if rows >= number:
        counts = np.bincount(found)
        assert len(counts) == number and counts.max() - counts.min() <= 1


@pytest.mark.parametrize("knot_every", [0.5, 3.0, 100.0])
def test_splines_sum_to_one_hold_every_cubic_and_tell_its_slope(knot_every):
    """Partition of unity and the cubics they hold (de Boor, A Practical Guide to Splines, 1978, ch. IX)."""
    x = np.sort(np.random.default_rng(2).uniform(-3, 9, 200))
    columns, slopes = spline_columns(x, knot_every)
    assert_allclose(columns.sum(axis=1), 1.0)
    assert_allclose(slopes.sum(axis=1), 0.0, atol=1e-9)
    cubic = 4.1 - 0.2 * x + 0.03 * x**2 - 0.006 * x**3
    coef = np.linalg.lstsq(columns, cubic, rcond=None)[0]
    assert_allclose(columns @ coef, cubic, atol=1e-9)
    assert_allclose(slopes @ coef, -0.2 + 0.06 * x - 0.018 * x**2, atol=1e-8)


def test_spline_columns_are_scipys():
    x = np.linspace(0, 10, 50)
    columns, _ = spline_columns(x, 2.5)  # four pieces
    knots = np.concatenate([[0] * 3, np.linspace(0, 10, 5), [10] * 3])
    assert columns.shape == (50, 7)
    assert_allclose(
        columns[:, 2], np.nan_to_num(BSpline.basis_element(knots[2:7], extrapolate=False)(x)), atol=1e-12
    )
    assert spline_columns(x, 0.01)[0].shape[1] == 14 + 3  # no more pieces than asked for
