"""What the loads of a log tell: resistance, warmth, and how current and voltages were read against each other."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance, terminals, thermal
from bmslogs.analysis.models import cell_warmth
from bmslogs.analysis.readings import Readings, renumber
from bmslogs.analysis.regression import equal_blocks, jackknife_se
from bmslogs.analysis.stretches import Stretch
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLOCKS = 8
REST_AFTER_LOAD_S = 900.0
WARMING_LEAST_K = 1.0
"""A string that warms by less over a log keeps its resistance (choice)."""
USUAL_WITHIN = 0.15
"""A log whose blocks scatter the string's resistance by more (fraction, one sd) does not tell it (choice)."""
BEND_LEAST_S = 600.0
"""A drive of this length tells how resistance falls with the load (choice)."""


class LoadStudy(Readings):
    """A log's loads; see the module."""

    @cached_property
    def moving(self) -> Bools:
        """(samples,) True where a load flows or has flowed within a quarter of an hour; drives where there are any."""
        kind = "drive" if any(p.kind == "drive" and self._long(p) for p in self.stretches) else "charge"
        rows = np.zeros(self.log.rows, bool)
        for part in self.stretches:
            if part.kind == kind:
                last = int(np.searchsorted(self.seconds, self.seconds[part.last] + REST_AFTER_LOAD_S))
                nxt = part.last + 1
                while nxt < last and self.quiet[nxt] and self.section[nxt] == self.section[part.last]:
                    nxt += 1
                rows[part.first : nxt] = True
        return rows[self.sampled.row]

    def _long(self, part: Stretch) -> bool:
        return bool(self.seconds[part.last] - self.seconds[part.first] >= 120.0)

    @cached_property
    def load(self) -> resistance.LoadFit:
        """The load fit over the drives (else the charges).

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        return self._load(self._drive_rms)

    @cached_property
    def _drive_rms(self) -> float | None:
        """Root mean square of the current of the drives [A]; None where they are short or faint.

        A charge alone has hardly two sizes of current to tell the fall of resistance with the load.
        """
        driving = self.rows_of("drive")
        inside = self.current[driving & ~np.isnan(self.current)]
        if not len(inside) or self.seconds[driving][-1] - self.seconds[driving][0] < BEND_LEAST_S:
            return None
        rms = float(np.sqrt((inside**2).mean()))
        return rms if rms > 0.05 * self.capacity else None

    @cached_property
    def linear_load(self) -> resistance.LoadFit:
        """The load fit without the fall of resistance with the load; raises as `load` does.

        The course with time into the load is known better without that column, whose course looks alike.
        """
        return self.load if self.load.rms_A is None else self._load(None)

    def _load(self, rms_A: float | None) -> resistance.LoadFit:
        s, here = self.sampled, self.moving
        if s.period_s > resistance.SLOWEST_S:
            raise NotEnoughData(f"the voltages are read every {s.period_s:.0f} s only")
        if here.sum() < resistance.LEAST_SAMPLES:
            raise NotEnoughData(f"only {int(here.sum())} readings under load")
        taus = resistance.time_constants(s.period_s)
        return resistance.load_fit(
            s.volts[here], s.charge[here], s.current[here], self._filters(taus)[here], s.steps[here],
            renumber(s.section[here]), s.seconds[here], equal_blocks(int(here.sum()), BLOCKS), taus, s.period_s,
            knot_every=0.05 * self.capacity, shifts_s=self.shifts_s, rms_A=rms_A,
            drift=None if self._drive_rms is None else self._drift(here),
        )

    def _drift(self, here: Bools) -> Floats:
        """(samples, 1 or 2) charge drawn [Ah], and warmth [degC] where the pack warms: resistance follows both."""
        columns = [self.sampled.charge[here]]
        if self.warmth is not None and np.ptp(self.warmth[here]) > WARMING_LEAST_K:
            columns.append(self.warmth[here])
        return np.stack(columns, axis=1)

    @cached_property
    def relative_resistance(self) -> tuple[Floats, Floats]:
        """Resistance over the median of the trusted cells and its standard error; raises as `load` does."""
        return resistance.relative_of_both(self.load, self.linear_load, self.trusted)

    @cached_property
    def excess(self) -> tuple[Floats, Floats] | None:
        """Relative resistance less one and its standard error, where the load fit has it."""
        try:
            ratio, se = self.relative_resistance
        except NotEnoughData:
            return None
        if not np.median(self.load.resistance()[0][self.trusted]) > 0 or np.median(se[self.trusted]) > 0.05:
            return None
        return ratio - 1.0, np.maximum(se, 0.002)

    @cached_property
    def usual_resistance(self) -> float:
        """Resistance of a usual cell [ohm]: from the load fit, else what 100 Ah cells have, scaled."""
        usual = 0.1 / self.capacity
        try:
            value, without = self.load.resistance()
        except NotEnoughData:
            return usual
        middle = float(np.median(value[self.trusted]))
        sd = float(jackknife_se(np.median(without[:, self.trusted], axis=1)[:, None])[0])
        return middle if middle > 0 and sd < USUAL_WITHIN * middle else usual

    @cached_property
    def noise(self) -> float:
        """Standard deviation of one cell's reading about the string's mean [V]."""
        s = self.sampled
        away = s.volts[:, self.trusted] - s.volts[:, self.trusted].mean(axis=1, keepdims=True)
        if len(away) < 10:
            return self.log.voltage_step
        quick = np.diff(away, axis=0)
        sd = 1.4826 * float(np.median(np.abs(quick))) / np.sqrt(2.0)
        return float(max(sd, self.log.voltage_step / np.sqrt(12.0), 2e-4))

    # ---- warmth ---------------------------------------------------------------------------------------------

    @cached_property
    def heating(self) -> thermal.Heating:
        """Rise per ampere squared of each sensor.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        rows = self.rows_of("drive", "rest", "charge") & ~np.isnan(self.current)
        good = self.sensors_trusted
        if good.any():
            rows &= ~np.isnan(self.log.temperature[:, good]).any(axis=1)
        if rows.sum() < 120:
            raise NotEnoughData("hardly any rows with current and temperatures")
        drives = sum(self.seconds[p.last] - self.seconds[p.first] for p in self.stretches if p.kind == "drive")
        rate = thermal.HEATING_CURRENT_C_RATE if drives >= BEND_LEAST_S else thermal.CHARGE_CURRENT_C_RATE
        return thermal.heating(
            self.log.temperature[rows], self.current[rows], self.seconds[rows], renumber(self.section[rows]), good,
            rate * self.capacity,
        )

    @cached_property
    def settled_sensor_faults(self) -> list[thermal.SensorFault]:
        """Temperature sensors at fault, the cells' resistances heard: a cold cell drops more, a shifted reading not."""
        excess = self.excess
        if excess is None or not any(f.kind == "offset" for f in self.sensor_faults):
            return self.sensor_faults
        ratio = np.where(self.trusted, 1.0 + excess[0], np.nan)
        middle = float(np.nanmedian(self.mean_temperature)) if self.mean_temperature is not None else 20.0
        return thermal.settled_by_cells(self.sensor_faults, ratio, self.cells_at_sensors, middle)

    @cached_property
    def cells_at_sensors(self) -> list[Bools]:
        """For each sensor (cells,) True where it is said to be the nearest."""
        described = self.pack.temperature_sensors
        return [
            np.isin(self.cells, described[j].cells if j < len(described) else ())
            for j in range(self.log.temperature.shape[1])
        ]

    @cached_property
    def cell_warmth(self) -> cell_warmth.CellWarmth:
        """What the temperature of each cell can be while the resistance is told."""
        n = self.log.temperature.shape[1]
        rows = np.unique(self.sampled.row[self.moving])
        level = np.full(n, np.nan)
        if n and len(rows):
            with np.errstate(all="ignore"):
                level = np.nanmean(self.log.temperature[rows], axis=0)
        believed, doubt = ~np.isnan(level), np.zeros(n)
        one = [f.column for f in self.settled_sensor_faults if f.doubt == "one"]
        if one:  # the cells say that the places are alike, whichever of the two sensors is off
            level[one] = level[one].mean()
        for fault in self.settled_sensor_faults:
            if fault.doubt is None:
                believed[fault.column] = False
            elif fault.doubt != "one":
                doubt[fault.column] = abs(fault.size_C or 0.0)
        return cell_warmth.cell_warmth(self.pack, self.cells, level, believed, doubt)

    # ---- measuring chain ------------------------------------------------------------------------------------

    @cached_property
    def outside_taps(self) -> tuple[float, float, float]:
        """Resistance that no tap sees, its half width [ohm], shift of the pack reading [V].

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        if self.log.pack_voltage is None:
            raise NotEnoughData("the log has no pack voltage")
        # a wire that hangs or changed places with the next moves readings from cell to cell, not their sum
        summed = self.trusted.copy()
        for fault in self.sensing_faults:
            if fault.kind in ("tap_open", "taps_swapped"):
                summed[list(fault.columns)] = True
        if not summed.all() or len(self.cells) != self.pack.cells_in_series:
            raise NotEnoughData("not every cell of the string has a reading to be believed")
        s = self.sampled
        volts, total = self.at_samples(self.log.pack_voltage), self.at_samples(self.log.cell_voltage).sum(axis=1)
        good = ~np.isnan(volts) & ~np.isnan(total) & self.moving
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
        rows = self.rows_of("drive") & ~np.isnan(self.current)
        if self.refresh_s > 2.0 or rows.sum() < 200:
            raise NotEnoughData(f"readings are {self.refresh_s:.1f} s apart, or there was no drive")
        rows &= self._fresh[0]
        mean = self.log.cell_voltage[rows][:, self.trusted].mean(axis=1)
        index = np.flatnonzero(rows)[~np.isnan(mean)]
        if len(index) < 200:
            raise NotEnoughData("too few rows with every reading")
        return terminals.current_lag(
            mean[~np.isnan(mean)], self.current[index], self.seconds[index], renumber(self.section[index]),
            resistance.time_constants(self.refresh_s),
        )
