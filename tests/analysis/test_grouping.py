"""Groups of like items: homogeneity by its textbook test, shrinkage and plans by brute force."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from bmslogs.analysis.grouping import classes, expected, level_groups, told_apart


def test_homogeneity_by_hand():
    """Two values 2.8 sd of their difference apart: Q = 2.8^2 = 7.84 of one degree of freedom, 5 % at 3.84 (table)."""
    sd = np.array([1.0, 1.0])
    assert told_apart(np.array([0.0, 2.8 * np.sqrt(2)]), sd)
    assert told_apart(np.array([0.0, 1.97 * np.sqrt(2)]), sd)
    assert not told_apart(np.array([0.0, 1.95 * np.sqrt(2)]), sd)
    assert not told_apart(np.array([5.0]), np.array([0.1]))


def test_a_lot_alike_is_told_apart_by_chance_of_five_per_cent():
    rng = np.random.default_rng(1)
    sd = rng.uniform(0.5, 2.0, 10)
    alarms = np.mean([told_apart(rng.normal(100, sd), sd) for _ in range(2000)])
    assert stats.binomtest(int(alarms * 2000), 2000, 0.05).pvalue > 0.01


@pytest.mark.parametrize("shift, scale", [(0.0, 1.0), (1e3, 1.0), (0.0, 1e-3), (-50.0, 1e6)])
def test_neither_unit_nor_level_tells_apart(shift, scale):
    value, sd = np.array([99.0, 100.0, 103.0, 98.0]), np.array([1.0, 1.5, 1.0, 0.5])
    assert told_apart(shift + scale * value, scale * sd) == told_apart(value, sd)
    assert_allclose(expected(shift + scale * value, scale * sd), shift + scale * expected(value, sd))
    assert classes(shift + scale * value, scale * sd).tolist() == classes(value, sd).tolist()


def test_measurements_are_drawn_towards_the_mean_by_what_they_are_unsure():
    """Variance of the values 4, of the measurements 1: three quarters of each difference are believed (by hand)."""
    value = 100.0 + np.array([-2.0, 2.0, -2.0, 2.0]) * np.sqrt(3 / 4)  # ddof 1: variance 4
    assert_allclose(expected(value, np.ones(4)), 100.0 + 0.75 * (value - 100.0))
    assert_allclose(expected(value, np.full(4, 1e-9)), value)
    assert_allclose(expected(value, np.full(4, 50.0)), 100.0)
    assert expected(np.array([48.0]), np.array([0.5])).tolist() == [48.0]


def test_shrunk_values_are_nearer_the_truth():
    """Efron and Morris 1972: planted lots of spread 1 measured to 1."""
    rng = np.random.default_rng(2)
    true = rng.normal(100, 1, (500, 12))
    seen = true + rng.normal(0, 1, true.shape)
    shrunk = np.array([expected(row, np.ones(12)) for row in seen])
    assert ((shrunk - true) ** 2).mean() < 0.75 * ((seen - true) ** 2).mean()


def test_classes_begin_where_a_value_leaves_the_interval_of_the_last():
    """sd 0.1 each: 1.96 * 0.1414 = 0.277 apart is another class (by hand)."""
    value = np.array([1.27, 1.0, 1.30, 2.0])
    assert classes(value, np.full(4, 0.1)).tolist() == [0, 0, 1, 2]
    assert classes(value[::-1], np.full(4, 0.1)).tolist() == [2, 1, 0, 0]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(80, 120), min_size=1, max_size=12), st.floats(0.01, 5.0))
def test_classes_rise_with_the_value(values, sd):
    value = np.array(values)
    found = classes(value, np.full(len(value), sd))
    assert np.all(np.diff(found[np.argsort(value, kind="stable")]) >= 0)
    assert found.min() == 0


def best_by_brute_force(q, groups):
    size = len(q) // groups
    return max(
        min(sum(q[list(order[g * size : (g + 1) * size])]) for g in range(groups))
        for order in permutations(range(len(q)))
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("items", "groups"), [(6, 2), (6, 3)])
def test_no_plan_has_a_larger_smallest_sum(items, groups, seed):
    q = np.random.default_rng(seed).normal(100, 5, items)
    found = level_groups(q, groups, 5.0)
    assert sorted(found.ravel().tolist()) == list(range(items))
    assert q[found].sum(axis=1).min() == pytest.approx(best_by_brute_force(q, groups), rel=2e-4)


def test_groups_of_one_and_names_of_the_members():
    q = np.array([3.0, 1.0, 2.0])
    assert level_groups(q, 3, 1.0).tolist() == [[0], [1], [2]]
    found = level_groups(np.array([4.0, 1.0, 3.0, 2.0]), 2, 1.0, np.array([10, 20, 30, 40]))
    assert sorted(found.tolist()) == [[10, 20], [30, 40]]  # 4 + 1 and 3 + 2
