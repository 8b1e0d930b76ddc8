"""Temperatures of the cells while their resistances are told, and sensors held against those resistances."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.models.cell_warmth import CellWarmth, cell_warmth
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.analysis.thermal import SensorFault, settled_by_cells
from bmslogs.base.nan_statistics import nanmean, nanmedian

Floats = npt.NDArray[np.float64]

UNKNOWN_C = 20.0
"""Where no sensor tells it a pack has the temperature of a room [degC] (judgement)."""


@dataclass(frozen=True, eq=False)
class CellTemperatures:
    """What temperatures and resistances tell of each other."""

    readings: Readings
    harness: Harness
    temperatures: Temperatures
    resistance: Resistance

    @cached_property
    def sensor_faults(self) -> list[SensorFault]:
        """Temperature sensors at fault, the cells' resistances heard: a cold cell drops more, a shifted reading not."""
        found, mean, excess = self.temperatures.faults, self.temperatures.mean, self.resistance.excess
        if excess is None or not any(f.kind == "offset" for f in found):
            return found
        ratio = np.where(self.harness.trusted, 1.0 + excess[0], np.nan)
        middle = UNKNOWN_C if mean is None else float(nanmedian(mean))
        return settled_by_cells(found, ratio, self.temperatures.cells_at, middle)

    @cached_property
    def warmth(self) -> CellWarmth:
        """What the temperature of each cell can be while the resistance is told."""
        read, rows = self.readings.log.temperature, self.resistance.rows
        sensors = read.shape[1]
        level: Floats = np.full(sensors, np.nan)
        if sensors and len(rows):
            with np.errstate(all="ignore"):
                level = nanmean(read[rows], axis=0)
        believed, doubt = ~np.isnan(level), np.zeros(sensors)
        one = [f.column for f in self.sensor_faults if f.doubt == "one"]
        if one:  # the cells say that the places are alike, whichever of the two sensors is off
            level[one] = level[one].mean()
        for fault in self.sensor_faults:
            if fault.doubt is None:
                believed[fault.column] = False
            elif fault.doubt != "one":
                doubt[fault.column] = abs(fault.size_C or 0.0)
        return cell_warmth(self.readings.pack, self.readings.cells, level, believed, doubt)
