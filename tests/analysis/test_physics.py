"""Readings that no cell can have, by the bounds of a table and beyond."""

import numpy as np
import pytest

from bmslogs.analysis.ocv import OcvCurve, built_in
from bmslogs.analysis.signals.physics import bounds, outside


def test_a_reading_of_nothing_of_two_cells_or_of_the_range_s_end_is_none_of_a_cell():
    """Taps swapped: 0 V and 7.4 V; the end of a 5 V converter; a negative one. 2.0 and 4.4 V are cells, sick or not."""
    volts = np.array([[3.7, 0.0, 7.4, 4.999, -3.7], [3.7, 2.0, 4.4, np.nan, 3.6]])
    found = outside(volts, built_in("NMC"))
    assert found is not None
    assert found.tolist() == [[False, True, True, True, True], [False] * 5]


def test_a_bigger_reading_is_never_taken_in_again():
    for volt in (4.95, 5.5, 65.535, 6553.5, 1e9, np.inf):
        assert outside(np.array([[3.7, volt]]), built_in("LFP")) is not None


@pytest.mark.parametrize("chemistry", ["NMC", "LFP"])
def test_every_place_of_the_table_is_a_cell(chemistry):
    curve = built_in(chemistry)
    assert outside(curve.volt[:, None], curve) is None


def test_a_table_of_its_own_moves_the_bounds():
    """A cell of 1.5 to 2.8 V (by hand: half of the least is 0.75, so 0.5 stays) and one of up to 5.0 V: 5.6 V."""
    low = OcvCurve(np.array([0.0, 1.0]), np.array([0.8, 2.8]), False, "table")
    high = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 5.0]), False, "table")
    assert bounds(low) == pytest.approx((0.4, 4.9))
    assert bounds(high) == pytest.approx((0.5, 5.6))
    assert outside(np.array([[5.05]]), high) is None


@pytest.mark.parametrize("volts", [np.full((3, 2), np.nan), np.full((1, 1), 3.3)])
def test_nothing_read_and_one_reading_are_no_fault(volts):
    assert outside(volts, built_in("LFP")) is None
