"""Pulls that rise and fall slowly tell resistances as well as steps do: they are over before the charge has moved."""

from __future__ import annotations

from dataclasses import replace

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


def driven_and_parked() -> Log:
    """Twenty minutes of driving at 1 s, then six days parked at 60 s: most rows are of the parking; cell 7 +50 %."""
    rng = np.random.default_rng(9)
    driven = np.arange(0.0, 1200.0)
    seconds = np.concatenate([driven, 1200.0 + 60.0 * np.arange(1, 8641)])
    current = np.where(seconds < 1200.0, np.repeat(rng.normal(25.0, 45.0, 1000), 10)[: len(seconds)], 0.0)
    log = dyno(0.5)
    charge = np.cumsum(np.append(np.diff(seconds), 60.0) * current) / 3600.0
    soc = 0.7 + rng.normal(0, 0.002, CELLS) - charge[:, None] / 60.0
    volts = (
        curve_of(log.pack).voltage(soc)
        - current[:, None] * ohms(0.5)
        + rng.normal(0, 5e-4, (len(seconds), CELLS))
    )
    return replace(
        log,
        time=log.time[0] + (seconds * 1e6).astype("timedelta64[us]"),
        current=current + rng.normal(0, 0.1, len(seconds)),
        cell_voltage=np.round(volts, 3),
        temperature=np.full((len(seconds), 1), 22.0),
    )


def test_a_drive_is_read_by_its_own_rows_however_long_the_pack_then_stands() -> None:
    found = diagnose(driven_and_parked())
    assert [(f.cause, f.cells) for f in found.findings if f.level in ("act", "look")] == [
        ("cell_or_joint_resistance_high", (7,))
    ]
    told = {e.cell: e for e in found.of("resistance_10s_relative")}[7]
    assert told.low is not None and told.high is not None
    assert told.low <= ohms(0.5)[6] / np.median(ohms(0.5)) <= told.high


def bench_load(excess_steps: int) -> Log:
    """One clean step of 2.4 A takes 4 mV off a cell, read in steps of 5 mV; one cell falls by so many steps more."""
    log = dyno(0.0)
    seconds = np.arange(0.0, 1200.0, 10.0)
    current = np.where(seconds >= 600.0, 2.4, 0.0)
    pack = log.pack
    level = np.full((len(seconds), CELLS), 3.700)
    level[seconds >= 600.0] -= 0.005
    level[seconds >= 600.0, 6] -= 0.005 * excess_steps
    return replace(
        log,
        time=log.time[0] + (seconds * 1e6).astype("timedelta64[us]"),
        current=current,
        cell_voltage=level,
        temperature=np.full((len(seconds), 1), 22.0),
        pack=pack,
        voltage_step=5e-3,
    )


def test_one_step_of_the_reading_more_is_no_weak_cell() -> None:
    """Rounding before and after may make a whole step of one cell and none of the others (arithmetic)."""
    loud = [f for f in diagnose(bench_load(1)).findings if f.level in ("act", "look")]
    assert [f.cause for f in loud if "resistance" in f.cause] == []
    loud = [f for f in diagnose(bench_load(8)).findings if f.level in ("act", "look")]
    assert [f.cells for f in loud if "resistance" in f.cause] == [(7,)]
