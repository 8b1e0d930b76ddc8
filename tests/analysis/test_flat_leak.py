"""A leak on the flat of a curve: named by what its fall must have cost at least, never sized."""

import numpy as np
import pytest

from bmslogs.analysis import parked
from bmslogs.analysis.models.flat_leak import flat_leaks
from bmslogs.analysis.ocv import OcvCurve, built_in

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


@pytest.mark.parametrize("soc", [0.3, 0.45, 0.6, 0.7, 0.9])
@pytest.mark.parametrize("of_all", [0.2, 0.5, 0.8, 0.95])
def test_the_bound_never_exceeds_what_leaked_wherever_the_cell_ends(soc: float, of_all: float) -> None:
    """Planted up to all but a twentieth of what the cell holds: down the plateau and into the knee at empty."""
    leak = of_all * soc * 100.0 / HOURS[-1]
    least = flat_leaks(*stood(leak, soc), built_in("LFP"), 100.0, EVERY)
    assert 0.0 <= least[2] <= leak
    assert np.all(np.delete(least, 2) == 0.0)


def test_few_cells_and_cells_that_are_not_believed_tell_nothing() -> None:
    found, level = stood(0.12)
    few = np.arange(8) < 3
    assert not flat_leaks(found, level, built_in("LFP"), 100.0, few).any()
    but = np.arange(8) != 2
    assert not flat_leaks(found, level, built_in("LFP"), 100.0, but).any()


def test_the_bound_by_hand() -> None:
    """60 mV in 100 h against cells that stand; a line of 0.4 V, other cells' 1.6 times as steep at most:
    (60 - 3 * 0.5) mV / 0.64 V * 100 Ah / 100 h = 91 mA (the scatter is its least, half a millivolt)."""
    straight = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 3.4]), True, "a line")
    for fell, told in ((0.060, 0.0585 / 0.64), (0.006, 0.0), (0.24, 0.2385 / 0.64)):  # 6 mV are less than 8
        slope = np.where(np.arange(8) == 2, -fell / 100.0, 0.0)
        found = parked.Drift(slope, np.zeros(8), 8, 100.0, np.zeros(8), np.zeros(8))
        assert flat_leaks(found, 3.3, straight, 100.0, EVERY)[2] == pytest.approx(told, rel=1e-6)


def test_a_cell_below_the_table_has_lost_no_more_than_all() -> None:
    """A cell that fell by 2 V is empty: it held 70 % of 100 Ah, and can have lost no more (by hand)."""
    slope = np.where(np.arange(8) == 2, -2.0 / 500.0, 0.0)
    found = parked.Drift(slope, np.zeros(8), 8, 500.0, np.zeros(8), np.zeros(8))
    level = float(built_in("LFP").voltage(0.7))
    assert 0.03 < flat_leaks(found, level, built_in("LFP"), 100.0, EVERY)[2] <= 70.0 / 500.0
