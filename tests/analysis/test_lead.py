"""Who is first at the end of a charge or discharge: a bound that holds whatever load and table leave open."""

import numpy as np
import pytest

from bmslogs.analysis.models.lead import lead_bounds, middle_course, own_course
from bmslogs.analysis.ocv import OcvCurve, built_in

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


def test_bounds_by_hand():
    """A line of 1.2 V from empty to full; 30 A of charge on 1 mohm. Drop taken out 0.4 to 2.0 times, 15 mV of margin.

    The usual cells at 3.900 V stand at 3.825 to 3.903 V without load, the leading one at 4.020 V at 3.945 to 4.023 V:
    it leads by (3.945 - 3.903) / 1.2 = 3.5 % at least and by (4.023 - 3.825) / 1.2 = 16.5 % at most.
    """
    line = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.2]), False, "a line")
    volts = np.full(8, 3.900)
    volts[2] = 4.020
    least, most = lead_bounds(volts, -30.0, np.full(8, 1e-3), line, EVERY, 1)
    assert (least[2], most[2]) == pytest.approx((0.042 / 1.2, 0.198 / 1.2))
    assert np.all(np.delete(least, 2) == 0.0)
    # upside down: the first to fall at the end of a discharge
    down, far = lead_bounds(7.2 - volts, 30.0, np.full(8, 1e-3), line, EVERY, -1)
    assert (down[2], far[2]) == pytest.approx((0.042 / 1.2, 0.198 / 1.2))


@pytest.mark.parametrize("sign", [1, -1])
def test_the_further_ahead_the_larger_both_bounds(sign):
    curve, ohm = built_in("NMC"), np.full(8, 1e-3)
    bounds = []
    for ahead in (0.0, 0.03, 0.1, 0.3):
        soc = np.full(8, 0.5)
        soc[4] += sign * ahead
        volts = curve.voltage(soc) + sign * 30.0 * ohm
        bounds.append(lead_bounds(volts, -sign * 30.0, ohm, curve, EVERY, sign)[:, 4])
    least, most = np.array(bounds).T
    assert np.all(np.diff(least) >= 0) and np.all(np.diff(most) > 0)
    assert np.all(least <= [0.0, 0.03, 0.1, 0.3]) and np.all(most >= [0.0, 0.03, 0.1, 0.3])


def test_cells_answer_by_their_place_and_what_is_not_believed_by_none():
    curve, ohm = built_in("NMC"), np.linspace(0.9e-3, 1.4e-3, 8)
    volts = curve.voltage(0.8 + 0.02 * np.random.default_rng(8).standard_normal(8)) + 30 * ohm
    turn = np.random.default_rng(9).permutation(8)
    one = lead_bounds(volts, -30.0, ohm, curve, EVERY, 1)
    two = lead_bounds(volts[turn], -30.0, ohm[turn], curve, EVERY, 1)
    np.testing.assert_allclose(two, one[:, turn])
    volts[3] = np.nan
    some = np.arange(8) != 5
    found = lead_bounds(volts, -30.0, ohm, curve, some, 1)
    assert not found[:, 5].any() and np.isfinite(found).all()


def test_a_cell_beyond_that_place_from_the_first_row_on_is_not_bounded():
    """It never stood where the others end: what moved says nothing, and the table must."""
    moved = np.linspace(0.0, 10.0, 200)
    volts = np.tile(3.7 + 0.001 * moved[:, None], (1, 8))
    volts[:, 1] += 0.5
    lead = own_course(volts, np.full(200, -1.0), moved, np.full(8, 1e-3), 0.0, EVERY, 1)
    assert lead[1] == np.inf and np.all(np.delete(lead, 1) < 1.0)
    some = np.arange(8) != 1
    assert own_course(volts, np.full(200, -1.0), moved, np.full(8, 1e-3), 0.0, some, 1)[1] == np.inf


def test_a_lag_that_is_as_old_as_the_charge_is_all_that_was_moved():
    """It stands at the end where the middle cell never was: the whole charge, and no more (by hand)."""
    moved = np.linspace(0.0, 10.0, 200)
    volts = np.tile(3.3 + 0.01 * moved[:, None], (1, 8))
    volts[:, 6] = 3.2
    lag = middle_course(volts, np.full(200, -1.0), moved, 1e-3, 0.005, EVERY, 1)
    assert lag[6] == pytest.approx(10.0)
    volts[:, 6] = np.nan
    assert middle_course(volts, np.full(200, -1.0), moved, 1e-3, 0.005, EVERY, 1)[6] == 0.0
