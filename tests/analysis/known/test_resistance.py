"""What no block shows of a resistance: floors by hand."""

import numpy as np
from numpy.testing import assert_allclose

from bmslogs.analysis.known.resistance import ratio_sd, shape_sd
from tests.analysis.known.hand import circumstances

EVEN, SURE = np.ones(8), np.full(8, 0.001)


def test_cold_cells_are_known_worse():
    """1.5 % at 25 degC and above, e times that 15 K below; a pack without a sensor counts as 10 degC (judgement)."""
    assert_allclose(shape_sd(25.0), 0.015)
    assert_allclose(shape_sd(40.0), 0.015)
    assert_allclose(shape_sd(10.0), 0.015 * np.e)
    assert shape_sd(None) == shape_sd(10.0)
    assert shape_sd(-60.0) == shape_sd(-20.0)


def test_cells_at_other_charge_compare_worse():
    """By hand: hypot(0.003, 1.7 times the offset), the offset counted up to 5 %; where unknown 0.4 %."""
    offset = np.array([0.0, 0.01, -0.01, 0.05, 0.3, np.nan, 0.0, 0.0])
    counted = np.array([0.0, 0.01, 0.01, 0.05, 0.05, 0.004, 0.0, 0.0])
    assert_allclose(ratio_sd(EVEN, SURE, circumstances(8, offset=offset)), np.hypot(0.003, 1.7 * counted))
    assert_allclose(ratio_sd(EVEN, SURE, circumstances(8, offset=None)), np.hypot(0.003, 1.7 * 0.004))


def test_near_empty_cells_at_other_charge_compare_worse_still():
    """By hand: at a tenth of the charge d ln R / dz is up to 0.5 / 0.1 = 5, at nine tenths it adds little to 1.7."""
    offset = np.full(8, 0.02)
    at = circumstances(8, offset=offset)
    assert_allclose(ratio_sd(EVEN, SURE, at, 0.1), np.hypot(0.003, 0.02 * np.hypot(1.7, 5.0)))
    assert_allclose(ratio_sd(EVEN, SURE, at, 0.9), np.hypot(0.003, 0.02 * np.hypot(1.7, 0.5 / 0.9)))


def test_a_charge_whose_load_hardly_drops_compares_worse():
    """Three tenths of a millivolt of 1 mV are 30 %, of 30 mV one (by hand)."""
    charge = circumstances(8, drove=False)
    assert_allclose(ratio_sd(EVEN, SURE, charge, drop_V=0.001), np.hypot(0.01, 0.3), rtol=1e-6)
    assert_allclose(ratio_sd(EVEN, SURE, charge, drop_V=0.03), np.hypot(0.01, 0.01), rtol=1e-6)
    assert_allclose(
        ratio_sd(EVEN, SURE, circumstances(8), drop_V=0.001), ratio_sd(EVEN, SURE, circumstances(8))
    )


def test_a_charge_compares_no_better_than_its_cells_scatter():
    """Ratios 0.8, 0.9 .. 1.2: their MAD is 0.1, so 0.148 of scatter, of which a lot explains 4 % (by hand)."""
    ratios = np.array([0.8, 0.9, 1.0, 1.1, 1.2])
    found = ratio_sd(ratios, np.zeros(5), circumstances(5, drove=False))
    assert_allclose(found, np.hypot(0.01, np.sqrt(0.14826**2 - 0.04**2)), rtol=1e-4)
    assert_allclose(ratio_sd(np.ones(5), np.zeros(5), circumstances(5, drove=False)), 0.01)
    # three cells show no scatter
    assert_allclose(ratio_sd(ratios[:3], np.zeros(3), circumstances(3, drove=False)), 0.01)
