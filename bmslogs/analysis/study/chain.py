"""The measuring chain: current and voltages held against each other."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    resistance,
    terminals,
)
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.sampling import renumber
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.loads import Loads
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.samples import Samples
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import mean

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Chain:
    """The measuring chain: current and voltages held against each other."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    harness: Harness
    samples: Samples
    loads: Loads

    @cached_property
    def outside_taps(self) -> tuple[float, float, float]:
        """Resistance that no tap sees, its half width [ohm], shift of the pack reading [V].

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        if self.readings.log.pack_voltage is None:
            raise NotEnoughData("the log has no pack voltage")
        # a wire that hangs or changed places with the next moves readings from cell to cell, not their sum
        summed, read = self.harness.trusted.copy(), self.readings.log
        for fault in self.harness.faults:
            if fault.kind in ("tap_open", "taps_swapped") and fault.whole:
                summed[list(fault.columns)], read = True, self.readings.source
        if not summed.all() or len(self.readings.cells) != self.readings.pack.cells_in_series:
            raise NotEnoughData("not every cell of the string has a reading to be believed")
        s = self.samples.kept
        volts, total = (
            self.samples.at(self.readings.log.pack_voltage),
            self.samples.at(read.cell_voltage).sum(axis=1),
        )
        good = ~np.isnan(volts) & ~np.isnan(total) & self.loads.moving
        return terminals.outside_taps(
            volts[good], total[good], s.current[good], s.seconds[good], renumber(s.section[good])
        )

    @cached_property
    def current_lag(self) -> tuple[float, float]:
        """Time by which the current is read later than the voltages, and its half width [s].

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        rows = self.flow.rows_of("drive") & ~np.isnan(self.flow.current)
        if self.refresh.period_s > 2.0 or rows.sum() < 200:
            raise NotEnoughData(f"readings are {self.refresh.period_s:.1f} s apart, or there was no drive")
        rows &= self.refresh.rows
        volts = self.readings.log.cell_voltage
        string = mean(volts if self.harness.trusted.all() else volts[:, self.harness.trusted], axis=1)[rows]
        index = np.flatnonzero(rows)[~np.isnan(string)]
        if len(index) < 200:
            raise NotEnoughData("too few rows with every reading")
        return terminals.current_lag(
            string[~np.isnan(string)],
            self.flow.current[index],
            self.readings.seconds[index],
            renumber(self.flow.section[index]),
            resistance.time_constants(self.refresh.period_s),
        )
