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


def test_the_string_read_from_its_other_end_has_the_same_blocks():
    rng = np.random.default_rng(4)
    groups = [[0, 1, 2, 3], [4, 5], [6, 7, 8, 9], [10, 11], [12, 13, 14, 15]]
    turned = [sorted(15 - k for k in group) for group in groups]
    for _ in range(20):
        amps = rng.normal(0, 2e-4, 16)
        first = int(rng.integers(0, 10))
        amps[first : first + int(rng.integers(2, 6))] += rng.choice([0.003, 0.03, 0.3])
        amps[rng.integers(0, 16)] += rng.choice([0.0, 0.05])
        half, known = np.full(16, 5e-4), np.ones(16, bool)
        one = supply_blocks(amps, half, known, LEAST, groups)
        two = supply_blocks(amps[::-1], half, known, LEAST, turned)
        assert [(b.first, b.last, b.beyond) for b in one] == [
            (15 - b.last, 15 - b.first, tuple(sorted(15 - k for k in b.beyond))) for b in two
        ]


def test_two_blocks_and_a_common_level_that_no_leak_is():
    """Two supplies, 20 and 50 mA; a level that all cells share (a leak is against any level) changes nothing."""
    planted = {**dict.fromkeys(range(2, 5), 0.02), **dict.fromkeys(range(10, 14), 0.05)}
    for level in (0.0, 0.4, -0.4):
        found = blocks({k: planted.get(k, 0.0) + level for k in range(16)})
        assert sorted((b.first, b.last) for b in found) == [(2, 4), (10, 13)]
        assert [round(b.amps, 2) for b in sorted(found, key=lambda b: b.first)] == [0.02, 0.05]


def test_a_cell_of_which_nothing_is_known_parts_a_block():
    amps = np.random.default_rng(1).normal(0, 2e-4, 16)
    amps[4:11] += 0.03
    known = np.arange(16) != 7
    amps[7] = np.nan
    found = supply_blocks(amps, np.full(16, 5e-4), known, LEAST, [])
    assert sorted((b.first, b.last) for b in found) == [(4, 6), (8, 10)]


def test_less_than_is_of_weight_or_than_is_known_is_no_block():
    assert blocks(dict.fromkeys(range(4, 9), 0.0012)) == []
    amps = np.where((np.arange(16) >= 4) & (np.arange(16) < 9), 0.01, 0.0)
    assert supply_blocks(amps, np.full(16, 0.02), np.ones(16, bool), LEAST, []) == []
    assert supply_blocks(np.zeros(0), np.zeros(0), np.zeros(0, bool), LEAST, []) == []
