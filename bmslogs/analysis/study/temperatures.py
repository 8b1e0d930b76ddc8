"""Temperature sensors: which are believed, how warm the pack was, how the load warmed it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import thermal
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.under_load import BEND_LEAST_S
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmean

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

UNSOAKED_K, SOAK_S = 5.0, 4 * 3600.0
"""Places of one pack may differ by less [K] when a log begins, unless it stood for so long [s] in it (judgement)."""
SOAKED_AFTER_S = 8 * 3600.0
"""So long after it was parked a pack has one temperature [s] (judgement)."""
WARMING_LEAST_K = 1.0
"""A string that warms by less over a log keeps its resistance (choice)."""
HEATING_ROWS = 120
"""Rows with current and temperatures from which on the rise of a place is told (choice)."""


@dataclass(frozen=True, eq=False)
class Temperatures:
    """Readings of the temperature sensors and what becomes of them."""

    readings: Readings
    flow: Flow
    samples: Samples

    @cached_property
    def soaked(self) -> Bools:
        """(rows,) True before the first load, and in parked stretches after their first eight hours."""
        seconds, parts = self.readings.seconds, self.flow.stretches
        out = np.zeros(len(seconds), bool)
        if parts and parts[0].kind in ("rest", "parked"):
            out[parts[0].rows] = True
        for part in parts:
            if part.kind == "parked":
                out[part.rows] = seconds[part.rows] >= seconds[part.first] + SOAKED_AFTER_S
        return out

    @cached_property
    def faults(self) -> list[thermal.SensorFault]:
        """Temperature sensors at fault, by their readings alone."""
        order = self._order
        current = self.flow.filled if self.flow.has_current else None
        least = thermal.IDLE_C_RATE * self.readings.capacity
        idle = current is not None and float(np.sqrt((current**2).mean())) < least
        read = self.readings.log.temperature[:, order]
        found = thermal.sensor_faults(read, self.readings.seconds, self.soaked, current, idle)
        return [replace(f, column=int(order[f.column]), doubt=self._or_the_place(f)) for f in found]

    def _or_the_place(self, fault: thermal.SensorFault) -> str | None:
        """Return the doubt about a fault: a corner may have stood colder or warmer when a log began."""
        seconds = self.readings.seconds
        soaked = any(
            p.kind in ("parked", "rest") and seconds[p.last] - seconds[p.first] >= SOAK_S
            for p in self.flow.stretches
        )
        small = fault.kind == "offset" and abs(fault.size_C or 0.0) < UNSOAKED_K
        return "place" if small and fault.doubt is None and not soaked else fault.doubt

    @property
    def _order(self) -> Ints:
        """Sensors in the order of the cells that they sit at: neighbours share a gradient."""
        at = [float(np.mean(cells)) if cells else float("inf") for cells in self._said_cells]
        return np.asarray(np.argsort(at, kind="stable"), np.int64)

    @property
    def _said_cells(self) -> list[tuple[int, ...]]:
        """For each sensor the cells that the pack file puts it at; none where it does not say."""
        described = self.readings.pack.temperature_sensors
        sensors = range(self.readings.log.temperature.shape[1])
        return [tuple(described[j].cells) if j < len(described) else () for j in sensors]

    @cached_property
    def cells_at(self) -> list[Bools]:
        """For each sensor (cells,) True where it is said to be the nearest."""
        return [np.isin(self.readings.cells, cells) for cells in self._said_cells]

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
        seen, seconds = np.isfinite(self.mean), self.readings.seconds
        return self.samples.at(np.interp(seconds, seconds[seen], self.mean[seen]))

    @cached_property
    def heating(self) -> thermal.Heating:
        """Rise per ampere squared of each sensor.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        flow, seconds, read = self.flow, self.readings.seconds, self.readings.log.temperature
        rows = flow.rows_of("drive", "rest", "charge") & ~np.isnan(flow.current)
        good = self.trusted
        if good.any():
            rows &= ~np.isnan(read[:, good]).any(axis=1)
        if rows.sum() < HEATING_ROWS:
            raise NotEnoughData("hardly any rows with current and temperatures")
        drives = sum(seconds[p.last] - seconds[p.first] for p in flow.stretches if p.kind == "drive")
        rate = thermal.HEATING_CURRENT_C_RATE if drives >= BEND_LEAST_S else thermal.CHARGE_CURRENT_C_RATE
        return thermal.heating(
            read[rows], flow.current[rows], seconds[rows], good, rate * self.readings.capacity
        )
