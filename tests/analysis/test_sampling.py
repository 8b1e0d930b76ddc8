"""Medians of rows with holes, against numpy's own."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.sampling import row_medians


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
