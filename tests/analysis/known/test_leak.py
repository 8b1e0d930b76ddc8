"""Leaks out of drifts: by hand on a straight curve, planted on a table, and the flat that hides them."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis import parked
from bmslogs.analysis.known.leak import LeakKnown, leaks
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.ocv import OcvCurve, built_in

ALL = np.ones(8, bool)
STRAIGHT = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0]), False, "by hand")
"""One volt from empty to full."""


def drift(slope):
    """A week's drift without scatter, all cells at one level."""
    nought = np.zeros(len(slope))
    return parked.Drift(np.asarray(slope, float), nought, 8, 168.0, nought, nought)


def test_a_leak_by_hand():
    """10 uV/h on a curve of 1 V per 100 Ah is 1 mA; 0.02 mV a day is 83 uA, 20 % and 10 % of slope the rest.

    What is left of settling after a week, 1 mV exp(-14) / 168 h, is within the tolerance.
    """
    slope = np.zeros(8)
    slope[2] = -1e-5
    found = leaks(drift(slope), 3.5, STRAIGHT, 100.0, ALL, 19.0)
    assert isinstance(found, LeakKnown)
    assert_allclose(found.amps, np.where(np.arange(8) == 2, 1e-3, 0.0), atol=1e-12)
    lasting = 1.96 * 0.02e-3 / 24.0 * 100.0
    slope_part = 1e-3 * np.hypot(0.2, 1.96 * 0.1)
    assert_allclose(found.half[2], np.hypot(lasting, slope_part), rtol=1e-5)
    assert_allclose(np.delete(found.half, 2), lasting, rtol=1e-5)
    assert found.conditions == {"temperature_C": 19.0, "soc_low": 0.5, "soc_high": 0.5, "hours": 168.0}
    assert found.most == 5e-3


def test_a_smaller_pack_of_the_same_drift_leaks_less():
    """In proportion to its capacity: the same share of the charge is lost."""
    slope = np.where(np.arange(8) == 2, -1e-5, 0.0)
    large, small = (leaks(drift(slope), 3.5, STRAIGHT, ah, ALL, None) for ah in (100.0, 25.0))
    assert isinstance(large, LeakKnown) and isinstance(small, LeakKnown)
    assert_allclose(small.amps, large.amps / 4.0)
    assert_allclose(small.half, large.half / 4.0)


@pytest.mark.parametrize("planted_A", [0.010, 0.0])
def test_a_planted_leak_is_found_and_a_sound_cell_is_not(planted_A):
    """Planted on the built-in table: eight cells of 60 Ah at 70 % for eight days, 0.3 mV of noise."""
    hours = np.arange(8 * 24.0)
    soc = 0.70 - np.where(np.arange(8) == 5, planted_A, 0.0) * hours[:, None] / 60.0
    volts = built_in("NMC").voltage(soc) + np.random.default_rng(4).normal(0, 3e-4, soc.shape)
    found = leaks(
        parked.drift(volts, hours * 3600.0, None, ALL),
        float(np.median(volts)),
        built_in("NMC"),
        60.0,
        ALL,
        None,
    )
    assert isinstance(found, LeakKnown)
    assert abs(found.amps[5] - planted_A) < found.half[5] < 0.006
    assert (np.abs(np.delete(found.amps, 5)) < np.delete(found.half, 5)).all()


def test_a_cell_that_was_bled_all_the_while_is_not_told():
    slope = np.zeros(8)
    slope[7] = np.nan
    found = leaks(drift(slope), 3.5, STRAIGHT, 100.0, ALL, None)
    assert isinstance(found, LeakKnown)
    assert np.isnan(found.amps[7]) and np.isfinite(found.amps[:7]).all()


def test_the_flat_of_a_curve_hides_a_leak():
    """Between its steps LFP on graphite climbs by some hundredths of a volt over a third of the charge."""
    level = float(built_in("LFP").voltage(0.5))
    found = leaks(drift(np.zeros(8)), level, built_in("LFP"), 100.0, ALL, None)
    assert isinstance(found, Refusal) and "on the flat of its curve" in found.why
    steep = leaks(drift(np.zeros(8)), float(built_in("LFP").voltage(0.03)), built_in("LFP"), 100.0, ALL, None)
    assert isinstance(steep, LeakKnown)
