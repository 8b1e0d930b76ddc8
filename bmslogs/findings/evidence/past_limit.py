"""Limits passed: which readings are beyond a bound of the pack file, in which rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import taps
from bmslogs.analysis.signals.excursions import passed
from bmslogs.analysis.study import Study
from bmslogs.findings.evidence.source import calmly

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

LEAST_CELL_V, MOST_CELL_V = 0.05, 4.95
"""No cell in use reads less or more: what does is a wire, a converter's end or a mark (judgement)."""
CURRENT_STEP = 0.01
"""A current sensor's gain is hardly known better than half a per cent: beyond a bound by this share of it (choice)."""


@dataclass(frozen=True)
class PastLimit:
    """Readings held against one bound.

    Attributes
    ----------
    bound, sign
        The limit [unit of the readings]; 1 where more is beyond it, -1 where less is.
    columns
        (channels,) columns of cells or sensors; 0 for the current.
    readings
        (rows, channels) as the rule judges them [V, degC, A].
    beyond
        (rows, channels) True where it was passed, for two rows in succession or more.
    step
        Step of the readings [their unit].
    """

    bound: float
    sign: float
    columns: Ints
    readings: Floats
    beyond: Bools
    step: float

    @property
    def over(self) -> Floats:
        """(rows, channels) how far beyond the bound each reading is, negative within it."""
        return np.asarray(self.sign * (self.readings - self.bound), float)


@calmly
def voltage_past(s: Study, columns: Ints, bound: float, sign: float) -> PastLimit:
    """Return cells held against a voltage limit [V]; what no cell can have is left out as NaN."""
    readings = as_cells(s, columns)
    outside = (readings < LEAST_CELL_V) | (readings > MOST_CELL_V)
    return _held(np.where(outside, np.nan, readings), bound, sign, columns, s.readings.log.voltage_step)


@calmly
def temperature_past(s: Study, column: int, bound: float, sign: float) -> PastLimit:
    """Return one sensor held against a temperature limit [degC]."""
    readings = s.readings.log.temperature[:, [column]]
    return _held(readings, bound, sign, np.array([column]), resolution(readings[:, 0])[0])


@calmly
def current_past(s: Study, size: float, sign: float) -> PastLimit:
    """Return the current held against a limit of this size [A]: of discharge with sign 1, of charge with -1."""
    return _held(s.flow.current[:, None], sign * size, sign, np.array([0]), CURRENT_STEP * size)


def _held(readings: Floats, bound: float, sign: float, columns: Ints, step: float) -> PastLimit:
    return PastLimit(bound, sign, columns, readings, passed(sign * (readings - bound), step), step)


def as_cells(s: Study, columns: Ints) -> Floats:
    """Return (rows, columns) readings [V], the drop of bleed currents in the sense wires taken out where known."""
    log, wires, resistor = s.readings.log, s.harness.taps, s.readings.resistor
    readings = log.cell_voltage[:, columns]
    if wires is None or log.bleed is None or resistor is None:
        return readings
    bled = np.flatnonzero(log.bleed.any(axis=1))
    readings = readings.copy()
    whole = taps.corrected(log.cell_voltage[bled], log.bleed[bled], resistor, wires)
    readings[bled] = whole[:, columns]
    return readings


def resolution(readings: Floats) -> tuple[float, float]:
    """Return step and noise (one sd) of a slow reading, such as a temperature, in its own unit."""
    seen = readings[~np.isnan(readings)]
    quick = np.abs(np.diff(seen[:50_000]))
    moved = quick[quick > 1e-6]
    step = float(moved.min()) if len(moved) else 0.0
    return step, 1.4826 * float(np.median(quick)) / np.sqrt(2.0) if len(quick) else 0.0
