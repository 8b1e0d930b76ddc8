"""Vehicle-by-position tables against Tukey's example and a robust regression library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from numpy.testing import assert_allclose
from scipy import stats

from bmslogs.analysis.two_way import few_row_positions, huber_two_way, position_p_values


def test_huber_against_robust_regression():
    # statsmodels RLM takes the raw MAD of the residuals for its scale, so the effects are near, not equal
    rng = np.random.default_rng(2)
    table = rng.normal(0, 1, (6, 8)) + rng.normal(0, 3, 6)[:, None] + rng.normal(0, 3, 8)
    table[2, 5] += 40.0
    frame = pd.DataFrame([(v, p, table[v, p]) for v in range(6) for p in range(8)], columns=["v", "p", "y"])
    other = smf.rlm("y ~ C(v, Sum) + C(p, Sum)", frame, M=sm.robust.norms.HuberT(1.345)).fit()
    mine = huber_two_way(table)
    theirs = other.params.filter(like="C(p").to_numpy()
    theirs = np.append(theirs, -theirs.sum())
    assert_allclose(mine.position_raw, theirs - np.median(theirs), atol=0.25)
    assert_allclose(mine.vehicle[:5], other.params.filter(like="C(v").to_numpy(), atol=0.25)


def test_exact_additive_table_and_shrinkage():
    table = 1.0 + np.array([0.1, -0.1, 0.0])[:, None] + np.array([0.3, -0.1, -0.1, -0.1])
    fit = huber_two_way(table)
    assert_allclose(fit.position, [0.4, 0.0, 0.0, 0.0], atol=1e-12)
    noise = huber_two_way(np.random.default_rng(4).normal(size=(5, 12)))
    assert np.abs(noise.position).max() < 1.0  # shrunk: sd 1/sqrt(5) each, largest of twelve about 0.7 before


def test_interval_and_p_value_of_planted_effects():
    # planted: five vehicles, spread 5 %, one place of twelve +15 %; false alarms of the others by random orders
    rng = np.random.default_rng(8)
    hits, named = [], []
    for _ in range(150):
        table = rng.normal(0, 0.05, (5, 12))
        named.append(position_p_values(table, 499).min() <= 0.05)
        table[:, 6] += 0.15
        fit = huber_two_way(table)
        half = stats.t.ppf(0.975, fit.freedom) * fit.position_se[6]
        low, high = sorted((fit.position[6], fit.position_raw[6]))
        hits.append(low - half <= 0.15 <= high + half)
        assert position_p_values(table, 499)[6] <= 0.05
    assert np.mean(hits) > 0.90
    assert np.mean(named) < 0.10  # 5 %, and two sd of 150 draws


def test_missing_entries_and_refusal():
    table = np.random.default_rng(5).normal(size=(5, 6))
    table[1, 2] = np.nan
    assert np.isfinite(huber_two_way(table).position).all()
    table[:, 3] = np.nan
    with pytest.raises(ValueError, match="entry"):
        huber_two_way(table)


def test_three_vehicles_by_hand():
    """Effects of 0, 0, 0, 0 and 10 of places, the rows 100, 200, 300 apart and an error of 1 that sums to nought.

    Residuals by hand: errors +1 -1 in rows 1 and 2 at the first two places, so s^2 = 4 / 8 (eight degrees of
    freedom); the last place is 10 above the median of the others; t = 10 / sqrt(0.5 (1 + 1/4) / 3) = 21.9.
    """
    table = np.array([100.0, 200.0, 300.0])[:, None] + np.array([0.0, 0, 0, 0, 10.0])
    table[0, 0] += 1.0
    table[1, 0] -= 1.0
    table[0, 1] -= 1.0
    table[1, 1] += 1.0
    found = few_row_positions(table)
    se = np.sqrt(4 / 8 * (1 + 1 / 4) / 3)
    assert_allclose(found.effect, [0, 0, 0, 0, 10], atol=1e-12)
    assert_allclose(found.half_width, stats.t.ppf(0.975, 8) * se)
    single = 2 * stats.t.sf(10 / se, 8)
    assert_allclose(found.p_value[4], 1 - (1 - single) ** 5, rtol=1e-6)
    assert np.all(found.p_value[:4] > 0.5)


def test_one_bad_entry_makes_no_place():
    """Look-alike: a large entry in one vehicle of three is that vehicle's, not the place's."""
    rng = np.random.default_rng(3)
    table = rng.normal(0, 0.01, (3, 8))
    table[1, 4] += 1.0
    assert few_row_positions(table).p_value[4] == 1.0
    table[:, 4] = 1.0 + rng.normal(0, 0.01, 3)
    assert few_row_positions(table).p_value[4] < 1e-4


@pytest.mark.parametrize("size", [0.2, 1.0, 50.0])
def test_a_larger_effect_of_a_place_is_never_less_sure(size):
    rng = np.random.default_rng(4)
    table = rng.normal(0, 0.02, (4, 8))
    table[:, 3] += size
    larger = table.copy()
    larger[:, 3] += size
    one, two = few_row_positions(table), few_row_positions(larger)
    assert two.effect[3] == pytest.approx(one.effect[3] + size)
    assert two.p_value[3] <= one.p_value[3] < 0.01


def test_few_rows_answer_by_place_and_unit():
    table = np.random.default_rng(5).normal(0, 1, (3, 7))
    turn = np.random.default_rng(6).permutation(7)
    one = few_row_positions(table, 1.0, 30.0)
    two = few_row_positions(1e-3 * table[::-1, turn] + 7.0, 1e-3, 30.0)
    assert_allclose(two.effect, 1e-3 * one.effect[turn], atol=1e-12)
    assert_allclose(two.half_width, 1e-3 * one.half_width[turn])
    assert_allclose(two.p_value, one.p_value[turn], rtol=1e-6)


def test_false_places_among_three_vehicles_are_as_seldom_as_told():
    rng = np.random.default_rng(7)
    least = [few_row_positions(rng.normal(0, 1, (3, 8))).p_value.min() for _ in range(800)]
    assert np.mean(np.array(least) < 0.05) < 0.07  # each row must show it besides, so fewer than 5 %


def test_what_places_scatter_by_is_lent_only_where_it_is_alike():
    """Within 0.01 and between 1.0: an F test of 5 % forbids. Alike: two variances joined by their freedom, of which no
    more than 12 is lent (Smyth 2004), 14 of the table's own."""
    table = np.random.default_rng(8).normal(0, 1, (3, 8))
    alone = few_row_positions(table)
    assert_allclose(few_row_positions(table, 0.01, 40.0).half_width, alone.half_width)
    per_variance = (1 + 1 / 7) / 3
    own = (alone.half_width[0] / stats.t.ppf(0.975, 14)) ** 2 / per_variance
    joined = (14 * own + 12 * 0.9**2) / 26
    lent = few_row_positions(table, 0.9, 40.0)
    assert_allclose(lent.half_width, stats.t.ppf(0.975, 26) * np.sqrt(joined * per_variance))


def test_p_values_of_places_know_no_order_and_no_unit():
    table = np.random.default_rng(9).normal(0, 1, (6, 5))
    table[:, 2] += 3.0
    p = position_p_values(table, 999)
    assert p[2] < 0.02
    assert_allclose(position_p_values(1e3 * table + 5.0, 999), p)
    assert p.min() >= 1 / 1000


def test_a_huge_entry_moves_no_other_place():
    """Huber's estimator: one module of one vehicle, however bad, is a residual of its own."""
    table = np.random.default_rng(10).normal(0, 0.01, (6, 8)) + np.arange(8) * 0.1
    usual = huber_two_way(table).position_raw
    for size in (1.0, 1e3, 1e6):
        spoilt = table.copy()
        spoilt[2, 5] += size
        fit = huber_two_way(spoilt)
        assert_allclose(fit.position_raw, usual, atol=0.03)
        assert fit.residual[2, 5] == pytest.approx(size, rel=0.2)
