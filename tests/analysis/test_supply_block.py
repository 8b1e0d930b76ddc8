"""Neighbours that draw alike while parked, planted, and what looks like them."""

import numpy as np
import pytest

from bmslogs.analysis.models.supply_block import supply_blocks

LEAST = 1.4e-3


def blocks(planted, cells=16, seed=1, groups=()):
    """Blocks found among leaks [A] of `planted` (column -> A) and the spread of sound cells."""
    amps = np.random.default_rng(seed).normal(0, 2e-4, cells)
    for column, value in planted.items():
        amps[column] += value
    return supply_blocks(amps, np.full(cells, 5e-4), np.ones(cells, bool), LEAST, list(groups))


@pytest.mark.parametrize("size", [0.004, 0.03, 0.3])
def test_five_neighbours_that_lose_alike_are_one_block(size):
    (found,) = blocks(dict.fromkeys(range(4, 9), size))
    assert (found.first, found.last) == (4, 8)
    assert found.amps == pytest.approx(size, abs=4e-4)


def test_most_of_the_string_may_be_fed_from():
    (found,) = blocks(dict.fromkeys(range(5), 0.03), cells=8)
    assert found.columns == [0, 1, 2, 3, 4]


def test_one_of_them_that_leaks_by_itself_is_told_apart():
    (found,) = blocks({k: 0.03 + (0.06 if k == 2 else 0.0) for k in range(5)})
    assert (found.columns, found.beyond) == ([0, 1, 2, 3, 4], (2,))


@pytest.mark.parametrize(
    "planted",
    [
        {6: 0.1},
        {6: 0.02, 7: 0.02},
        {6: 0.02, 7: 0.035, 8: 0.055},
        {3: 0.02, 6: 0.02, 9: 0.02},
        {k: 0.004 * k for k in range(16)},
    ],
)
def test_cells_that_leak_each_by_itself_and_a_gradient_are_none(planted):
    assert blocks(planted) == []


def test_two_cells_are_a_block_only_as_a_whole_module():
    planted = {6: 0.02, 7: 0.02}
    assert blocks(planted, groups=[[4, 5, 6, 7]]) == []
    assert len(blocks(planted, groups=[[6, 7]])) == 1
