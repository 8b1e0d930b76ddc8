"""What balancing mends: offsets at full, by hand and planted, and off a rest alone."""

import numpy as np
from numpy.testing import assert_allclose

from bmslogs.analysis.known.cell_places import LOT_CAPACITY_SD
from bmslogs.analysis.known.offset import OffsetKnown
from bmslogs.analysis.known.remaining import as_at_rest, at_full
from tests.analysis.known.cells import cells


def test_equal_cells_keep_their_offset():
    """At 60 % of 100 Ah, one cell 2 Ah fuller: at full it is 2 % ahead still."""
    assert_allclose(at_full(cells([0.0, 2.0, 0.0], 0.0), 0.6).value, [0.0, 0.02, 0.0])


def test_a_smaller_cell_that_is_full_with_the_others_needs_no_balancing():
    """80 Ah among 100 Ah: at 60 % it holds 8 Ah less than its share would be, or it is full too early.

    Planted: both full at 40 Ah from here; the small one must then stand at 50 %, 40 of its 80 Ah missing.
    By hand: (-a - q) / (1 + b) = 40 Ah with q = -40 Ah and b = 0.25 gives a = -10 Ah.
    """
    found = at_full(cells([0.0, -10.0, 0.0], [0.0, 0.25, 0.0]), 0.6)
    assert_allclose(found.value, 0.0, atol=1e-12)


def test_half_widths_by_hand():
    """At full q is nought: what is left is the error of a, and 5 % of the value by the slope."""
    found = at_full(cells([0.0, 2.0, 0.0], 0.0, slope_error=0.05), 1.0)
    assert_allclose(found.half, np.hypot(1.96 * 0.05 / 100.0, 0.05 * np.array([0.0, 0.02, 0.0])))


def test_unknown_capacities_count_as_a_lots():
    """Far from full, with b not known at all, 60 Ah of way add 1.2 % of 60 Ah (the lot's spread, by hand)."""
    found = at_full(cells([0.0, 0.0, 0.0], 0.0, sd_b=10.0), 0.4)
    assert_allclose(found.half, 1.96 * np.hypot(0.05, 60.0 * LOT_CAPACITY_SD) / 100.0, rtol=1e-5)


def test_planted_offsets_are_found_at_full():
    """Planted: a lot of 1 % spread and offsets of 0.5 Ah; a and b as a split reads them.

    All twelve are held to 2.9 standard deviations, which one cell of them passes in 4 draws of 100.
    """
    rng = np.random.default_rng(9)
    small, off = rng.normal(0, 0.01, 12), rng.normal(0, 0.5, 12)
    true = -(50.0 - off) / (1.0 + small)
    true = (true - np.median(true)) / 100.0
    read = cells(off + rng.normal(0, 0.05, 12), small + rng.normal(0, 0.001, 12))
    found = at_full(read, 0.5)
    assert (np.abs(found.value - true) < 1.5 * found.half).all()
    assert found.half.max() < 0.003


def test_a_rest_near_full_tells_what_remains():
    def at(soc):
        conditions = {} if soc is None else {"soc_low": soc}
        return as_at_rest(OffsetKnown(np.full(3, 0.01), np.full(3, 0.002), conditions, "")).half[0]

    assert_allclose(at(1.0), 0.002)
    assert_allclose(at(0.5), np.hypot(0.002, 0.5 * 1.96 * LOT_CAPACITY_SD))
    assert at(None) == at(0.5)
    # a rest at empty is as far from full as can be, and not unknown
    assert_allclose(at(0.0), np.hypot(0.002, 1.96 * LOT_CAPACITY_SD))
