"""Medians of rows with holes, against numpy's own."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.sampling import row_medians, usual_interval


@pytest.mark.parametrize("columns", [1, 2, 5, 12])
@pytest.mark.parametrize("missing", [0.0, 0.3, 0.9])
@pytest.mark.filterwarnings("ignore:All-NaN:RuntimeWarning")
def test_medians_of_rows_are_those_of_numpy(columns: int, missing: float) -> None:
    rng = np.random.default_rng(columns)
    values = rng.normal(3.7, 0.01, (200, columns))
    values[rng.uniform(size=values.shape) < missing] = np.nan
    np.testing.assert_array_equal(row_medians(values), np.nanmedian(values, axis=1))


def test_no_columns_have_no_median() -> None:
    assert np.isnan(row_medians(np.zeros((3, 0)))).all()


def test_the_usual_interval_is_that_under_current() -> None:
    """Half an hour of driving at 1 s, a week parked at 60 s: the loads are told once a second (by hand)."""
    seconds = np.concatenate([np.arange(1800.0), 1800.0 + 60.0 * np.arange(10_000)])
    flows = np.arange(len(seconds)) < 1800
    assert usual_interval(seconds) == 60.0
    assert usual_interval(seconds, flows) == 1.0
    assert usual_interval(seconds, ~flows) == 60.0  # a house load all week is no reason to call them closer
    assert usual_interval(seconds, np.arange(len(seconds)) < 20) == 60.0  # a few rows tell no interval
