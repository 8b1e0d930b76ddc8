"""The measuring chain: current and voltages held against each other."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from bmslogs.analysis import resistance, terminals
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.sampling import renumber
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.under_load import UnderLoad
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import mean

LAG_REFRESH_S, LAG_LEAST_ROWS = 2.0, 200
"""A lag of a second or less shows in readings no further apart than this [s], and in so many rows (choice)."""


@dataclass(frozen=True, eq=False)
class Chain:
    """Pack voltage against the cells, current against their time."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    harness: Harness
    samples: Samples
    under_load: UnderLoad

    @cached_property
    def outside_taps(self) -> tuple[float, float, float]:
        """Resistance that no tap sees, its half width [ohm], shift of the pack reading [V].

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        s, read = self.samples.kept, self.readings.log
        if read.pack_voltage is None:
            raise NotEnoughData("the log has no pack voltage")
        pack = self.samples.at(read.pack_voltage)
        # a wire that hangs or changed places with the next moves readings from cell to cell, not their sum
        summed = self.harness.trusted.copy()
        for fault in self.harness.faults:
            if fault.kind in ("tap_open", "taps_swapped") and fault.whole:
                summed[list(fault.columns)], read = True, self.readings.source
        if not summed.all() or len(self.readings.cells) != self.readings.pack.cells_in_series:
            raise NotEnoughData("not every cell of the string has a reading to be believed")
        total = self.samples.at(read.cell_voltage).sum(axis=1)
        good = ~np.isnan(pack) & ~np.isnan(total) & self.under_load.mask
        return terminals.outside_taps(
            pack[good], total[good], s.current[good], s.seconds[good], renumber(s.section[good])
        )

    @cached_property
    def current_lag(self) -> tuple[float, float]:
        """Time by which the current is read later than the voltages, and its half width [s].

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        current, trusted, period = self.flow.current, self.harness.trusted, self.refresh.period_s
        rows = self.flow.rows_of("drive") & ~np.isnan(current)
        if period > LAG_REFRESH_S or rows.sum() < LAG_LEAST_ROWS:
            raise NotEnoughData(f"readings are {period:.1f} s apart, or there was no drive")
        rows &= self.refresh.rows
        volts = self.readings.log.cell_voltage
        string = mean(volts if trusted.all() else volts[:, trusted], axis=1)[rows]
        read = ~np.isnan(string)
        index = np.flatnonzero(rows)[read]
        if len(index) < LAG_LEAST_ROWS:
            raise NotEnoughData("too few rows with every reading")
        return terminals.current_lag(
            string[read],
            current[index],
            self.readings.seconds[index],
            renumber(self.flow.section[index]),
            resistance.time_constants(period),
        )
