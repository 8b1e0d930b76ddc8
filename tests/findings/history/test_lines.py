"""Slopes over months: against general libraries, planted and recovered, silent below the least data."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats

from bmslogs.findings.history.claims import holm, time_to
from bmslogs.findings.history.gathered import middle
from bmslogs.findings.history.ground import against_the_pack, common_part
from bmslogs.findings.history.lines import (
    MONTH_DAYS,
    enough,
    fitted_lines,
    moderated,
    periods,
    weighted_lines,
)

MONTHLY = np.arange(0.0, 360.0, 30.0)


def test_weighted_lines_are_those_of_statsmodels() -> None:
    rng = np.random.default_rng(1)
    t = np.broadcast_to(MONTHLY / MONTH_DAYS, (5, 12))
    y, sd = rng.normal(size=(5, 12)), rng.uniform(0.5, 2.0, (5, 12))
    other = rng.normal(size=(5, 12))
    fitted, inverse, residual = weighted_lines(t, y, 1 / sd**2, other, np.full(5, 1e6))
    for k in range(5):
        one = sm.WLS(y[k], np.stack([np.ones(12), t[k], other[k]], 1), 1 / sd[k] ** 2).fit(
            cov_type="fixed scale"
        )
        assert_allclose(fitted[k], one.params, rtol=1e-8, atol=1e-10)  # two solvers of one problem
        assert_allclose(np.sqrt(np.diag(inverse[k])), one.bse, rtol=1e-8)
        assert_allclose(residual[k], one.resid, atol=1e-9)


def test_a_condition_held_firmly_has_no_effect_and_held_loosely_is_taken_out() -> None:
    t = MONTHLY[None, :] / MONTH_DAYS
    season = np.cos(np.arange(12) / 2.0)[None, :]
    y = 0.3 * t + 2.0 * season
    one = np.ones_like(y)
    loose, *_ = weighted_lines(t, y, one, season, np.array([1e6]))
    firm, *_ = weighted_lines(t, y, one, season, np.array([1e-6]))
    without, *_ = weighted_lines(t, y, one)
    assert_allclose(loose[0, 1:], [0.3, 2.0], rtol=1e-6)
    assert_allclose(firm[0, 1], without[0, 1], rtol=1e-6)


def test_clean_lines_have_the_slope_of_linregress_and_a_wild_log_does_not_move_them() -> None:
    rng = np.random.default_rng(2)
    sd = 0.02
    y = 1.0 + 0.05 * MONTHLY / MONTH_DAYS + rng.normal(0, sd, (16, 12))
    half = np.full(y.shape, 1.96 * sd)
    lines = fitted_lines(MONTHLY, y, half)
    plain = [stats.linregress(MONTHLY / MONTH_DAYS, row).slope for row in y]
    # the bisquare gives up 5 % of the efficiency: the two differ by less than half of a standard error
    se = sd / np.sqrt(((MONTHLY - MONTHLY.mean()) ** 2).sum()) * MONTH_DAYS
    assert np.abs(lines.slope - plain).max() < 0.6 * se
    wild = y.copy()
    wild[3, 11] += 20 * sd
    moved = fitted_lines(MONTHLY, wild, half)
    assert (
        abs(moved.slope[3] - 0.05)
        < 3 * se
        < abs(stats.linregress(MONTHLY, wild[3]).slope * MONTH_DAYS - 0.05)
    )


def test_robust_lines_follow_statsmodels_rlm() -> None:
    rng = np.random.default_rng(3)
    y = 0.1 * MONTHLY / MONTH_DAYS + rng.normal(0, 1.0, (1, 12))
    y[0, 5] += 15
    ours = fitted_lines(MONTHLY, y, np.full(y.shape, 1.96))
    design = sm.add_constant(MONTHLY / MONTH_DAYS)
    theirs = sm.RLM(y[0], design, M=sm.robust.norms.TukeyBiweight()).fit()
    assert abs(ours.slope[0] - theirs.params[1]) < 0.5 * theirs.bse[1]  # their scale is the MAD alone


def test_intervals_hold_and_are_silent_where_nothing_drifts() -> None:
    rng = np.random.default_rng(4)
    held = sure = of = 0
    for _ in range(60):
        y = rng.normal(0, 0.5, (12, 10))
        lines = fitted_lines(np.sort(rng.uniform(0, 365, 10)), y, np.full(y.shape, 0.98))
        held += int((np.abs(lines.slope) <= lines.half).sum())
        sure += int((lines.p < 1e-3).sum())
        of += y.shape[0]
    assert held >= 0.93 * of  # 720 lines at 95 %: two sd are 1.6 %
    assert sure <= 5  # 0.7 are to be expected, 4 or fewer in 99.9 %


def test_correlated_logs_count_once_however_many_there_are() -> None:
    days = np.linspace(0, 360, 2000)
    rng = np.random.default_rng(5)
    slow = np.interp(days, np.linspace(0, 360, 13), rng.normal(0, 0.25, 13))
    lines = fitted_lines(days, np.tile(slow, (3, 1)), np.full((3, 2000), 0.5))
    assert abs(lines.slope[0]) < lines.half[0]
    alone = 1.96 * 0.255 / np.sqrt(((days - days.mean()) ** 2).sum()) * MONTH_DAYS
    assert lines.half[0] > 5 * alone


@pytest.mark.parametrize(
    ("days", "told"),
    [([0, 30, 60], False), ([0, 30, 60, 80], False), ([0, 30, 60, 90], True), ([0, 0.2, 0.4, 90], False)],
)
def test_least_data_are_four_dates_over_three_months(days: list[float], told: bool) -> None:
    y = np.zeros((4, len(days)))
    assert enough(np.array(days, float), np.isfinite(y)).tolist() == [told] * 4
    lines = fitted_lines(np.array(days, float), y, np.ones_like(y))
    assert np.isfinite(lines.slope).tolist() == [told] * 4


def test_one_log_alone_makes_no_steady_slope() -> None:
    y = np.zeros((8, 12))
    y[0, -1] = 5.0
    y[1] = np.arange(12) * 0.2
    lines = fitted_lines(MONTHLY, y, np.full(y.shape, 0.2))
    assert lines.steady.tolist()[:2] == [False, True]


def test_scatter_is_drawn_towards_that_of_the_pack() -> None:
    rng = np.random.default_rng(6)
    u = rng.normal(size=(40, 6))
    scatter, freedom = moderated(u, np.ones_like(u), 2)
    own = np.sqrt((u**2).sum(axis=1) / 4)
    assert scatter.std() < 0.5 * own.std()  # all lines scatter alike here
    assert (freedom > 10).all()
    few, less = moderated(u[:3], np.ones((3, 6)), 2)
    assert_allclose(few, own[:3])
    assert_allclose(less, 4.0)


def test_periods_are_dates_or_equal_parts_of_the_span() -> None:
    assert periods(np.array([0.1, 0.5, 3.0, 9.0])).tolist() == [0, 0, 1, 2]
    many = periods(np.linspace(0, 365, 400))
    assert many.max() == 23 and (np.diff(many) >= 0).all()


def test_middle_is_the_median_of_what_is_known() -> None:
    rng = np.random.default_rng(7)
    x = np.where(rng.random((30, 9)) < 0.4, np.nan, rng.normal(size=(30, 9)))
    x[3] = np.nan
    rows = np.isfinite(x).any(axis=1)
    assert_allclose(middle(x, 1)[rows], np.nanmedian(x[rows], axis=1))
    assert_allclose(middle(x, 0), np.nanmedian(x, axis=0))
    assert np.isnan(middle(x, 1)[3])


def test_what_all_cells_share_is_taken_out_and_a_swap_moves_no_other() -> None:
    rng = np.random.default_rng(8)
    own, shared = rng.normal(0, 1, 8), rng.normal(0, 3, 20)
    y = own[None, :] + shared[:, None]
    part = np.zeros(y.shape, np.intp)
    y[10:, :3] -= 9.0  # three of eight cells are others since
    part[10:, :3] = 1
    rest = against_the_pack(y, part)
    assert_allclose(rest[:, 3:] - rest[0, 3:], 0.0, atol=1e-9)
    assert_allclose(rest[10:, :3] - rest[0, :3], -9.0, atol=1e-9)
    assert np.isnan(common_part(np.where(np.arange(8) < 7, np.nan, y), part)).all()


def test_holm_on_the_values_of_benjamini_and_hochberg() -> None:
    small = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
    p = np.array([*small, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0])
    assert holm(p, 0.05).sum() == 3  # the count that the 1995 paper's example gives for Bonferroni and Holm
    assert not holm(np.array([np.nan, 0.5]), 0.05).any()


def test_a_time_ahead_is_told_only_where_the_interval_allows() -> None:
    told = time_to(0.0, -1.0, -0.4, -0.5, -0.3, 12.0)
    assert told is not None
    assert_allclose([told.months, told.soonest, told.latest], [2.5, 2.0, 1 / 0.3])  # by hand
    assert time_to(0.0, -1.0, -0.4, -0.9, -0.1, 12.0) is None  # threefold and more
    assert time_to(0.0, -1.0, -0.4, -0.9, 0.1, 12.0) is None
    assert time_to(0.0, -9.0, -0.4, -0.5, -0.3, 12.0) is None  # further ahead than the logs reach back
    past = time_to(-2.0, -1.0, -0.4, -0.5, -0.3, 12.0)
    assert past is not None and past.months == 0
