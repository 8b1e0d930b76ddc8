"""The log as it was read, and the log without readings that no cell can have."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import ocv, sampling, sensing
from bmslogs.analysis.signals import physics
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.pack import Pack
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

USUAL_OHM_AH = 0.1
"""Resistance of a usual cell times its capacity [ohm Ah]: 1 mohm at 100 Ah, until the log tells (judgement)."""


@dataclass(frozen=True, eq=False)
class Readings:
    """What was read of the cells.

    Attributes
    ----------
    source
        The log with all that it holds: swapped and open taps read what no cell has. For what asks whether a reading
        is to be believed, and for sums over the string, which stay whole.
    """

    source: Log

    @property
    def pack(self) -> Pack:
        """The pack file."""
        return self.source.pack

    @property
    def cells(self) -> tuple[int, ...]:
        """Numbers of the cells, in the order of the columns."""
        return self.source.cells

    @cached_property
    def capacity(self) -> float:
        """Nominal capacity [Ah]."""
        return float(self.pack.nominal_capacity_Ah)

    @property
    def resistor(self) -> float | None:
        """Bleed resistor [ohm] as the pack file has it."""
        return self.pack.bleed_resistor_ohm

    @property
    def seconds(self) -> Floats:
        """(rows,) [s] since the first row."""
        return self.source.seconds

    @property
    def as_read(self) -> Floats:
        """(rows, cells) [V] with all that the log holds."""
        return self.source.cell_voltage

    @cached_property
    def curve(self) -> ocv.OcvCurve:
        """The open-circuit curve of the pack's chemistry or its own table."""
        return ocv.curve_of(self.pack)

    @cached_property
    def log(self) -> Log:
        """The log without readings that no cell can have (NaN): those are the measuring chain's (`physics`)."""
        wrong = None if self.outside is None else self.outside.copy()
        for fault in self.swapped:
            if wrong is None:
                wrong = np.zeros(self.as_read.shape, bool)
            assert fault.rows is not None
            wrong[np.ix_(fault.rows, np.array(fault.columns))] = True
        if wrong is None:
            return self.source
        return replace(self.source, cell_voltage=np.where(wrong, np.nan, self.as_read))

    @cached_property
    def outside(self) -> Bools | None:
        """(rows, cells) True where a reading is none of a cell; None where there is none."""
        return physics.outside(self.as_read, self.curve)

    @cached_property
    def beyond_physics(self) -> Floats:
        """(cells,) share of the readings that no cell can have."""
        wrong = self.outside
        return np.zeros(len(self.cells)) if wrong is None else np.asarray(wrong.mean(axis=0), float)

    @cached_property
    def swapped(self) -> list[sensing.SensingFault]:
        """Pairs of taps that changed places or hang, by readings that no cell has."""
        volts = self.as_read
        if self.outside is None and not np.isnan(volts).any():
            return []
        return sensing.swapped_taps(volts, *physics.bounds(self.curve))


def readings_of(log: Log) -> Readings:
    """Return the readings of a log: rows between readings joined, the step of its voltages as they show it.

    Raises
    ------
    NotEnoughData
        The log has fewer than two rows.
    """
    if log.rows < 2:
        raise NotEnoughData("the log has fewer than two rows")
    between = sampling.rows_between(log.cell_voltage, log.seconds)
    if between is not None:
        log = replace(log, cell_voltage=log.cell_voltage[between], temperature=log.temperature[between])
    step = sampling.step_with_band(log.cell_voltage, log.voltage_step)
    return Readings(log if step == log.voltage_step else replace(log, voltage_step=step))
