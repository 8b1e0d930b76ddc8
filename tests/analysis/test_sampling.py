"""Medians of rows with holes, against numpy's own."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.sampling import (
    means_of,
    renumber,
    row_medians,
    rows_between,
    step_with_band,
    usual_interval,
)


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


def test_a_current_between_the_cells_readings_leaves_these_standing() -> None:
    """Cells every fourth row: three rows repeat what was read; after a minute nothing stands any more (by hand)."""
    seconds = np.arange(12.0) * 5.0
    volts = np.full((12, 3), np.nan)
    volts[::4] = 3.7
    assert rows_between(volts, seconds) is not None
    assert list(rows_between(volts, seconds)) == [0, 0, 0, 0, 4, 4, 4, 4, 8, 8, 8, 8]
    assert list(rows_between(volts, 20.0 * seconds)) == [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]
    volts[1:4] = 3.7
    volts[5:8] = 3.7
    assert rows_between(volts, seconds) is None  # rows that miss their readings are few


def test_a_reading_that_waits_to_move_errs_by_its_band() -> None:
    """Changes of 3 mV and more in steps of 1 mV: off by up to 3 mV either way, as steps of 6 mV are (arithmetic)."""
    rng = np.random.default_rng(1)
    true = 3.7 + np.cumsum(rng.normal(0, 3e-4, (4000, 4)), axis=0)
    logged = np.round(true, 3)
    for row in range(1, len(logged)):
        stays = np.abs(logged[row] - logged[row - 1]) < 0.003 - 1e-9
        logged[row, stays] = logged[row - 1, stays]
    assert step_with_band(logged, 0.001) == pytest.approx(0.006)
    assert step_with_band(np.round(true, 3), 0.001) == 0.001
    assert step_with_band(logged[:20], 0.001) == 0.001


def test_means_of_groups_leave_out_what_is_no_group() -> None:
    """By hand: rows 1, 2 | 4, 5 of the squares are 2.5 and 20.5; row 6 is left."""
    values = np.arange(8.0) ** 2
    found = means_of(np.column_stack([values, -values]), np.array([1, 2, 4, 5, 6]), 2)
    np.testing.assert_allclose(found, [[2.5, -2.5], [20.5, -20.5]])


def test_sections_are_numbered_without_holes() -> None:
    np.testing.assert_array_equal(renumber(np.array([3, 3, 7, 9, 9])), [0, 0, 1, 2, 2])
