"""Loads that bursts stand out of: planted resistances are found."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from bmslogs.analysis.models.burst_loads import (
    burst_loads,
    excess_over_the_string,
    generous_resistance,
    near_edges,
)

ROWS, CAPACITY = 600, 100.0


def columns(seed=1):
    rng = np.random.default_rng(seed)
    current = rng.normal(10.0, 40.0, ROWS)
    return current, burst_loads(
        np.cumsum(current) / 3600.0, current, rng.normal(0, 20.0, (ROWS, 3)), rng.normal(0, 20.0, (ROWS, 2))
    )


def test_a_column_each_for_level_charge_current_and_what_lingers():
    _, loads = columns()
    assert loads.shape == (ROWS, 1 + 2 + 2 + 3 + 2)
    assert np.linalg.matrix_rank(loads) == loads.shape[1]


@pytest.mark.parametrize(
    ("at_once", "soon", "told"),
    [
        (1e-3, 0.5e-3, 1.5e-3),
        (0.0, 0.0, 0.5e-3),  # 0.05 ohm Ah over 100 Ah
        (8e-3, 2e-3, 5e-3),  # 0.5 ohm Ah over 100 Ah
    ],
)
def test_the_resistance_at_once_and_soon_is_that_planted_within_what_cells_have(at_once, soon, told):
    _, loads = columns()
    string = 3.7 - at_once * loads[:, 3] - soon * loads[:, 5] - 0.01 * loads[:, 1]
    assert generous_resistance(string, loads, CAPACITY) == pytest.approx(told, rel=1e-6)


def test_a_cell_that_drops_a_fifth_more_has_an_excess_of_a_fifth():
    current, _ = columns()
    share = np.array([0.2, 0.0, -0.1])
    away = 0.003 - 1e-3 * share * (current - current.mean())[:, None]
    assert_allclose(excess_over_the_string(away, current, 1e-3), share, atol=1e-9)


def test_rows_beside_a_switch_are_marked():
    flags = np.zeros((10, 2), bool)
    flags[4:, 1] = True
    assert_array_equal(np.flatnonzero(near_edges(flags)), [3, 4, 5])
