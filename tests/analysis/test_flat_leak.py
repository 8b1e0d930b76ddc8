"""A leak on the flat of a curve: named by what its fall must have cost at least, never sized."""

import numpy as np

from bmslogs.analysis import parked
from bmslogs.analysis.models.flat_leak import flat_leaks
from bmslogs.analysis.ocv import built_in

HOURS = np.arange(0.0, 21 * 24.0)
EVERY = np.ones(8, bool)


def stood(leak_A: float, soc: float = 0.70, seed: int = 3) -> tuple[parked.Drift, float]:
    """Three weeks parked, LFP of 100 Ah at `soc`, hourly in whole millivolts; cell 3 leaks. Origin: planted."""
    rng = np.random.default_rng(seed)
    charge = np.full((len(HOURS), 8), soc)
    charge[:, 2] -= leak_A * HOURS / 100.0
    volts = np.round(built_in("LFP").voltage(charge) + rng.normal(0, 5e-4, charge.shape), 3)
    return parked.drift(volts, HOURS * 3600.0, None, EVERY, 1e-3), float(np.median(volts))


def test_a_leak_that_crosses_the_step_of_the_curve_is_bounded_from_below():
    found, level = stood(0.060)
    least = flat_leaks(found, level, built_in("LFP"), 100.0, EVERY)
    assert 0.0 < least[2] <= 0.060
    assert np.all(np.delete(least, 2) == 0.0)


def test_a_larger_leak_has_no_smaller_bound():
    bounds = [flat_leaks(*stood(size), built_in("LFP"), 100.0, EVERY)[2] for size in (0.06, 0.09, 0.12)]
    assert bounds == sorted(bounds) and bounds[0] > 0.0


def test_sound_cells_that_only_settle_leak_nothing():
    found, level = stood(0.0)
    assert np.all(flat_leaks(found, level, built_in("LFP"), 100.0, EVERY) == 0.0)


def test_settling_over_before_the_second_block_refuses_no_long_stay():
    """Three weeks in eight blocks: what settles within a day lies in the first block alone."""
    found, _ = stood(0.0)
    assert found.hours > 400.0 and np.isfinite(found.slope).all()
