"""Medians of rows without one column, against numpy's own over what is left."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from bmslogs.analysis.median_of_rest import middles

# few values, so that equal ones are common; NaN is a reading that is missing
VALUES = st.sampled_from([3.0, 3.1, 3.2, 3.3, np.nan])
TABLES = hnp.arrays(float, hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=7), elements=VALUES)


@given(TABLES)
def test_as_numpy_tells_over_what_is_left(values: np.ndarray) -> None:
    found = middles(values)
    for row, median in zip(values, found.median, strict=True):
        assert_same(row, median)
    for column in range(values.shape[1]):
        for row, median in zip(values, found.without(values[:, column]), strict=True):
            assert_same(np.delete(row, column), median)


def assert_same(left: np.ndarray, median: float) -> None:
    known = left[~np.isnan(left)]
    if len(known):
        assert median == pytest.approx(np.median(known), rel=1e-15)
    else:
        assert np.isnan(median)


def test_an_extreme_value_does_not_move_the_median_of_the_rest() -> None:
    row = np.array([[3.70, 3.71, 3.72, 3.73, 0.0]])
    assert middles(row).without(row[:, 4])[0] == pytest.approx(3.715)
    assert middles(row).without(row[:, 0])[0] == pytest.approx(3.715)  # of 0, 3.71, 3.72, 3.73
