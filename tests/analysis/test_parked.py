"""A parked week by hand: what a cell leaks, and where it stood when the log began."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from bmslogs.analysis import parked
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.ocv import built_in
from bmslogs.analysis.study import Study
from bmslogs.base.pack import Pack
from bmslogs.log import Log

HOURS = np.arange(8 * 24, dtype=float)
CAPACITY = 100.0
LEAK_A, START = 0.010, 0.004


def week(seed=2):
    """Eight NMC cells at 70 %, hourly for eight days; cell 5 begins 0.4 % fuller and leaks 10 mA (1.91 % in all)."""
    rng = np.random.default_rng(seed)
    soc = np.full((len(HOURS), 8), 0.70)
    soc[:, 4] += START - LEAK_A * HOURS / CAPACITY
    volts = built_in("NMC").voltage(soc) + rng.normal(0, 3e-4, soc.shape)
    pack = Pack(id="wren", vehicle="Wren", chemistry="NMC", nominal_capacity_Ah=CAPACITY, cells_in_series=8)
    time = np.datetime64("2026-06-01T06:00:00", "us") + (HOURS * 3.6e9).astype("timedelta64[us]")
    return Log(
        id="week", time=time, current=rng.normal(0, 0.1, len(HOURS)), cells=tuple(range(1, 9)),
        cell_voltage=np.round(volts, 4), temperature=np.full((len(HOURS), 1), 19.0), bleed=None, pack_voltage=None,
        pack=pack, voltage_step=1e-4,
    )


def test_the_slope_of_a_leaking_cell():
    """A line of -2 mV a day among level ones: -2e-3 / 24 V/h, exactly where nothing is noisy."""
    volts = np.tile(3.9, (len(HOURS), 6)) + np.where(np.arange(6) == 2, -2e-3 / 24, 0.0) * HOURS[:, None]
    found = parked.drift(volts, HOURS * 3600.0, None, np.ones(6, bool))
    assert_allclose(found.slope[2], -2e-3 / 24, rtol=1e-6)
    assert_allclose(np.delete(found.slope, 2), 0.0, atol=1e-12)


def test_the_offset_is_that_of_the_first_row_and_not_of_the_last():
    known = Knowledge(Study(week()))
    offset = known.offset
    assert not isinstance(offset, str)
    assert abs(offset.value[4] - START) < offset.half[4] < 0.004
    assert_allclose(known.leak.amps[4], LEAK_A, rtol=0.1)


def test_a_reading_that_stands_still_does_not_pass_for_no_leak():
    """Cells of a pack in steps of 5 mV: a week at 0.5 mA of 100 Ah moves 1 mV, so most readings never move."""
    rng = np.random.default_rng(11)
    soc = 0.54 + rng.normal(0, 0.0005, 14) - 0.0005 * HOURS[:, None] / CAPACITY
    volts = np.round((built_in("NMC").voltage(soc) + rng.normal(0, 5e-4, soc.shape)) / 0.005) * 0.005
    assert (np.ptp(volts, axis=0) == 0).any()
    found = parked.drift(volts, HOURS * 3600.0, None, np.ones(14, bool), 0.005)
    per_volt_hour = CAPACITY / float(built_in("NMC").slope(0.54))
    half = parked.half_width(found.se, found.blocks) * per_volt_hour
    leak = -found.slope * per_volt_hour
    assert (np.abs(leak) < half).all()
    assert half.min() > 0.001
    assert (np.abs(volts[0] - volts[0].mean() - found.level) < 0.005).all()


def test_single_readings_that_are_missing_do_not_lose_the_row():
    whole = week()
    holes = whole.cell_voltage.copy()
    holes[np.random.default_rng(8).random(holes.shape) < 0.15] = np.nan
    leak = Knowledge(Study(replace(whole, cell_voltage=holes))).leak
    assert not isinstance(leak, str)
    assert_allclose(leak.amps[4], LEAK_A, rtol=0.15)
