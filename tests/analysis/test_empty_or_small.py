"""Emptier or smaller: by the algebra of charge, by hand, and on planted strings of the built-in curve."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.models.empty_or_small import ahead_at_start, least_shortfall
from bmslogs.analysis.ocv import OcvCurve, built_in
from bmslogs.analysis.study import Study
from bmslogs.base.pack import Limits, Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log

CELLS, CAPACITY, OHM = 8, 60.0, 1e-3


def test_the_shortfall_of_a_worked_example():
    """48 of 60 Ah drawn; a cell of 54 Ah goes down by 48/54, the others by 48/60: 0.0889 of charge apart."""
    lead = np.array([48 / 54 - 48 / 60, 0.0, 0.02])
    assert_allclose(least_shortfall(lead, np.zeros(3), np.zeros(3), np.full(3, 0.8)), [0.1, 0.0, 0.02 / 0.82])
    # begun 3 % emptier, known to 1 %: 4 % of the lead are explained, (0.0889 - 0.04) / 0.8 are left
    r = (48 / 54 - 48 / 60 - 0.04) / 0.8
    assert_allclose(
        least_shortfall(lead[:1], np.array([0.03]), np.array([0.01]), np.array([0.8])), r / (1 + r)
    )
    assert_allclose(least_shortfall(lead[:1], np.array([0.09]), np.array([0.01]), np.array([0.8])), 0.0)


def test_a_flat_curve_does_not_tell_where_a_cell_began():
    level = np.full(CELLS, 3.31)
    level[2] -= 0.001
    for chemistry, told in (("NMC", True), ("LFP", False)):
        here = level + (0.39 if chemistry == "NMC" else 0.0)
        _, half = ahead_at_start(here, np.full(CELLS, 5e-4), built_in(chemistry), np.ones(CELLS, bool), -1)
        assert bool((half < 0.02).all()) is told


def discharge(small=0.0, emptier=0.0, rest_s=400, seed=3):
    """An NMC string at rest, then 0.5 C until cell 5, smaller or emptier, is at 2 % of charge. Origin: planted."""
    rng = np.random.default_rng(seed)
    length = (0.95 - emptier - 0.02) * (1.0 - small) * CAPACITY / 30.0 * 3600.0
    t = np.arange(0.0, rest_s + length, 2.0)
    amps = np.where(t >= rest_s, 30.0, 0.0)
    drawn = np.cumsum(amps) * 2.0 / 3600.0
    capacity = CAPACITY * np.where(
        np.arange(CELLS) == 4, 1.0 - small, 1.0 + 0.004 * rng.standard_normal(CELLS)
    )
    begun = 0.95 + 0.002 * rng.standard_normal(CELLS) - np.where(np.arange(CELLS) == 4, emptier, 0.0)
    soc = begun - drawn[:, None] / capacity
    volts = built_in("NMC").voltage(soc) - OHM * amps[:, None]
    volts = np.round(volts + rng.normal(0, 4e-4, volts.shape), 3)
    time = np.datetime64("2026-07-01T06:00:00", "us") + (t * 1e6).astype("timedelta64[us]")
    pack = Pack(
        id="finch",
        vehicle="Finch",
        chemistry="NMC",
        nominal_capacity_Ah=CAPACITY,
        cells_in_series=CELLS,
        limits=Limits(voltage_min_V=2.0, voltage_max_V=4.3),
    )
    return Log(
        id="down",
        time=time,
        current=amps + rng.normal(0, 0.05, len(t)),
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=volts,
        temperature=np.full((len(t), 1), 24.0),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=1e-3,
    )


@pytest.mark.parametrize("small", [0.06, 0.12, 0.3])
def test_a_small_cell_that_began_beside_the_others_is_never_told_to_balance(small):
    """The larger the shortfall the louder; by no size is it called emptier. (30 % smaller and alike at 95 % it lacks
    1.5 % of charge less to full: that it is fuller there is true.)"""
    log = discharge(small=small)
    least, most = Knowledge(Study(log)).leads.shortfall[:, 4]
    assert 0.5 * min(small, 0.1) < least <= small <= most or most == 0.0
    causes = {f.cause for f in diagnose(log).findings if 5 in f.cells}
    assert "capacity_low" in causes
    assert "soc_offset_low" not in causes


def test_an_emptier_cell_that_is_first_at_the_end_is_not_called_small():
    log = discharge(emptier=0.06)
    assert Knowledge(Study(log)).leads.shortfall[0].max() == 0.0
    causes = {f.cause for f in diagnose(log).findings if 5 in f.cells}
    assert "soc_offset_low" in causes
    assert "capacity_low" not in causes


def test_bleeding_at_rest_or_no_rest_leaves_it_open():
    log = discharge(small=0.12)
    flags = np.zeros(log.cell_voltage.shape, bool)
    flags[50:100, 1] = True
    assert Knowledge(Study(replace(log, bleed=flags))).leads.shortfall.max() == 0.0
    assert Knowledge(Study(discharge(small=0.12, rest_s=60))).leads.shortfall.max() == 0.0


LINE = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.2]), False, "a line of 1.2 V")


def test_how_far_ahead_a_cell_began_by_hand():
    """12 mV above the middle on 1.2 V a unit: 1 % fuller, ahead where a charge follows, behind where a discharge does.

    2 mV of the level are +-1.96 * 2 / 1200 = 0.33 %, and a table of the chemistry tells a slope to 35 %.
    """
    level = np.array([3.600, 3.612, 3.600, 3.588])
    for sign in (1, -1):
        ahead, half = ahead_at_start(level, np.full(4, 0.002), LINE, np.ones(4, bool), sign)
        assert_allclose(ahead, sign * np.array([0.0, 0.01, 0.0, -0.01]), atol=1e-12)
        assert_allclose(half, np.hypot(1.96 * 0.002 / 1.2, 0.35 * np.array([0.0, 0.01, 0.0, 0.01])))


@pytest.mark.parametrize("level", [2.9, 4.3, np.nan])
def test_beyond_the_table_and_without_a_reading_nobody_knows(level):
    ahead, half = ahead_at_start(
        np.array([3.6, 3.6, 3.6, level]), np.full(4, 0.002), LINE, np.ones(4, bool), 1
    )
    assert np.isinf(half[3]) and np.isfinite(ahead).all() and np.isfinite(half[:3]).all()
    # what is not known is never a proof
    assert least_shortfall(np.full(4, 0.3), ahead, half, np.full(4, 0.5))[3] == 0.0


@pytest.mark.parametrize("moved", [0.1, 0.5, 0.9])
def test_a_smaller_cell_is_told_as_much_smaller_whatever_was_moved(moved):
    """q (1 / (1 + x) - 1) by the module's algebra the other way round: x comes back, and grows with the lead."""
    small = np.array([0.0, 0.02, 0.1, 0.5, 0.9])
    lead = moved * (1 / (1 - small) - 1)
    found = least_shortfall(lead, np.zeros(5), np.zeros(5), np.full(5, moved))
    assert_allclose(found, small, atol=1e-12)
    # a lead that was there before, or may have been, is taken off; nothing moved tells nothing
    assert np.all(least_shortfall(lead, np.full(5, 0.01), np.full(5, 0.02), np.full(5, moved)) <= found)
    assert not least_shortfall(lead, np.zeros(5), np.zeros(5), np.zeros(5)).any()
