"""Temperature sensors: which are believed, and how warm the pack was."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    thermal,
)
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.samples import Samples
from bmslogs.base.nan_statistics import nanmean

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

UNSOAKED_K, SOAK_S = 5.0, 4 * 3600.0
"""Places of one pack may differ by less [K] when a log begins, unless it stood for so long [s] in it (judgement)."""


@dataclass(frozen=True, eq=False)
class Temperatures:
    """Temperature sensors: which are believed, and how warm the pack was."""

    readings: Readings
    flow: Flow
    samples: Samples

    @cached_property
    def soaked(self) -> Bools:
        """(rows,) True before the first load, and in parked stretches after their first eight hours."""
        out = np.zeros(self.readings.log.rows, bool)
        first = self.flow.stretches[0] if self.flow.stretches else None
        if first is not None and first.kind in ("rest", "parked"):
            out[first.rows] = True
        for part in self.flow.stretches:
            if part.kind == "parked":
                out[part.rows] = (
                    self.readings.seconds[part.rows] >= self.readings.seconds[part.first] + 8 * 3600.0
                )
        return out

    @cached_property
    def faults(self) -> list[thermal.SensorFault]:
        """Temperature sensors at fault."""
        order = self._order
        current = self.flow.filled if self.flow.has_current else None
        idle = (
            current is not None
            and float(np.sqrt((current**2).mean())) < thermal.IDLE_C_RATE * self.readings.capacity
        )
        found = thermal.sensor_faults(
            self.readings.log.temperature[:, order], self.readings.seconds, self.soaked, current, idle
        )
        return [replace(f, column=int(order[f.column]), doubt=self._or_the_place(f)) for f in found]

    def _or_the_place(self, fault: thermal.SensorFault) -> str | None:
        """Return the doubt about a fault: a corner may have stood colder or warmer when a log began."""
        soaked = any(
            p.kind in ("parked", "rest")
            and self.readings.seconds[p.last] - self.readings.seconds[p.first] >= SOAK_S
            for p in self.flow.stretches
        )
        small = fault.kind == "offset" and abs(fault.size_C or 0.0) < UNSOAKED_K
        return "place" if small and fault.doubt is None and not soaked else fault.doubt

    @property
    def _order(self) -> Ints:
        """Sensors in the order of the cells that they sit at: neighbours share a gradient."""
        described = self.readings.pack.temperature_sensors
        at = [
            float(np.mean(described[j].cells)) if j < len(described) and described[j].cells else float("inf")
            for j in range(self.readings.log.temperature.shape[1])
        ]
        return np.asarray(np.argsort(at, kind="stable"), np.int64)

    @cached_property
    def trusted(self) -> Bools:
        """(sensors,) True where a sensor is believed."""
        good: Bools = np.asarray(~np.isnan(self.readings.log.temperature).all(axis=0), bool)
        for fault in self.faults:
            if fault.doubt is None:
                good[fault.column] = False
        return np.asarray(good, bool)

    @cached_property
    def mean(self) -> Floats | None:
        """(rows,) mean of the believed sensors [degC]; None where there is none."""
        good = self.trusted
        if not good.any():
            return None
        t = self.readings.log.temperature[:, good]
        with np.errstate(all="ignore"):
            out = nanmean(t, axis=1) if np.isnan(t).any() else t.mean(axis=1)
        return np.asarray(out, float)

    @cached_property
    def sampled(self) -> Floats | None:
        """(samples,) mean temperature [degC] with holes bridged; None where it is not known."""
        if self.mean is None:
            return None
        seen = np.isfinite(self.mean)
        return self.samples.at(np.interp(self.readings.seconds, self.readings.seconds[seen], self.mean[seen]))

    @cached_property
    def cells_at(self) -> list[Bools]:
        """For each sensor (cells,) True where it is said to be the nearest."""
        described = self.readings.pack.temperature_sensors
        return [
            np.isin(self.readings.cells, described[j].cells if j < len(described) else ())
            for j in range(self.readings.log.temperature.shape[1])
        ]
