"""Warmth from the load: the rise of each place, sensors held against the cells, the cells' temperatures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    thermal,
)
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.models import (
    cell_warmth,
)
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.loads import BEND_LEAST_S, Loads
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.steps import Steps
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmean, nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Heat:
    """Warmth from the load: the rise of each place, sensors held against the cells, the cells' temperatures."""

    readings: Readings
    flow: Flow
    harness: Harness
    samples: Samples
    temperatures: Temperatures
    loads: Loads
    steps: Steps
    resistance: Resistance

    @cached_property
    def heating(self) -> thermal.Heating:
        """Rise per ampere squared of each sensor.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        rows = self.flow.rows_of("drive", "rest", "charge") & ~np.isnan(self.flow.current)
        good = self.temperatures.trusted
        if good.any():
            rows &= ~np.isnan(self.readings.log.temperature[:, good]).any(axis=1)
        if rows.sum() < 120:
            raise NotEnoughData("hardly any rows with current and temperatures")
        drives = sum(
            self.readings.seconds[p.last] - self.readings.seconds[p.first]
            for p in self.flow.stretches
            if p.kind == "drive"
        )
        rate = thermal.HEATING_CURRENT_C_RATE if drives >= BEND_LEAST_S else thermal.CHARGE_CURRENT_C_RATE
        return thermal.heating(
            self.readings.log.temperature[rows],
            self.flow.current[rows],
            self.readings.seconds[rows],
            good,
            rate * self.readings.capacity,
        )

    @cached_property
    def sensor_faults(self) -> list[thermal.SensorFault]:
        """Temperature sensors at fault, the cells' resistances heard: a cold cell drops more, a shifted reading not."""
        excess = self.resistance.excess
        if excess is None or not any(f.kind == "offset" for f in self.temperatures.faults):
            return self.temperatures.faults
        ratio = np.where(self.harness.trusted, 1.0 + excess[0], np.nan)
        middle = float(nanmedian(self.temperatures.mean)) if self.temperatures.mean is not None else 20.0
        return thermal.settled_by_cells(self.temperatures.faults, ratio, self.temperatures.cells_at, middle)

    @cached_property
    def cell_warmth(self) -> cell_warmth.CellWarmth:
        """What the temperature of each cell can be while the resistance is told."""
        n = self.readings.log.temperature.shape[1]
        rows = (
            np.flatnonzero(self.steps.rows())
            if self.resistance.by_steps
            else np.unique(self.samples.kept.row[self.loads.moving])
        )
        level = np.full(n, np.nan)
        if n and len(rows):
            with np.errstate(all="ignore"):
                level = nanmean(self.readings.log.temperature[rows], axis=0)
        believed, doubt = ~np.isnan(level), np.zeros(n)
        one = [f.column for f in self.sensor_faults if f.doubt == "one"]
        if one:  # the cells say that the places are alike, whichever of the two sensors is off
            level[one] = level[one].mean()
        for fault in self.sensor_faults:
            if fault.doubt is None:
                believed[fault.column] = False
            elif fault.doubt != "one":
                doubt[fault.column] = abs(fault.size_C or 0.0)
        return cell_warmth.cell_warmth(self.readings.pack, self.readings.cells, level, believed, doubt)
