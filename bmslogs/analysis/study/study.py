"""One log made ready for every question, by composition: each part is built from the parts below it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import bleed as bleeding
from bmslogs.analysis import (
    parked,
    polarisation,
    resistance,
    taps,
    terminals,
    thermal,
)
from bmslogs.analysis.asleep import Asleep, lost_asleep
from bmslogs.analysis.bleed_commands import Crossed, crossed_commands
from bmslogs.analysis.common_fit import MINUTE_S, TAUS_S, Split, SplitData
from bmslogs.analysis.flow import Flow, flow_of
from bmslogs.analysis.models import (
    cell_warmth,
    step_resistance,
)
from bmslogs.analysis.regression import BLOCKS, equal_blocks, jackknife_se, t_factor
from bmslogs.analysis.rounding import lasting_error
from bmslogs.analysis.sampling import renumber
from bmslogs.analysis.shifted_reading import (
    AsCharge,
    either,
    shifted_boards,
    shifted_singly,
    shifts_as_charge,
    unlike_the_others,
)
from bmslogs.analysis.split import split
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.study.bridged import Bridged
from bmslogs.analysis.study.bursts import Bursts
from bmslogs.analysis.study.counted import Counted
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings, readings_of
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import mean, median, nanmean, nanmedian, nanvar
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

REST_AFTER_LOAD_S = 900.0
CHANGE_SHARE, CHANGE_WITHIN_S, LIVELY = 0.1, 10.0, 6
"""A change of the load is this share of the largest current within so many seconds; where nobody drives, fewer changes
than these tell no resistance but by the clean steps among them: under a current that holds a knee, which the cells
climb one after the other, looks like one (choice)."""
PULL_MOST_S = 120.0
"""In so long a pull the open-circuit voltage hardly moves (choice)."""
WARMING_LEAST_K = 1.0
"""A string that warms by less over a log keeps its resistance (choice)."""
DRIVEN_C_RATE = 0.05
"""A pack whose current is less (root mean square, as a share of the capacity per hour) is not driven: a top balance
goes up and down as well (choice)."""
BEND_LEAST_S = 600.0
"""A drive of this length tells how resistance falls with the load (choice)."""
USUAL_WITHIN = 0.15
"""A log whose blocks scatter the string's resistance by more (fraction, one sd) does not tell it (choice)."""
STEP_STANDS_FOR = 0.03
"""How well the resistance at one place of the curve stands for that over a whole charge, as a fraction (choice, one
sd)."""


@dataclass(frozen=True)
class SplitRows:
    """What the split is given: means over groups of samples.

    Attributes
    ----------
    volts
        (groups, cells) [V].
    charge
        (groups, cells) charge drawn from each cell since the first sample, bleeding included [Ah].
    drawn
        (groups,) charge drawn from the string since the log began [Ah].
    columns, grows
        (groups, k) what polarises a cell [A], and (k,) whether it grows with the cell's resistance.
    current
        (groups,) [A], positive on discharge.
    tells
        (groups,) share that each tells something new.
    period_s
        Time between groups [s].
    """

    volts: Floats
    charge: Floats
    drawn: Floats
    columns: Floats
    grows: Bools
    current: Floats
    tells: Floats
    period_s: float


SPLIT_ROWS = 500
OPEN_TELLS = 1e-3
"""Share of what a row tells of charge and capacity while a contact is open (choice)."""
HYSTERESIS_MEMORY, HYSTERESIS_V = (0.02, 0.06), 0.02
"""Charge over which a flat curve changes branch, as fractions of capacity, and half the gap [V] (choice)."""
FALL_PER_K = 0.03
"""Fall of resistance for each kelvin, as a fraction, that the split expects: up to it, either way (choice)."""
SHIFT_LEAST_V = 0.0035
"""A reading that is off by less does not count as shifted (choice)."""


@dataclass(frozen=True)
class ParkedRows:
    """Readings of a time parked: their rows in the log, (rows, cells) [V], (cells,) whether a cell's drift is told."""

    rows: Ints
    volts: Floats
    known: Bools


LEAST_AT_REST = 40
"""Readings of a rest with bleeding below which nothing is said of it (choice)."""


@dataclass(frozen=True)
class BledRest:
    """A rest with bleeding: (rows, cells) readings [V], charge commanded away so far [Ah] and flags; (rows,) [s]."""

    volts: Floats
    bled: Floats
    flags: Bools
    seconds: Floats


@dataclass(frozen=True, eq=False)
class Study:
    """A log and what has been worked out of it so far.

    Attributes
    ----------
    given
        The log as it was given; `readings.log` has it without readings that no cell can have.
    """

    given: Log

    def __post_init__(self) -> None:
        self.readings  # noqa: B018 - refuses a log of one row at once

    @cached_property
    def readings(self) -> Readings:
        """The log as it was read, and without what no cell can have."""
        return readings_of(self.given)

    @cached_property
    def flow(self) -> Flow:
        """Clock and current: rests, what the pack was doing, charge moved."""
        return flow_of(self.readings.source)

    @cached_property
    def refresh(self) -> Refresh:
        """When the voltages were read anew: stale rows, channels in turns, rows that make one sample."""
        return Refresh(self.readings, self.flow)

    @cached_property
    def bridged(self) -> Bridged:
        """Readings with short holes bridged, by rows and as samples of about a second."""
        return Bridged(self.readings, self.flow, self.refresh)

    @cached_property
    def harness(self) -> Harness:
        """The sense wires and their channels: which readings are believed, and what the wires drop."""
        return Harness(self.readings, self.flow, self.refresh, self.bridged)

    @cached_property
    def samples(self) -> Samples:
        """Samples without holes, and what is told by rows brought onto them."""
        return Samples(self.readings, self.refresh, self.bridged, self.harness)

    @cached_property
    def temperatures(self) -> Temperatures:
        """Temperature sensors: which are believed, and how warm the pack was."""
        return Temperatures(self.readings, self.flow, self.samples)

    @cached_property
    def counted(self) -> Counted:
        """Charge counted: by the current, and by the commands to bleed."""
        return Counted(self.readings, self.flow, self.harness, self.samples)

    @cached_property
    def bursts(self) -> Bursts:
        """Contacts that come and go: what no load explains of a cell for the moment."""
        return Bursts(self.readings, self.refresh, self.harness, self.samples)

    @cached_property
    def moving(self) -> Bools:
        """(samples,) True where a load flows or has flowed within a quarter of an hour; drives where there are any."""
        kind = "drive" if any(p.kind == "drive" and self._long(p) for p in self.flow.stretches) else "charge"
        rows = np.zeros(self.readings.log.rows, bool)
        for part in self.flow.stretches:
            if part.kind == kind:
                last = int(
                    np.searchsorted(
                        self.readings.seconds, self.readings.seconds[part.last] + REST_AFTER_LOAD_S
                    )
                )
                nxt = part.last + 1
                while (
                    nxt < last
                    and self.flow.quiet[nxt]
                    and self.flow.section[nxt] == self.flow.section[part.last]
                ):
                    nxt += 1
                rows[part.first : nxt] = True
        return rows[self.samples.kept.row]

    def _long(self, part: Stretch) -> bool:
        return bool(self.readings.seconds[part.last] - self.readings.seconds[part.first] >= 120.0)

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
        driving = self.flow.rows_of("drive")
        inside = self.flow.current[driving & ~np.isnan(self.flow.current)]
        if (
            not len(inside)
            or self.readings.seconds[driving][-1] - self.readings.seconds[driving][0] < BEND_LEAST_S
        ):
            return None
        rms = float(np.sqrt((inside**2).mean()))
        return rms if rms > DRIVEN_C_RATE * self.readings.capacity else None

    @cached_property
    def linear_load(self) -> resistance.LoadFit:
        """The load fit without the fall of resistance with the load; raises as `load` does.

        The course with time into the load is known better without that column, whose course looks alike.
        """
        return self.load if self.load.rms_A is None else self._load(None)

    def _load(self, rms_A: float | None) -> resistance.LoadFit:
        s, here = self.samples.kept, self.moving & ~self.bursts.rows
        if self._drive_rms is None and self._changes_of_load < LIVELY:
            raise NotEnoughData(
                "the current holds but for its beginning and end: what takes an hour looks like the curve"
            )
        # what flowed between two readings is known where rows come faster than readings are renewed
        if s.period_s > (resistance.SLOWEST_S if self._told_s == s.period_s else resistance.RAREST_S):
            raise NotEnoughData(f"the voltages are read every {s.period_s:.0f} s only")
        if self.refresh.turns is None:
            return self._load_of(here, slice(None), rms_A, resistance.LEAST_SAMPLES)
        # each turn by the rows in which it was read: the current of those moments is known
        groups = [g for g in self.refresh.turns.groups if self.harness.trusted[g].any()]
        rows = [
            here & f[s.row]
            for g, f in zip(self.refresh.turns.groups, self.refresh.turns.fresh.T, strict=True)
            if self.harness.trusted[g].any()
        ]
        parts = [
            self._load_of(r, g, rms_A, resistance.LEAST_TURNS) for g, r in zip(groups, rows, strict=True)
        ]
        return resistance.joined(parts, groups, len(self.readings.cells))

    @cached_property
    def _changes_of_load(self) -> int:
        """How often the current changes by a fair share of its largest within a short while; ramps of hours do not.

        A pull that is over within two minutes is two changes, however slowly it rose and fell.
        """
        known = np.nan_to_num(self.flow.current)
        least = CHANGE_SHARE * float(np.abs(known).max(initial=0.0))
        if not least > 0.005 * self.readings.capacity:
            return 0
        before = np.searchsorted(
            self.readings.seconds, self.readings.seconds - max(CHANGE_WITHIN_S, 2.0 * self.flow.interval)
        )
        away = np.abs(known - known[before]) > least
        first = np.flatnonzero(away & ~np.r_[False, away[:-1]])
        last = np.flatnonzero(away & ~np.r_[away[1:], False])
        back = np.abs(known[last] - known[before[first]]) < least
        return len(first) + int(
            (back & (self.readings.seconds[last] - self.readings.seconds[first] < PULL_MOST_S)).sum()
        )

    @property
    def _told_s(self) -> float:
        """Time between two currents that are known [s]."""
        period = self.samples.kept.period_s
        return max(self.flow.interval, 1.0) if period > 1.5 * self.flow.interval and period > 1.0 else period

    def _load_of(
        self, here: Bools, columns: Ints | slice, rms_A: float | None, least: int
    ) -> resistance.LoadFit:
        """The load fit of some columns over some samples."""
        s = self.samples.kept
        if here.sum() < least:
            raise NotEnoughData(f"only {int(here.sum())} readings under load")
        taus = resistance.time_constants(self._told_s)
        return resistance.load_fit(
            s.volts[here][:, columns],
            s.charge[here],
            s.current[here],
            self.samples.filters(taus)[here],
            s.steps[here],
            renumber(s.section[here]),
            s.seconds[here],
            equal_blocks(int(here.sum()), BLOCKS),
            taus,
            s.period_s,
            knot_every=0.05 * self.readings.capacity,
            shifts_s=self.bridged.shifts_s,
            rms_A=rms_A,
            drift=None if self._drive_rms is None else self._drift(here),
        )

    def _drift(self, here: Bools) -> Floats:
        """(samples, 1 or 2) charge drawn [Ah], and warmth [degC] where the pack warms: resistance follows both."""
        columns = [self.samples.kept.charge[here]]
        if (
            self.temperatures.sampled is not None
            and np.ptp(self.temperatures.sampled[here]) > WARMING_LEAST_K
        ):
            columns.append(self.temperatures.sampled[here])
        return np.stack(columns, axis=1)

    @cached_property
    def relative_resistance(self) -> tuple[Floats, Floats]:
        """Resistance over the median of the trusted cells and its standard error; raises as `load` does."""
        return resistance.relative_of_both(self.load, self.linear_load, self.harness.trusted)

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
        if (
            not median(self.load.resistance()[0][self.harness.trusted]) > 0
            or median(se[self.harness.trusted]) > 0.05
        ):
            return None
        return ratio - 1.0, np.maximum(se, 0.002)

    @cached_property
    def clean_steps(self) -> list[step_resistance.Step]:
        """Steps of a current that holds before and after, as of a pulse test, a heater, a charger."""
        if not self.flow.has_current or self.refresh.period_s > resistance.SLOWEST_S:
            return []
        return step_resistance.clean_steps(
            self.readings.seconds,
            self.flow.current,
            self.flow.section,
            self.readings.capacity,
            self.flow.interval,
        )

    @cached_property
    def steps(self) -> step_resistance.StepFit | None:
        """What single clean steps tell of the resistances; None where there are none."""
        found = self.clean_steps
        if not found or self.harness.trusted.sum() < 2:
            return None
        readings = step_resistance.Readings(
            self.readings.seconds,
            self.flow.current,
            self.bridged.volts,
            self.flow.interval,
            self.refresh.period_s,
            self.readings.log.voltage_step,
            self.harness.trusted,
            self.readings.log.bleed,
        )
        slopes = np.array([self._slope_before(one) for one in found]) / self.readings.capacity
        return step_resistance.step_fit(found, readings, slopes)

    def _slope_before(self, one: step_resistance.Step) -> Floats:
        """(cells,) slope of the curve at each cell where a step begins [V per unit of charge]."""
        with np.errstate(all="ignore"):
            volts = nanmedian(self.bridged.volts[one.before], axis=0)
        level = volts + float(np.median(self.flow.current[one.before])) * 0.1 / self.readings.capacity
        return np.asarray(
            self.readings.curve.slope(np.nan_to_num(self.readings.curve.inverse(level), nan=0.5), 0.02), float
        )

    def step_rows(self) -> Bools:
        """(rows,) True in the seconds after the clean steps that count."""
        out = np.zeros(self.readings.log.rows, bool)
        for one in self.steps.steps if self.steps is not None else []:
            until = int(
                np.searchsorted(self.readings.seconds, one.moment + step_resistance.WINDOW_S[1], side="right")
            )
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
        middle = float(median(self.load.resistance()[0][self.harness.trusted]))
        spread = t_factor(BLOCKS) * se[self.harness.trusted] / 1.96
        own = self.steps.relative_se[self.harness.trusted]
        known = np.isfinite(own).sum() > 0.5 * len(own)
        return bool(known and (not middle > 0 or np.median(spread) > nanmedian(own)))

    @cached_property
    def usual_resistance(self) -> float:
        """Resistance of a usual cell [ohm]: from the loads, else what 100 Ah cells have, scaled."""
        usual = 0.1 / self.readings.capacity
        if self.by_steps and self.steps is not None:
            return self.steps.middle if self.steps.middle > 0 else usual
        try:
            value, without = self.load.resistance()
        except NotEnoughData:
            return usual
        middle = float(median(value[self.harness.trusted]))
        sd = float(jackknife_se(median(without[:, self.harness.trusted], axis=1)[:, None])[0])
        return middle if middle > 0 and sd < USUAL_WITHIN * middle else usual

    @cached_property
    def noise(self) -> float:
        """Standard deviation of one cell's reading about the string's mean [V]."""
        s = self.samples.kept
        if self.refresh.turns is not None:
            # what is carried over between readings scatters less than the readings do
            try:
                return float(max(median(self.load.fit.residual_sd[self.harness.trusted]), 2e-4))
            except NotEnoughData:
                return float(max(self.readings.log.voltage_step, 2e-3))
        away = s.volts[:, self.harness.trusted] - s.volts[:, self.harness.trusted].mean(axis=1, keepdims=True)
        if len(away) < 10:
            return self.readings.log.voltage_step
        quick = np.diff(away, axis=0)
        sd = 1.4826 * float(np.median(np.abs(quick))) / np.sqrt(2.0)
        return float(max(sd, self.readings.log.voltage_step / np.sqrt(12.0), 2e-4))

    @cached_property
    def volts_at_once(self) -> Floats:
        """(samples, cells) readings as if all had been read at the sample [V].

        Where channels are read in turns, each is carried from its own moments to the others' by the load that flowed in
        between; its open-circuit voltage goes straight from one reading to the next.
        """
        s = self.samples.kept
        if self.refresh.turns is None or not self.flow.rows_of("drive")[s.row].any():
            return s.volts
        drop = self._drop_at_samples()
        out = s.volts.copy()
        for group, fresh in zip(self.refresh.turns.groups, self.refresh.turns.fresh.T, strict=True):
            new = np.flatnonzero(fresh[s.row])
            for i in group:
                out[:, i] = np.interp(s.seconds, s.seconds[new], s.volts[new, i] + drop[new, i]) - drop[:, i]
        return out

    def _drop_at_samples(self) -> Floats:
        """(samples, cells) what the load takes off each cell's voltage [V]; raises `NotEnoughData` where not told."""
        s = self.samples.kept
        seldom = f"each channel is read every {self.refresh.period_s:.0f} s only while the load changes"
        try:
            load = self.load
        except NotEnoughData as reason:
            raise NotEnoughData(f"{seldom}, and what the load takes off it is not known: {reason}") from None
        if self.excess is None:
            raise NotEnoughData(
                f"{seldom}, and its readings scatter too much to tell what the load takes off it"
            )
        weights = np.column_stack([s.current, self.samples.filters(load.taus)])
        drop = np.asarray(weights @ np.nan_to_num(load.fit.coef[: weights.shape[1]]), float)
        if load.rms_A is not None:
            drop += (s.current * np.abs(s.current) / load.rms_A)[:, None] * np.nan_to_num(load.bend())
        return drop

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
    def settled_sensor_faults(self) -> list[thermal.SensorFault]:
        """Temperature sensors at fault, the cells' resistances heard: a cold cell drops more, a shifted reading not."""
        excess = self.excess
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
            np.flatnonzero(self.step_rows())
            if self.by_steps
            else np.unique(self.samples.kept.row[self.moving])
        )
        level = np.full(n, np.nan)
        if n and len(rows):
            with np.errstate(all="ignore"):
                level = nanmean(self.readings.log.temperature[rows], axis=0)
        believed, doubt = ~np.isnan(level), np.zeros(n)
        one = [f.column for f in self.settled_sensor_faults if f.doubt == "one"]
        if one:  # the cells say that the places are alike, whichever of the two sensors is off
            level[one] = level[one].mean()
        for fault in self.settled_sensor_faults:
            if fault.doubt is None:
                believed[fault.column] = False
            elif fault.doubt != "one":
                doubt[fault.column] = abs(fault.size_C or 0.0)
        return cell_warmth.cell_warmth(self.readings.pack, self.readings.cells, level, believed, doubt)

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

    @cached_property
    def shifted(self) -> Bools:
        """(cells,) True where a shifted reading explains the cell better than its charge (`first_split`)."""
        boards = [
            np.array([c in board.cells for c in self.readings.cells])
            for board in self.readings.pack.sense_boards
        ]
        first = self.first_split
        off = shifted_boards(
            first.sound_shift,
            first.sound_shift_se,
            first.shift_odds,
            SHIFT_LEAST_V,
            boards,
            self.harness.trusted,
            first.a / self.readings.capacity,
            first.b,
            AsCharge(first.a, first.b, first.shift_looks_like),
        )
        # beside a board that is off sound cells look shifted the other way
        left = self.harness.trusted & ~off
        alone = self._split(left) if off.any() else first
        single = shifted_singly(alone.shift, alone.shift_se, alone.shift_odds, self._least_shift(), left)
        return off | single if 2 * (off | single).sum() <= self.harness.trusted.sum() else off

    @cached_property
    def shift_instead(self) -> Floats:
        """(cells,) the one shift of the reading that explains a cell's charge and capacity both [V]; NaN where none."""
        first, left = self.first_split, self.harness.trusted & ~self.shifted
        cells = AsCharge(first.a, first.b, first.shift_looks_like)
        return shifts_as_charge(cells, (first.se["a"], first.se["b"]), 2.0 * SHIFT_LEAST_V, left)

    @cached_property
    def shifted_or_charged(self) -> Bools:
        """(cells,) True where other charge and a shifted reading explain the cell alike, and the others not so."""
        first, left = self.first_split, self.harness.trusted & ~self.shifted
        doubted = either(first.shift, first.shift_se, first.shift_odds, self._least_shift(), left)
        return doubted & unlike_the_others(first.shift, first.shift_se, left)

    def _least_shift(self) -> Floats:
        """(cells,) least shift that counts [V]: what a load leaves unexplained on an aged cell is no shift."""
        least = np.full(len(self.readings.cells), SHIFT_LEAST_V)
        if self.excess is not None:
            flowing = self.flow.current[np.abs(self.flow.current) > 0.02 * self.readings.capacity]
            rms = float(np.sqrt((flowing**2).mean())) if len(flowing) else 0.0
            least += 0.5 * np.abs(np.nan_to_num(self.excess[0])) * self.usual_resistance * rms
        return least

    @cached_property
    def split(self) -> Split:
        """The split over `piece`, without cells whose reading is shifted.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        if not self.shifted.any():
            return self.first_split
        return self._split(self.harness.trusted & ~self.shifted)

    @cached_property
    def first_split(self) -> Split:
        """The split over `piece` with all trusted cells; raises as `split` does."""
        return self._split(self.harness.trusted)

    @cached_property
    def split_rows(self) -> SplitRows:
        """Samples of `piece` in groups, as the split is given them.

        Raises
        ------
        NotEnoughData
            Too few, or no voltages of one moment.
        """
        piece = self.counted.piece
        if len(piece) < 40:
            raise NotEnoughData("only a few readings with the charge counted")
        s = self.samples.kept
        group = max(1, len(piece) // SPLIT_ROWS)
        if self.refresh.turns is not None:
            # within a turn the same readings come again
            group = max(group, min(round(self.refresh.turns.period_s / self.flow.interval), len(piece) // 60))
        starts = np.arange(0, len(piece) - len(piece) % group, group)

        def thin(values: Floats) -> Floats:
            part = values[piece[: len(piece) - len(piece) % group]]
            return np.asarray(np.add.reduceat(part, starts, axis=0) / group, float)

        filters = self.samples.filters(TAUS_S)
        loads = np.column_stack(
            [-s.current, -filters, s.steps, self._warming(np.column_stack([s.current, filters]))]
        )
        polar = np.column_stack([loads, self._hysteresis])
        grows = np.arange(polar.shape[1]) < loads.shape[1]
        charge = np.repeat(s.charge[:, None], len(self.readings.cells), axis=1)
        if self.counted.bled is not None:
            charge = charge + self.counted.bled[s.row]
        charge = charge - charge[piece[0]]
        columns, tells = thin(polar), thin(self._new)
        # while a contact is open its cell drops more than its charge says
        tells[thin(self.bursts.rows.astype(float)) > 0.0] *= OPEN_TELLS
        live = np.sqrt((columns**2).mean(axis=0)) > 1e-6
        return SplitRows(
            volts=thin(self.volts_at_once),
            charge=thin(charge),
            drawn=thin(s.charge),
            columns=columns[:, live],
            grows=grows[live],
            current=thin(s.current),
            tells=tells,
            period_s=s.period_s * group,
        )

    def _split(self, reference: Bools) -> Split:
        if reference.sum() < 2:
            raise NotEnoughData("only a few readings with the charge counted")
        rows = self.split_rows
        data = SplitData(
            rows.volts,
            rows.charge,
            rows.columns,
            rows.current,
            equal_blocks(len(rows.current), BLOCKS),
            self.readings.capacity,
            self.usual_resistance,
            self.noise,
            period_s=rows.period_s,
            new=rows.tells,
            excess=self.excess,
            links=self.harness.links,
            table=self.readings.curve,
            anchors=self.counted.anchors,
            grows=rows.grows,
        )
        return split(data, reference)

    @cached_property
    def _new(self) -> Floats:
        """(samples,) share of each sample that tells something new: a rest repeats the rounding of its readings."""
        s = self.samples.kept
        out = np.ones(len(s.row))
        for part in self.flow.stretches:
            if part.kind not in ("rest", "parked"):
                continue
            volts = self.readings.log.cell_voltage[part.rows][:, self.harness.trusted]
            if len(volts) < 10:
                continue
            with np.errstate(all="ignore"):
                scatter = float(np.sqrt(nanmedian(nanvar(np.diff(volts, axis=0), axis=0)) / 2.0))
            kept = lasting_error(scatter, self.readings.log.voltage_step)
            minutes = (self.readings.seconds[part.last] - self.readings.seconds[part.first]) / MINUTE_S
            out[(s.row >= part.first) & (s.row <= part.last)] = 1.0 / (
                1.0 + minutes * (kept / self.noise) ** 2
            )
        return out

    def _warming(self, loads: Floats) -> Floats:
        """(samples, columns) loads times how much warmer than usual the string was: resistance falls with that.

        Without them a drive that begins cold has an open-circuit curve that looks steeper than it is. Under a current
        that holds they would look like that curve themselves.
        """
        driven = (
            self.excess is not None
            and self.flow.rows_of("drive")[self.samples.kept.row[self.counted.piece]].any()
        )
        if (
            self.temperatures.sampled is None
            or not driven
            or np.ptp(self.temperatures.sampled[self.counted.piece]) < WARMING_LEAST_K
        ):
            return np.zeros((len(loads), 0))
        warm = self.temperatures.sampled - self.temperatures.sampled[self.counted.piece].mean()
        return np.asarray(-loads[:, [0, 2, 4]] * (FALL_PER_K * warm)[:, None], float)

    @property
    def _hysteresis(self) -> Floats:
        """(samples, columns) hysteresis of a flat curve, as currents whose drop would be `HYSTERESIS_V`."""
        if not self.readings.curve.flat:
            return np.zeros((len(self.samples.kept.row), 0))
        columns = [
            -polarisation.hysteresis_state(
                self.flow.filled, self.readings.seconds, self.flow.section, share * self.readings.capacity
            )
            for share in HYSTERESIS_MEMORY
        ]
        return self.samples.at(np.hstack(columns)) * (HYSTERESIS_V / self.usual_resistance)

    @cached_property
    def parked_through(self) -> Stretch | None:
        """The longest time parked where a logger's pauses are bridged, over which the string stood as it was."""
        light = None
        if self.flow.has_current:
            light = ~(np.abs(self.flow.current) > parked.LIGHT_C_RATE * self.readings.capacity)
        times = parked.bridged(
            self.flow.stretches,
            self.readings.seconds,
            self.readings.log.cell_voltage,
            self.harness.trusted,
            light,
        )
        return max(
            times,
            key=lambda p: float(self.readings.seconds[p.last] - self.readings.seconds[p.first]),
            default=None,
        )

    @cached_property
    def asleep(self) -> Asleep | None:
        """What the cells lost over the longest pause of the logger between two rests; None where there is none."""
        return lost_asleep(
            self.flow.stretches,
            self.readings.seconds,
            self.readings.log.cell_voltage,
            self.harness.trusted,
            self.readings.log.voltage_step,
        )

    @cached_property
    def parked_rows(self) -> ParkedRows:
        """The readings of the longest time parked that may count.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        through = self.parked_through
        if through is None:
            raise NotEnoughData("the pack was not parked in this log")
        volts, seconds = self.bridged.volts[through.rows], self.readings.seconds[through.rows]
        good, known = ~np.isnan(volts[:, self.harness.trusted]).any(axis=1), self.harness.trusted
        good &= ~self.flow.rows_of("drive", "charge")[through.rows]  # light loads, and what follows them
        if self.readings.log.bleed is not None and self.readings.log.bleed[through.rows].any():
            flags = np.asarray(self.readings.log.bleed[through.rows], bool)
            rows, kept = parked.without_bleeding(flags, seconds)
            good, known = good & rows, known & kept
        if good.sum() < parked.LEAST_READINGS or known.sum() < min(
            parked.LEAST_UNBLED, self.harness.trusted.sum()
        ):
            raise NotEnoughData("too few readings while parked without bleeding")
        return ParkedRows(through.first + np.flatnonzero(good), volts[good], known)

    @cached_property
    def parked(self) -> tuple[parked.Drift, float]:
        """Drift over the longest time parked, and the mean voltage there [V].

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        of = self.parked_rows
        seconds, known = self.readings.seconds[of.rows], of.known
        warmth = None if self.temperatures.mean is None else self.temperatures.mean[of.rows]
        volts = np.nan_to_num(of.volts)
        along = None if self.readings.curve.flat else parked.straightened(volts, seconds, known)
        volts = volts if along is None else along
        found = parked.drift(volts, seconds, warmth, known, self.readings.log.voltage_step)
        pieces = self.flow.section[of.rows]
        if len(np.unique(pieces)) > 1:
            found = parked.as_seen(found, volts, seconds, pieces, known)
        if along is not None:
            found = replace(found, straight=parked.slope_of_walk(of.volts, known, self.readings.curve))
        return found, float(np.median(of.volts[:, known]))

    @cached_property
    def crossed_commands(self) -> list[Crossed]:
        """Bleed commands that act on another cell, by the jumps of the readings at the flags' edges."""
        if (
            self.readings.log.bleed is None
            or self.readings.resistor is None
            or not self.readings.log.bleed.any()
        ):
            return []
        fresh = self.refresh.rows
        flags = np.asarray(self.readings.log.bleed[fresh], bool)
        edges = taps.edges_of(
            self.readings.log.cell_voltage[fresh],
            flags,
            self.readings.seconds[fresh],
            self.readings.resistor,
            self.harness.trusted,
        )
        if edges is None:
            return []
        toggled = flags[edges.at].astype(float) - flags[edges.at - 1].astype(float)
        return crossed_commands(edges.jump, toggled)

    @cached_property
    def _bled_rest(self) -> BledRest:
        """The rest with the most bleeding; raises `NotEnoughData` with the reason where none can be used."""
        if self.counted.bled is None or self.readings.log.bleed is None or self.readings.resistor is None:
            raise NotEnoughData("no bleeding that could be reckoned")
        bled = self.counted.bled
        rests = [p for p in self.flow.stretches if p.kind in ("rest", "parked")]
        best = max(rests, key=lambda p: float((bled[p.last] - bled[p.first]).max()), default=None)
        if best is None:
            raise NotEnoughData("the pack never rested")
        volts, flags = self.readings.log.cell_voltage[best.rows], self.readings.log.bleed[best.rows]
        if self.harness.taps is not None:
            volts = taps.corrected(volts, flags, self.readings.resistor, self.harness.taps)
        good = ~np.isnan(volts[:, self.harness.trusted]).any(axis=1)
        if good.sum() < LEAST_AT_REST:
            raise NotEnoughData("too few readings at rest")
        return BledRest(
            np.nan_to_num(volts[good]),
            bled[best.rows][good],
            flags[good],
            self.readings.seconds[best.rows][good],
        )

    @cached_property
    def bleed_falls(self) -> bleeding.BleedFalls:
        """By how much each reading fell over the rest with the most bleeding; no curve is used.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        rest = self._bled_rest
        # what the pack settled before it was bled is none of it
        since = slice(int(np.argmax(rest.flags.any(axis=1))), None)
        if len(rest.seconds[since]) < LEAST_AT_REST:
            raise NotEnoughData("too few readings while it was bled")
        return bleeding.bleed_falls(
            rest.volts[since],
            rest.bled[since],
            rest.seconds[since],
            self.harness.trusted,
            self.readings.log.voltage_step,
        )

    @cached_property
    def bleed_effect(self) -> bleeding.BleedEffect:
        """What each cell lost over the rest with the most bleeding.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        rest = self._bled_rest
        if self.readings.curve.flat:
            raise NotEnoughData(
                "after a charge the voltages of a flat curve settle for hours: they do not show what was bled"
            )
        level = float(median(rest.volts[:, self.harness.trusted]))
        slope = float(self.readings.curve.slope(self.readings.curve.inverse(np.array([level])), 0.015)[0])
        return bleeding.bleed_effect(
            rest.volts,
            rest.bled,
            rest.flags,
            rest.seconds,
            self.harness.trusted,
            slope / self.readings.capacity,
        )
