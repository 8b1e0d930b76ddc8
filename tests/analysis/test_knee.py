"""Which cells of a flat curve had left the plateau when a charge ended: by the table's own slopes, by hand."""

import numpy as np
import pytest

from bmslogs.analysis.models.knee import below_the_knee
from bmslogs.analysis.ocv import built_in

CAPACITY, OHM = 100.0, 1e-3


def charge(behind, taper=True):
    """A charge of LFP cells that lie `behind` the first one [share of charge], at 30 A that tapers to 3 A at the end.

    Returns volts (rows, cells), current (rows,), charge taken in (rows,).
    """
    amps = np.full(1200, -30.0)
    if taper:
        amps[900:] = np.linspace(-30.0, -3.0, 300)
    taken = -np.cumsum(amps) * 10.0 / 3600.0
    soc = 0.999 - (taken[-1] - taken[:, None]) / CAPACITY - np.asarray(behind)
    return built_in("LFP").voltage(soc) - OHM * amps[:, None], amps, taken


def test_the_leading_cell_has_left_the_plateau_and_one_ten_per_cent_behind_has_not():
    volts, amps, taken = charge([0.0, 0.10])
    table = built_in("LFP")
    rise = np.diff(table.voltage(np.array([[0.989, 0.889], [0.999, 0.899]])), axis=0)[0]
    assert rise[0] > 0.010 > rise[1]  # by the table itself
    assert below_the_knee(volts, amps, taken, OHM, CAPACITY).tolist() == [False, True]


def test_the_taper_is_not_taken_for_the_plateau_nor_the_charge_for_more_than_it_was():
    for taper in (True, False):
        volts, amps, taken = charge([0.0, 0.10], taper)
        shifted = below_the_knee(volts, amps, taken + 41.0, OHM, CAPACITY)
        assert shifted.tolist() == [False, True]
    # rows after the charge, in which nothing flows and the voltages settle, tell nothing
    rest = np.vstack([volts, np.tile(volts[-1] - 0.02, (300, 1))])
    amps, taken = np.append(amps, np.zeros(300)), np.append(taken, np.full(300, taken[-1]))
    assert below_the_knee(rest, amps, taken, OHM, CAPACITY).tolist() == [False, True]


def test_without_a_current_or_a_reading_no_cell_is_said_to_have_left_it():
    volts, amps, taken = charge([0.0, 0.10])
    assert below_the_knee(volts, np.zeros_like(amps), taken, OHM, CAPACITY).all()
    volts[:, 0] = np.nan
    assert below_the_knee(volts, amps, taken, OHM, CAPACITY).all()


@pytest.mark.parametrize("behind", [0.05, 0.2, 0.5])
def test_the_further_behind_the_surer_it_is_below_the_knee(behind):
    volts, amps, taken = charge([0.0, behind])
    assert below_the_knee(volts, amps, taken, OHM, CAPACITY).tolist() == [False, True]


def test_cells_answer_by_their_place_and_a_resistance_makes_no_knee():
    """Three times the usual resistance: 60 mV that the taper gives back (by hand 2 mohm * 27 A), and no climb."""
    volts, amps, taken = charge([0.10, 0.0, 0.10])
    volts[:, 2] -= 2 * OHM * amps
    assert below_the_knee(volts, amps, taken, OHM, CAPACITY).tolist() == [True, False, True]


def test_a_charge_of_a_few_rows_tells_nothing():
    volts, amps, taken = charge([0.0])
    assert below_the_knee(volts[-9:], amps[:9], taken[-9:], OHM, CAPACITY).all()
    assert below_the_knee(np.zeros((0, 3)), np.zeros(0), np.zeros(0), OHM, CAPACITY).all()
    assert below_the_knee(volts, -amps, taken, OHM, CAPACITY).all()  # a discharge is no charge
