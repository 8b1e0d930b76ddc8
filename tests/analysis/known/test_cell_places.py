"""Offsets and lacks with their errors: variances and the join with a lot, by hand."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.known.cell_places import LOT_CAPACITY_SD, CellPlaces, Spread, sharpened

LOT = LOT_CAPACITY_SD**2


def spread(a, b, ab=0.0):
    return Spread(np.array([a]), np.array([b]), np.array([ab]))


@pytest.mark.parametrize(
    ("q", "variance"), [(0.0, 4.0), (10.0, 4.0 + 100.0 * 0.01 - 20.0 * 0.1), (-10.0, 7.0)]
)
def test_the_variance_of_a_difference(q, variance):
    """var(a - b q) = var a + q^2 var b - 2 q cov(a, b) (algebra)."""
    assert_allclose(spread(4.0, 0.01, 0.1).of(q), variance)


def test_a_well_known_capacity_is_left_as_it_is():
    e = spread(1.0, 0.2 * LOT, 0.001)
    a, b, same = sharpened(np.array([2.0]), np.array([0.05]), e)
    assert (a, b, same.a, same.b, same.ab) == (2.0, 0.05, e.a, e.b, e.ab)


def test_an_unknown_capacity_is_that_of_a_lot():
    """b known as well as a lot: half of it stays, its variance halves; a follows by the covariance (two normals)."""
    cov = 0.5 * LOT
    a, b, sharp = sharpened(np.array([2.0]), np.array([0.05]), spread(1.0, LOT, cov))
    assert_allclose([a[0], b[0]], [2.0 - 0.25 * 0.05, 0.025])
    assert_allclose([sharp.a[0], sharp.b[0], sharp.ab[0]], [1.0 - 0.25 * cov, LOT / 2.0, cov / 2.0])
    # the same as matrices: the covariance of (a, b) given that b and a lot's error add up to nought
    prior = np.array([[1.0, cov], [cov, LOT]])
    gain = prior[:, 1] / (LOT + LOT)
    assert_allclose(prior - np.outer(gain, prior[1]), [[sharp.a[0], sharp.ab[0]], [sharp.ab[0], sharp.b[0]]])


def test_the_wider_of_two_errors_counts_place_by_place():
    """The model is wider at the first row (4 against 1), blocks 500 Ah on (6.5 against 8.5; by hand)."""
    cells = CellPlaces(
        np.array([1.0]),
        np.array([0.01]),
        spread(4.0, 1e-5),
        spread(1.0, 3e-5),
        np.array([True]),
        100.0,
        0.05,
    )
    assert_allclose(cells.at(0.0)[2], 4.0)
    assert_allclose(cells.at(500.0)[2], 1.0 + 500.0**2 * 3e-5)
