"""Two rests and the charge between them: the relative capacity by hand, and what a rest near full says of an offset."""

import numpy as np
import pytest

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.ocv import built_in
from bmslogs.analysis.study import Study
from bmslogs.base.pack import Limits, Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log

CELLS, CAPACITY, OHM = 8, 60.0, 1e-3


def charged(small=0.0, emptier=0.0, rest_s=900, seed=5, chemistry="NMC"):
    """A string charged at C/3 from 12 to 95 % between two rests, cell 3 smaller and alike at the top, or emptier.

    Origin: planted on the built-in curve; after the charge the voltages settle by 8 mV with 200 s.
    """
    rng = np.random.default_rng(seed)
    hours = 0.83 * CAPACITY / 20.0
    t = np.arange(0.0, 2 * rest_s + hours * 3600.0, 5.0)
    amps = np.where((t >= rest_s) & (t < rest_s + hours * 3600.0), -20.0, 0.0)
    taken = -np.cumsum(amps) * 5.0 / 3600.0
    capacity = CAPACITY * (1.0 - small * (np.arange(CELLS) == 2))
    top = 0.95 + 0.001 * rng.standard_normal(CELLS) - emptier * (np.arange(CELLS) == 2)
    soc = top - (taken[-1] - taken)[:, None] / capacity
    after = np.clip(t - (rest_s + hours * 3600.0), 0.0, None)
    settling = np.where(after > 0, 0.008 * np.exp(-after / 200.0), np.where(amps < 0, 0.008, 0.0))
    volts = built_in(chemistry).voltage(soc) - OHM * amps[:, None] + settling[:, None]
    pack = Pack(
        id="finch",
        vehicle="Finch",
        chemistry=chemistry,
        nominal_capacity_Ah=CAPACITY,
        cells_in_series=CELLS,
        limits=Limits(voltage_min_V=2.0, voltage_max_V=4.3),
    )
    return Log(
        id="up",
        time=np.datetime64("2026-07-02T06:00:00", "us") + (t * 1e6).astype("timedelta64[us]"),
        current=amps + rng.normal(0, 0.05, len(t)),
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=np.round(volts + rng.normal(0, 4e-4, volts.shape), 3),
        temperature=np.full((len(t), 1), 24.0),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=1e-3,
    )


@pytest.mark.parametrize("small", [0.0, 0.06, 0.10])
def test_the_shortfall_lies_between_its_bounds(small):
    """By hand: 49.8 Ah are 83 % of 60 Ah and 92.2 % of 54 Ah, so that cell began 9.2 % of charge below the others."""
    rests = Knowledge(Study(charged(small))).between_rests
    least, most = rests.shortfall[:, 2]
    assert least <= small <= most if small else least == 0.0
    assert np.delete(rests.shortfall[0], 2).max() < 0.01
    assert abs(rests.near_full[2]) < rests.half[2] < 0.01


def test_a_small_cell_that_was_balanced_at_the_top_is_not_called_emptier():
    causes = {f.cause for f in diagnose(charged(0.10)).findings if 3 in f.cells}
    assert "capacity_low" in causes
    assert "soc_offset_low" not in causes


def test_an_emptier_cell_is_emptier_at_both_rests_and_not_small():
    log = charged(emptier=0.05)
    rests = Knowledge(Study(log)).between_rests
    assert rests.shortfall[0, 2] == 0.0
    assert abs(rests.near_full[2] + 0.05) < rests.half[2]
    causes = {f.cause for f in diagnose(log).findings if 3 in f.cells}
    assert "soc_offset_low" in causes
    assert "capacity_low" not in causes


def test_rests_on_a_flat_curve_tell_nothing():
    rests = Knowledge(Study(charged(0.10, chemistry="LFP"))).between_rests
    assert rests.shortfall.max() == 0.0 or rests.shortfall[0, 2] <= 0.10
