"""Who is first at the end of a charge or discharge: a bound that holds whatever load and table leave open."""

import numpy as np
import pytest

from bmslogs.analysis.models.lead import lead_bounds, middle_course, own_course
from bmslogs.analysis.ocv import built_in

EVERY = np.ones(8, bool)


@pytest.mark.parametrize("ahead", [0.02, 0.1, 0.3])
def test_a_cell_that_climbs_the_knee_alone_leads_and_the_bound_holds(ahead: float):
    """LFP charged at 30 A: one cell at 99.8 % of charge, the others behind on the flat, by the built-in curve."""
    curve, ohm = built_in("LFP"), np.full(8, 1e-3)
    soc = np.full(8, 0.998 - ahead)
    soc[3] = 0.998
    volts = curve.voltage(soc) + 30.0 * ohm
    least, most = lead_bounds(volts, -30.0, ohm, curve, EVERY, 1)
    assert 0.0 < least[3] <= ahead <= most[3] + 1e-9
    assert np.all(np.delete(least, 3) == 0.0)


@pytest.mark.parametrize("chemistry", ["NMC", "LFP"])
def test_sound_cells_with_a_bad_joint_or_a_little_spread_do_not_lead(chemistry: str):
    """Half a per cent of charge and half as much resistance again: no lead is sure (the margins cover both)."""
    curve, rng = built_in(chemistry), np.random.default_rng(5)
    ohm = 1e-3 * (1 + 0.3 * rng.random(8))
    soc = 0.9 + 0.005 * rng.standard_normal(8)
    volts = curve.voltage(soc) + 30.0 * ohm * 1.2
    assert np.all(lead_bounds(volts, -30.0, np.full(8, 1e-3), curve, EVERY, 1)[0] == 0.0)


def test_the_first_to_fall_at_the_end_of_a_discharge():
    """NMC at 30 A: one cell at 2 % of charge, the others at 15 %."""
    curve, ohm = built_in("NMC"), np.full(8, 1e-3)
    soc = np.full(8, 0.15)
    soc[6] = 0.02
    least, most = lead_bounds(curve.voltage(soc) - 30.0 * ohm, 30.0, ohm, curve, EVERY, -1)
    assert 0.05 < least[6] <= 0.13 <= most[6]


@pytest.mark.parametrize("chemistry", ["NMC", "LFP"])
def test_a_lead_by_a_cell_s_own_course_is_the_charge_between_alike_cells(chemistry: str):
    """Planted: cells of one curve, the fourth 2 % emptier; discharged to 3 % at 30 A: it stood where the others are now
    2 % of charge ago, whatever the curve. The margin only makes it less."""
    curve = built_in(chemistry)
    moved = np.linspace(0.0, 90.0, 1801)
    soc = 0.93 - moved[:, None] / 100.0 - np.where(np.arange(8) == 3, 0.02, 0.0)
    volts = curve.voltage(soc) - 30.0 * 1e-3
    lead = own_course(volts, np.full(len(moved), 30.0), moved, np.full(8, 1e-3), 0.0, EVERY, -1)
    assert 1.9 <= lead[3] <= 2.1
    careful = own_course(volts, np.full(len(moved), 30.0), moved, np.full(8, 1e-3), 0.010, EVERY, -1)
    assert careful[3] <= lead[3]


@pytest.mark.parametrize("behind", [0.04, 0.15])
def test_a_cell_that_stays_on_the_flat_when_the_others_leave_it_lags(behind: float):
    """LFP charged at 30 A to 99.9 %, one cell behind on the plateau (planted): what is told never exceeds the truth."""
    curve = built_in("LFP")
    moved = np.linspace(0.0, 70.0, 1401)
    soc = 0.999 - (70.0 - moved[:, None]) / 100.0 - np.where(np.arange(8) == 3, behind, 0.0)
    volts = curve.voltage(soc) + 30.0 * 1e-3
    lag = middle_course(volts, np.full(len(moved), -30.0), moved, 1e-3, 0.010, EVERY, 1)
    assert 0.5 < lag[3] <= 100.0 * behind
    assert np.all(np.delete(lag, 3) < 0.3)
