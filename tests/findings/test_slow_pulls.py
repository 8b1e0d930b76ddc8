"""Pulls that rise and fall slowly tell resistances as well as steps do: they are over before the charge has moved."""

from __future__ import annotations

import numpy as np

from bmslogs.analysis.ocv import curve_of
from bmslogs.base.pack import Module, Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log

CELLS = 12


def ohms(excess: float) -> np.ndarray:
    """Cells of 1.5 mohm that scatter by 1 %, and one of more."""
    spread = np.random.default_rng(5).normal(0, 0.01, CELLS)
    return 0.0015 * (1.0 + np.where(np.arange(CELLS) == 6, excess, spread))


def dyno(excess: float) -> Log:
    """Five pulls, each a ramp up to 150 A in twenty seconds and let go at once; cell 7 has a bad link (planted)."""
    rng = np.random.default_rng(6)
    seconds = np.arange(0.0, 480.0, 0.5)
    into = (seconds[:, None] - np.arange(60.0, 480.0, 90.0)) / 20.0
    current = 150.0 * np.where((into > 0.0) & (into <= 1.0), into, 0.0).sum(axis=1)
    charge = np.cumsum(current) * 0.5 / 3600.0
    pack = Pack(
        id="fulmar",
        vehicle="Fulmar",
        chemistry="NMC",
        nominal_capacity_Ah=60.0,
        cells_in_series=CELLS,
        modules=[Module(name="A1", cells=tuple(range(1, 7))), Module(name="B1", cells=tuple(range(7, 13)))],
    )
    soc = 0.7 + rng.normal(0, 0.002, CELLS) - charge[:, None] / 60.0
    volts = (
        curve_of(pack).voltage(soc)
        - current[:, None] * ohms(excess)
        + rng.normal(0, 5e-4, (len(seconds), CELLS))
    )
    return Log(
        id="dyno",
        time=np.datetime64("2026-06-04T17:00:00", "us") + (seconds * 1e6).astype("timedelta64[us]"),
        current=current + rng.normal(0, 0.1, len(seconds)),
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=np.round(volts, 3),
        temperature=np.full((len(seconds), 1), 22.0),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=1e-3,
    )


def test_slow_pulls_tell_the_cell_that_drops_more() -> None:
    found = diagnose(dyno(0.5))
    told = {e.cell: e for e in found.of("resistance_10s_relative") if e.status == "determined"}
    assert len(told) == CELLS
    true = ohms(0.5)[6] / np.median(ohms(0.5))
    assert told[7].low is not None and told[7].high is not None
    assert told[7].low < true < told[7].high
    assert {f.cells for f in found.findings if "resistance_high" in f.cause} == {(7,)}
