"""When a value counts as standing out."""

import numpy as np

from bmslogs.findings.case import standing_out

KNOWN = np.ones(10, bool)
HALF = np.full(10, 0.001)


def offsets():
    """Cells whose capacities scatter: at full they lie apart, where the log began all but one agree."""
    at_full = np.array([0.4, -0.5, 0.3, -0.35, 0.6, -0.6, 0.2, -0.1, 0.1, -1.3]) / 100
    at_start = np.array([0.05, -0.02, 0.0, 0.03, -0.05, 0.0, 0.04, -0.03, 0.01, -1.4]) / 100
    return at_full, at_start


def test_a_cell_that_is_unlike_the_others_where_they_agree():
    at_full, at_start = offsets()
    assert not standing_out(at_full, HALF, 0.01, KNOWN).any()
    found = standing_out(at_full, HALF, 0.01, KNOWN, also=(at_start, HALF))
    assert np.flatnonzero(found).tolist() == [9]


def test_it_must_be_material_and_of_the_same_sign_at_full():
    at_full, at_start = offsets()
    assert not standing_out(
        np.where(at_start < -0.01, 0.013, at_full), HALF, 0.01, KNOWN, also=(at_start, HALF)
    ).any()
    assert not standing_out(0.5 * at_full, HALF, 0.01, KNOWN, also=(at_start, HALF)).any()
    # where all began together a tenth of a per cent is unlike the others and no offset worth a word
    assert not standing_out(at_full, HALF, 0.01, KNOWN, also=(0.3 * at_start, 0.1 * HALF)).any()


def test_cells_that_the_log_hardly_tells_of_are_no_scatter():
    """Forty readings that never left their step beside sixteen that did, one of them by the most (planted)."""
    rng = np.random.default_rng(3)
    told = np.abs(rng.normal(0.0, 0.5, 16))
    told[5] = 1.6
    value = np.r_[np.zeros(40), told]
    half = np.r_[np.full(40, 4.0), np.full(16, 0.9)]
    assert not standing_out(value, half, 0.8, np.ones(56, bool)).any()
    value[45] = 6.0  # a larger one stands out all the same
    assert list(np.flatnonzero(standing_out(value, half, 0.8, np.ones(56, bool)))) == [45]


def test_close_fits_are_no_scatter_where_a_fit_may_rest_elsewhere():
    """Twenty cells within a per cent and one 25 % off, all told to 20 %: by its own width it is none (by hand)."""
    value = np.concatenate([np.random.default_rng(4).normal(0.0, 0.008, 20), [-0.25]])
    half, known = np.full(21, 0.2), np.ones(21, bool)
    assert list(np.flatnonzero(standing_out(value, half, 0.03, known))) == [20]
    assert not standing_out(value, half, 0.03, known, valleys=True).any()
    assert list(np.flatnonzero(standing_out(1.6 * value, half, 0.03, known, valleys=True))) == [20]
