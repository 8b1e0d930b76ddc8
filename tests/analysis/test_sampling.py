"""Rows, their intervals, sections and samples: against numpy's own medians, by hand, and on planted loggers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bmslogs.analysis.sampling import (
    fill_short,
    fresh_rows,
    group_rows,
    held_rows,
    means_of,
    renumber,
    row_medians,
    rows_between,
    sections,
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


def staircase(cells: int = 6, rows: int = 600, every: int = 5) -> np.ndarray:
    """A string that moves all the while, written every second and read every fifth (planted)."""
    rng = np.random.default_rng(2)
    level = 3.7 + np.cumsum(rng.choice([-1, 1], rows // every) * rng.uniform(0.002, 0.006, rows // every))
    return np.round(np.repeat(level, every)[:, None] + rng.normal(0, 0.01, cells), 3)


def test_a_staircase_shows_how_often_the_voltages_are_read() -> None:
    fresh, period = fresh_rows(staircase(), np.arange(600.0))
    assert period == 5.0
    assert np.flatnonzero(fresh).tolist() == list(range(0, 600, 5))
    every, own = fresh_rows(staircase(every=1), np.arange(600.0))
    assert every.all() and own == 1.0


def test_a_channel_that_reads_nothing_hides_no_staircase() -> None:
    """Nothing is equal to NaN by IEEE 754: a channel without a reading must not pass for one that is read anew."""
    volts = staircase()
    volts[:, 2] = np.nan
    fresh, period = fresh_rows(volts, np.arange(600.0))
    assert period == 5.0 and fresh.sum() == 120
    current = np.where(np.arange(600) % 2, 100.0, 0.0)
    held = held_rows(volts, current, 0.001, 1e-3)
    assert held.sum() == 600 - 120
    volts[:, :4] = np.nan  # two readings that repeat may do so by chance
    assert not held_rows(volts, current, 0.001, 1e-3).any()


def test_a_string_at_rest_is_no_staircase() -> None:
    """Coarse readings of a string that stands repeat by chance: every row counts as read (look-alike)."""
    rng = np.random.default_rng(3)
    volts = np.round(3.7 + rng.normal(0, 1e-4, (600, 4)), 3)
    fresh, period = fresh_rows(volts, np.arange(600.0))
    assert fresh.all() and period == 1.0


def test_a_repeated_row_is_held_only_where_the_current_would_have_moved_it() -> None:
    """1 mohm and steps of 1 mV: 100 A would move a reading by 100 mV, 1 A by one step only (Ohm's law)."""
    volts = np.full((4, 4), 3.7)
    assert held_rows(volts, np.array([0.0, 100.0, 101.0, 0.0]), 0.001, 1e-3).tolist() == [
        False,
        True,
        False,
        True,
    ]
    volts[1, 3] = 3.701
    assert held_rows(volts, np.array([0.0, 100.0, 0.0, 0.0]), 0.001, 1e-3).tolist() == [False] * 4


def test_short_holes_are_bridged_straight_and_long_ones_stay() -> None:
    """By hand: 10, _, 30 becomes 20; a hole of 40 s, and what lies outside, stays open."""
    seconds = np.array([0.0, 1, 2, 3, 43, 44, 45])
    values = np.array([np.nan, 10, np.nan, 30, np.nan, 50, np.nan])
    found = fill_short(values, seconds, 5.0)
    np.testing.assert_array_equal(found, [np.nan, 10, 20, 30, np.nan, 50, np.nan])
    assert np.isnan(values[2])  # what was given is left as it was
    # by time, not by rows: after 1 of 41 s a fortieth of the way
    assert fill_short(values, seconds, 60.0)[4] == pytest.approx(30 + 20 * 40 / 41)
    assert np.isnan(fill_short(np.full(3, np.nan), np.arange(3.0), 9.0)).all()


def test_a_pause_parts_a_log_and_a_logger_that_writes_seldom_at_rest_does_not() -> None:
    """Rows each second; a pause of 31 s parts (ten intervals and 30 s), one of 29 s does not (by hand)."""
    seconds = np.cumsum(np.r_[0.0, np.ones(50), 29.0, np.ones(50), 31.0, np.ones(50)])
    assert np.unique(sections(seconds), return_counts=True)[1].tolist() == [102, 51]
    parked = np.concatenate([np.arange(200.0), 200 + 600.0 * np.arange(1, 100)])
    still = np.arange(len(parked)) >= 200
    assert (
        sections(parked, still=still)[-1] == 1
    )  # the first step to 600 s may be a pause, the others are none
    assert sections(parked)[-1] == 99
    assert sections(np.arange(10.0), joints=(4, 0, 10)).tolist() == [0] * 4 + [1] * 6
    assert sections(np.zeros(1)).tolist() == [0]


def test_groups_of_rows_average_what_lies_within_a_second() -> None:
    """Ten rows a second: samples of ten; the mean of a ramp over each is its middle (by hand)."""
    seconds = np.arange(100) / 10.0
    found = group_rows(seconds, np.ones(100, bool), 0.1)
    assert found.start.tolist() == list(range(0, 100, 10)) and found.period_s == 1.0
    np.testing.assert_allclose(found.mean(seconds), np.arange(10) + 0.45)
    both = found.mean(np.stack([seconds, 2 * seconds], axis=1))
    np.testing.assert_allclose(both[:, 1], 2 * both[:, 0])
    holed = seconds.copy()
    holed[13] = np.nan
    assert np.flatnonzero(np.isnan(found.mean(holed))).tolist() == [1]


def test_rows_that_only_repeat_belong_to_no_sample() -> None:
    seconds = np.arange(60.0)
    fresh = np.arange(60) % 5 == 0
    found = group_rows(seconds, fresh, 5.0)
    assert found.rows.tolist() == list(range(0, 60, 5))
    np.testing.assert_array_equal(found.mean(seconds), np.arange(0, 60, 5.0))


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.05, 30.0), min_size=2, max_size=60), st.floats(0.05, 5.0))
def test_samples_leave_out_no_row_and_keep_the_mean_of_all(steps: list[float], period: float) -> None:
    seconds = np.cumsum(steps)
    found = group_rows(seconds, np.ones(len(seconds), bool), period)
    counts = np.diff(np.append(found.start, len(seconds)))
    assert counts.min() >= 1 and counts.sum() == len(seconds)
    assert (counts @ found.mean(seconds)) / len(seconds) == pytest.approx(seconds.mean())
