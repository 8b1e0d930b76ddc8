"""What the loads of a log tell: resistance, warmth, and how current and voltages were read against each other."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance, terminals, thermal
from bmslogs.analysis.models import cell_warmth, loose_joint, step_resistance, switching_contact
from bmslogs.analysis.readings import Readings, renumber
from bmslogs.analysis.regression import BLOCKS, equal_blocks, jackknife_se, t_factor
from bmslogs.analysis.stretches import Stretch
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import mean, median, nanmean, nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

REST_AFTER_LOAD_S = 900.0
WARMING_LEAST_K = 1.0
"""A string that warms by less over a log keeps its resistance (choice)."""
USUAL_WITHIN = 0.15
"""A log whose blocks scatter the string's resistance by more (fraction, one sd) does not tell it (choice)."""
CHANGE_SHARE, CHANGE_WITHIN_S, LIVELY = 0.1, 10.0, 6
"""A change of the load is this share of the largest current within so many seconds; where nobody drives, fewer changes
than these tell no resistance but by the clean steps among them: under a current that holds a knee, which the cells
climb one after the other, looks like one (choice)."""
PULL_MOST_S = 120.0
"""In so long a pull the open-circuit voltage hardly moves (choice)."""
STEP_STANDS_FOR = 0.03
"""How well the resistance at one place of the curve stands for that over a whole charge, as a fraction (choice, one
sd)."""
DRIVEN_C_RATE = 0.05
"""A pack whose current is less (root mean square, as a share of the capacity per hour) is not driven: a top balance
goes up and down as well (choice)."""
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
        return rms if rms > DRIVEN_C_RATE * self.capacity else None

    @cached_property
    def linear_load(self) -> resistance.LoadFit:
        """The load fit without the fall of resistance with the load; raises as `load` does.

        The course with time into the load is known better without that column, whose course looks alike.
        """
        return self.load if self.load.rms_A is None else self._load(None)

    def _load(self, rms_A: float | None) -> resistance.LoadFit:
        s, here = self.sampled, self.moving & ~self.burst_rows
        if self._drive_rms is None and self._changes_of_load < LIVELY:
            raise NotEnoughData(
                "the current holds but for its beginning and end: what takes an hour looks like the curve"
            )
        # what flowed between two readings is known where rows come faster than readings are renewed
        if s.period_s > (resistance.SLOWEST_S if self._told_s == s.period_s else resistance.RAREST_S):
            raise NotEnoughData(f"the voltages are read every {s.period_s:.0f} s only")
        if self.turns is None:
            return self._load_of(here, slice(None), rms_A, resistance.LEAST_SAMPLES)
        # each turn by the rows in which it was read: the current of those moments is known
        groups = [g for g in self.turns.groups if self.trusted[g].any()]
        rows = [
            here & f[s.row]
            for g, f in zip(self.turns.groups, self.turns.fresh.T, strict=True)
            if self.trusted[g].any()
        ]
        parts = [
            self._load_of(r, g, rms_A, resistance.LEAST_TURNS) for g, r in zip(groups, rows, strict=True)
        ]
        return resistance.joined(parts, groups, len(self.cells))

    @cached_property
    def _changes_of_load(self) -> int:
        """How often the current changes by a fair share of its largest within a short while; ramps of hours do not.

        A pull that is over within two minutes is two changes, however slowly it rose and fell.
        """
        known = np.nan_to_num(self.current)
        least = CHANGE_SHARE * float(np.abs(known).max(initial=0.0))
        if not least > 0.005 * self.capacity:
            return 0
        before = np.searchsorted(self.seconds, self.seconds - max(CHANGE_WITHIN_S, 2.0 * self.interval))
        away = np.abs(known - known[before]) > least
        first = np.flatnonzero(away & ~np.r_[False, away[:-1]])
        last = np.flatnonzero(away & ~np.r_[away[1:], False])
        back = np.abs(known[last] - known[before[first]]) < least
        return len(first) + int((back & (self.seconds[last] - self.seconds[first] < PULL_MOST_S)).sum())

    @property
    def _told_s(self) -> float:
        """Time between two currents that are known [s]."""
        period = self.sampled.period_s
        return max(self.interval, 1.0) if period > 1.5 * self.interval and period > 1.0 else period

    def _load_of(
        self, here: Bools, columns: Ints | slice, rms_A: float | None, least: int
    ) -> resistance.LoadFit:
        """The load fit of some columns over some samples."""
        s = self.sampled
        if here.sum() < least:
            raise NotEnoughData(f"only {int(here.sum())} readings under load")
        taus = resistance.time_constants(self._told_s)
        return resistance.load_fit(
            s.volts[here][:, columns],
            s.charge[here],
            s.current[here],
            self._filters(taus)[here],
            s.steps[here],
            renumber(s.section[here]),
            s.seconds[here],
            equal_blocks(int(here.sum()), BLOCKS),
            taus,
            s.period_s,
            knot_every=0.05 * self.capacity,
            shifts_s=self.shifts_s,
            rms_A=rms_A,
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
        """Relative resistance less one and its standard error, where the load fit or single steps have it."""
        if self.by_steps:
            found = self.steps
            assert found is not None
            known = np.isfinite(found.relative)
            away = np.where(known, found.relative - 1.0, 0.0)
            return away, np.where(known, np.hypot(found.relative_se, STEP_STANDS_FOR), 0.2)
        try:
            ratio, se = self.relative_resistance
        except NotEnoughData:
            return None
        if not median(self.load.resistance()[0][self.trusted]) > 0 or median(se[self.trusted]) > 0.05:
            return None
        return ratio - 1.0, np.maximum(se, 0.002)

    # ---- single steps ---------------------------------------------------------------------------------------

    @cached_property
    def clean_steps(self) -> list[step_resistance.Step]:
        """Steps of a current that holds before and after, as of a pulse test, a heater, a charger."""
        if not self.has_current or self.refresh_s > resistance.SLOWEST_S:
            return []
        return step_resistance.clean_steps(
            self.seconds, self.current, self.section, self.capacity, self.interval
        )

    @cached_property
    def steps(self) -> step_resistance.StepFit | None:
        """What single clean steps tell of the resistances; None where there are none."""
        found = self.clean_steps
        if not found or self.trusted.sum() < 2:
            return None
        readings = step_resistance.Readings(
            self.seconds,
            self.current,
            self.bridged_volts,
            self.interval,
            self.refresh_s,
            self.log.voltage_step,
            self.trusted,
            self.log.bleed,
        )
        slopes = np.array([self._slope_before(one) for one in found]) / self.capacity
        return step_resistance.step_fit(found, readings, slopes)

    def _slope_before(self, one: step_resistance.Step) -> Floats:
        """(cells,) slope of the curve at each cell where a step begins [V per unit of charge]."""
        with np.errstate(all="ignore"):
            volts = nanmedian(self.bridged_volts[one.before], axis=0)
        level = volts + float(np.median(self.current[one.before])) * 0.1 / self.capacity
        return np.asarray(self.curve.slope(np.nan_to_num(self.curve.inverse(level), nan=0.5), 0.02), float)

    def step_rows(self) -> Bools:
        """(rows,) True in the seconds after the clean steps that count."""
        out = np.zeros(self.log.rows, bool)
        for one in self.steps.steps if self.steps is not None else []:
            until = int(np.searchsorted(self.seconds, one.moment + step_resistance.WINDOW_S[1], side="right"))
            out[one.after.start : min(until, one.after.stop)] = True
        return out

    @cached_property
    def by_steps(self) -> bool:
        """Whether single steps tell the resistances better than the load fit."""
        if self.steps is None:
            return False
        try:
            se = self.relative_resistance[1]
        except NotEnoughData:
            return True
        middle = float(median(self.load.resistance()[0][self.trusted]))
        spread = t_factor(BLOCKS) * se[self.trusted] / 1.96
        own = self.steps.relative_se[self.trusted]
        known = np.isfinite(own).sum() > 0.5 * len(own)
        return bool(known and (not middle > 0 or np.median(spread) > nanmedian(own)))

    @cached_property
    def usual_resistance(self) -> float:
        """Resistance of a usual cell [ohm]: from the loads, else what 100 Ah cells have, scaled."""
        usual = 0.1 / self.capacity
        if self.by_steps and self.steps is not None:
            return self.steps.middle if self.steps.middle > 0 else usual
        try:
            value, without = self.load.resistance()
        except NotEnoughData:
            return usual
        middle = float(median(value[self.trusted]))
        sd = float(jackknife_se(median(without[:, self.trusted], axis=1)[:, None])[0])
        return middle if middle > 0 and sd < USUAL_WITHIN * middle else usual

    @cached_property
    def noise(self) -> float:
        """Standard deviation of one cell's reading about the string's mean [V]."""
        s = self.sampled
        if self.turns is not None:
            # what is carried over between readings scatters less than the readings do
            try:
                return float(max(median(self.load.fit.residual_sd[self.trusted]), 2e-4))
            except NotEnoughData:
                return float(max(self.log.voltage_step, 2e-3))
        away = s.volts[:, self.trusted] - s.volts[:, self.trusted].mean(axis=1, keepdims=True)
        if len(away) < 10:
            return self.log.voltage_step
        quick = np.diff(away, axis=0)
        sd = 1.4826 * float(np.median(np.abs(quick))) / np.sqrt(2.0)
        return float(max(sd, self.log.voltage_step / np.sqrt(12.0), 2e-4))

    @cached_property
    def volts_at_once(self) -> Floats:
        """(samples, cells) readings as if all had been read at the sample [V].

        Where channels are read in turns, each is carried from its own moments to the others' by the load that flowed in
        between; its open-circuit voltage goes straight from one reading to the next.
        """
        s = self.sampled
        if self.turns is None or not self.rows_of("drive")[s.row].any():
            return s.volts
        drop = self._drop_at_samples()
        out = s.volts.copy()
        for group, fresh in zip(self.turns.groups, self.turns.fresh.T, strict=True):
            new = np.flatnonzero(fresh[s.row])
            for i in group:
                out[:, i] = np.interp(s.seconds, s.seconds[new], s.volts[new, i] + drop[new, i]) - drop[:, i]
        return out

    def _drop_at_samples(self) -> Floats:
        """(samples, cells) what the load takes off each cell's voltage [V]; raises `NotEnoughData` where not told."""
        s = self.sampled
        seldom = f"each channel is read every {self.refresh_s:.0f} s only while the load changes"
        try:
            load = self.load
        except NotEnoughData as reason:
            raise NotEnoughData(f"{seldom}, and what the load takes off it is not known: {reason}") from None
        if self.excess is None:
            raise NotEnoughData(
                f"{seldom}, and its readings scatter too much to tell what the load takes off it"
            )
        weights = np.column_stack([s.current, self._filters(load.taus)])
        drop = np.asarray(weights @ np.nan_to_num(load.fit.coef[: weights.shape[1]]), float)
        if load.rms_A is not None:
            drop += (s.current * np.abs(s.current) / load.rms_A)[:, None] * np.nan_to_num(load.bend())
        return drop

    # ---- bursts ---------------------------------------------------------------------------------------------

    @cached_property
    def _burst_loads(self) -> Floats | None:
        """(samples, p) what may move a sound cell against the others; None where bursts are not told."""
        s = self.sampled
        flows = np.abs(s.current) > loose_joint.LEAST_C_RATE * self.capacity
        if (
            s.period_s > resistance.SLOWEST_S
            or flows.sum() < 60
            or self.trusted.sum() < 4
            or self.turns is not None
        ):
            return None
        return np.column_stack(
            [
                np.ones(len(s.row)),
                s.charge,
                s.charge**2,
                s.current,
                s.current * np.abs(s.current),
                self._filters((4.0, 20.0, 90.0)),
                s.steps,
            ]
        )

    @cached_property
    def burst_residuals(self) -> Floats | None:
        """(samples, cells) what each cell does against the others that no load explains [V]; None where not told."""
        loads = self._burst_loads
        return None if loads is None else loose_joint.residuals(self.sampled.volts, loads, self.trusted)

    @cached_property
    def loose(self) -> tuple[list[loose_joint.LooseJoint], list[loose_joint.LooseWire]]:
        """Cells whose drop comes and goes under load, and sense wires that open now and then."""
        s, loads, left = self.sampled, self._burst_loads, self.burst_residuals
        if loads is None or left is None:
            return [], []
        # a generous resistance: what a step of the current does to a reading taken a row apart
        mean = s.volts[:, self.trusted].mean(axis=1)
        coef = np.linalg.lstsq(loads / np.maximum(np.sqrt((loads**2).mean(axis=0)), 1e-12), mean, rcond=None)[
            0
        ]
        size = np.maximum(np.sqrt((loads**2).mean(axis=0)), 1e-12)
        usual = max(float(-(coef / size)[[3, 5]].sum()), 0.05 / self.capacity)
        masked = None if self.log.bleed is None else self._bleed_edges()
        usual = min(usual, 0.5 / self.capacity)
        joints, wires = loose_joint.find(
            left,
            loads,
            s.current,
            s.seconds,
            s.section,
            np.full(len(self.cells), usual),
            self.trusted,
            self.log.voltage_step,
            self.capacity,
            masked,
        )
        known = {joint.column for joint in joints} | {k for wire in wires for k in wire.columns}
        away = s.volts - mean[:, None]
        drawn = s.current - s.current.mean()
        excess = -(drawn @ np.where(self.trusted, away, 0.0)) / max(float(drawn @ drawn), 1e-12) / usual
        contacts = switching_contact.find(
            left,
            s.current,
            s.seconds,
            s.section,
            usual,
            excess,
            self.trusted,
            switching_contact.LEAST_C_RATE * self.capacity,
        )
        return joints + [one for one in contacts if one.column not in known], wires

    def _bleed_edges(self) -> Bools:
        """(samples,) True where bleeding goes on or off within a row or two."""
        assert self.log.bleed is not None
        flags = self.log.bleed[self.sampled.row]
        edge = np.concatenate([[False], (flags[1:] != flags[:-1]).any(axis=1)])
        return np.asarray(edge | np.roll(edge, 1) | np.roll(edge, -1), bool)

    @cached_property
    def burst_rows(self) -> Bools:
        """(samples,) True where a joint was open for the moment: such rows tell nothing of a cell's resistance."""
        out = np.zeros(len(self.sampled.row), bool)
        for joint in self.loose[0]:
            out |= joint.rows
        return out

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
        drives = sum(
            self.seconds[p.last] - self.seconds[p.first] for p in self.stretches if p.kind == "drive"
        )
        rate = thermal.HEATING_CURRENT_C_RATE if drives >= BEND_LEAST_S else thermal.CHARGE_CURRENT_C_RATE
        return thermal.heating(
            self.log.temperature[rows],
            self.current[rows],
            self.seconds[rows],
            good,
            rate * self.capacity,
        )

    @cached_property
    def settled_sensor_faults(self) -> list[thermal.SensorFault]:
        """Temperature sensors at fault, the cells' resistances heard: a cold cell drops more, a shifted reading not."""
        excess = self.excess
        if excess is None or not any(f.kind == "offset" for f in self.sensor_faults):
            return self.sensor_faults
        ratio = np.where(self.trusted, 1.0 + excess[0], np.nan)
        middle = float(nanmedian(self.mean_temperature)) if self.mean_temperature is not None else 20.0
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
        rows = np.flatnonzero(self.step_rows()) if self.by_steps else np.unique(self.sampled.row[self.moving])
        level = np.full(n, np.nan)
        if n and len(rows):
            with np.errstate(all="ignore"):
                level = nanmean(self.log.temperature[rows], axis=0)
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
        summed, read = self.trusted.copy(), self.log
        for fault in self.sensing_faults:
            if fault.kind in ("tap_open", "taps_swapped") and fault.whole:
                summed[list(fault.columns)], read = True, self.source
        if not summed.all() or len(self.cells) != self.pack.cells_in_series:
            raise NotEnoughData("not every cell of the string has a reading to be believed")
        s = self.sampled
        volts, total = self.at_samples(self.log.pack_voltage), self.at_samples(read.cell_voltage).sum(axis=1)
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
        rows &= self.fresh_rows
        volts = self.log.cell_voltage
        string = mean(volts if self.trusted.all() else volts[:, self.trusted], axis=1)[rows]
        index = np.flatnonzero(rows)[~np.isnan(string)]
        if len(index) < 200:
            raise NotEnoughData("too few rows with every reading")
        return terminals.current_lag(
            string[~np.isnan(string)],
            self.current[index],
            self.seconds[index],
            renumber(self.section[index]),
            resistance.time_constants(self.refresh_s),
        )
