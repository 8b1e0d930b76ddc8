"""Vehicle-by-position tables against Tukey's example and a robust regression library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from numpy.testing import assert_allclose
from scipy import stats

from bmslogs.analysis.two_way import huber_two_way, position_p_values


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
