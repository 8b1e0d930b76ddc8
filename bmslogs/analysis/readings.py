"""One log made ready: clock, current, sense loom, what the pack was doing, and samples without holes.

Each step is done once, on demand, and kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import ocv, polarisation, sampling, sensing, taps, thermal
from bmslogs.analysis.flow import FILL_S, Flow, flow_of
from bmslogs.analysis.models import standing_load
from bmslogs.analysis.signals import physics, refresh
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.trembling import trembling_channels
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median, nanmean
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

UNSOAKED_K, SOAK_S = 5.0, 4 * 3600.0
"""Places of one pack may differ by less [K] when a log begins, unless it stood for so long [s] in it (judgement)."""
BLED_C_RATE, BLED_SHARE = 0.02, 0.5
"""Below this share of the capacity per hour no current moves a reading by what bleeding does, and it moves the string
where such a share of the cells are told to bleed (choice)."""
SILENT_SHARE = 0.3
"""A channel with more than this share of readings missing is not used (choice)."""


@dataclass(frozen=True)
class Sampled:
    """The log as samples of about a second or one real reading, whichever is longer; no NaN.

    Attributes
    ----------
    seconds, current, charge, section
        (samples,) [s], [A], [Ah drawn], section number.
    steps
        (samples, times) current at other times about each sample, less its own [A]; see `shifts_s` of the study.
    volts
        (samples, cells) [V]; columns that are not trusted may hold anything.
    row
        (samples,) first row of the log in each sample.
    period_s
        Usual time between samples [s].
    """

    seconds: Floats
    current: Floats
    charge: Floats
    steps: Floats
    section: Ints
    volts: Floats
    row: Ints
    period_s: float


class Readings:
    """A log as it was read, and what can be said of the reading itself.

    Attributes
    ----------
    as_read
        (rows, cells) [V] with all that the log holds: swapped and open taps read what no cell has. For what asks
        whether a reading is to be believed, and for sums over the string, which stay whole.
    log
        The log with such readings NaN: for all that is said of cells.
    """

    def __init__(self, log: Log) -> None:
        if log.rows < 2:
            raise NotEnoughData("the log has fewer than two rows")
        between = sampling.rows_between(log.cell_voltage, log.seconds)
        if between is not None:
            log = replace(log, cell_voltage=log.cell_voltage[between], temperature=log.temperature[between])
        step = sampling.step_with_band(log.cell_voltage, log.voltage_step)
        self.source = log if step == log.voltage_step else replace(log, voltage_step=step)
        self.pack = log.pack
        self.cells = log.cells
        self.capacity = float(log.pack.nominal_capacity_Ah)

    @property
    def as_read(self) -> Floats:
        """(rows, cells) [V] with all that the log holds."""
        return self.source.cell_voltage

    @cached_property
    def log(self) -> Log:
        """The log without readings that no cell can have: those are the measuring chain's (`physics`)."""
        wrong = None if self._outside is None else self._outside.copy()
        for fault in self._swapped:
            if wrong is None:
                wrong = np.zeros(self.source.cell_voltage.shape, bool)
            assert fault.rows is not None
            wrong[np.ix_(fault.rows, np.array(fault.columns))] = True
        if wrong is None:
            return self.source
        return replace(self.source, cell_voltage=np.where(wrong, np.nan, self.source.cell_voltage))

    @cached_property
    def _outside(self) -> Bools | None:
        """(rows, cells) True where a reading is none of a cell; None where there is none."""
        return physics.outside(self.source.cell_voltage, self.curve)

    @cached_property
    def beyond_physics(self) -> Floats:
        """(cells,) share of the readings that no cell can have."""
        wrong = self._outside
        return np.zeros(len(self.cells)) if wrong is None else np.asarray(wrong.mean(axis=0), float)

    # ---- clock, current -------------------------------------------------------------------------------------

    @cached_property
    def flow(self) -> Flow:
        """Clock and current: rests, what the pack was doing, charge moved."""
        return flow_of(self.source)

    @property
    def has_current(self) -> bool:
        """Whether the log has a current at all: without one only what voltages and temperatures say is told."""
        return self.flow.has_current

    @property
    def seconds(self) -> Floats:
        """(rows,) [s] since the first row."""
        return self.source.seconds

    @property
    def section(self) -> Ints:
        """(rows,) section between long pauses, and between the joints of the log."""
        return self.flow.section

    @property
    def interval(self) -> float:
        """Usual interval between rows [s]."""
        return self.flow.interval

    @property
    def read_current(self) -> Floats:
        """(rows,) current as it was read [A], short holes bridged; NaN in long ones and where there is none."""
        return self.flow.read_current

    @property
    def zero(self) -> float:
        """Reading of the current sensor at rest [A]; 0.0 where the log has no rest."""
        return self.flow.zero

    @property
    def quiet(self) -> Bools:
        """(rows,) True where the pack rests."""
        return self.flow.quiet

    @property
    def standing(self) -> standing_load.Standing | None:
        """Whether the reading at rest is the sensor's zero or flows; None where it is hardly any."""
        return self.flow.standing

    @property
    def standing_load(self) -> standing_load.Standing | None:
        """A current that stands still for long and is shown to flow, if any."""
        return self.flow.standing_load

    @property
    def current(self) -> Floats:
        """(rows,) current less its reading at rest [A]; NaN in long holes."""
        return self.flow.current

    @property
    def stretches(self) -> list[Stretch]:
        """What the pack was doing, in order; nothing is known of it without a current."""
        return self.flow.stretches

    @property
    def kinds(self) -> list[str]:
        """Kinds of stretches that occur."""
        return self.flow.kinds

    def rows_of(self, *wanted: str) -> Bools:
        """(rows,) True in stretches of these kinds."""
        return self.flow.rows_of(*wanted)

    # ---- voltages -------------------------------------------------------------------------------------------

    @cached_property
    def held(self) -> Bools:
        """(rows,) True where a row repeats the last voltages although the current changed: a frame was lost."""
        return sampling.held_rows(
            self.source.cell_voltage, self.read_current, self.source.voltage_step, 0.1 / self.capacity
        )

    @cached_property
    def turns(self) -> refresh.Turns | None:
        """Channels that are read in turns, a few each row; None where all are read together."""
        return refresh.find_turns(
            self.source.cell_voltage,
            self.read_current,
            self.seconds,
            self.source.voltage_step,
            0.1 / self.capacity,
        )

    @cached_property
    def _fresh(self) -> tuple[Bools, float]:
        fresh, period = sampling.fresh_rows(self.source.cell_voltage, self.seconds, self.interval)
        return fresh & ~self.held, period

    @property
    def fresh_rows(self) -> Bools:
        """(rows,) True where the voltages were read anew."""
        return self._fresh[0]

    @property
    def refresh_s(self) -> float:
        """Real time between voltage readings [s]."""
        return self._fresh[1] if self.turns is None else self.turns.period_s

    @cached_property
    def _samples(self) -> sampling.Samples:
        if self.turns is not None:
            rows = np.arange(self.source.rows)
            return sampling.Samples(rows, rows, self.interval)
        return sampling.group_rows(self.seconds, *self._fresh)

    @cached_property
    def _single(self) -> tuple[Floats, Floats]:
        """Voltages of the first row of each sample, not averaged, and their times: for what hangs on equality."""
        rows = self._samples.rows[self._samples.start]
        return self.source.cell_voltage[rows], self.seconds[rows]

    @cached_property
    def silent(self) -> Bools:
        """(cells,) True where too many readings are missing."""
        volts = self.log.cell_voltage[self._samples.rows[self._samples.start]]
        return np.asarray(np.isnan(volts).mean(axis=0) > SILENT_SHARE, bool)

    @cached_property
    def _swapped(self) -> list[sensing.SensingFault]:
        """Pairs of taps that changed places or hang, by readings that no cell has."""
        volts = self.source.cell_voltage
        if physics.outside(volts, self.curve) is None and not np.isnan(volts).any():
            return []
        return sensing.swapped_taps(volts, *physics.bounds(self.curve))

    @cached_property
    def sensing_faults(self) -> list[sensing.SensingFault]:
        """Faults of the sense loom and of channels, worst certainty first: swapped, stuck, floating."""
        single, seconds = self._single
        found = list(self._swapped)
        # on a flat curve only the load's own steps prove that a channel stands still
        if self.has_current or not self.curve.flat:
            current = self.read_current[self._samples.rows[self._samples.start]] if self.has_current else None
            moved = np.where(self._bled_at_rest[:, None], np.nan, single)
            for look in (sensing.stuck_channels, trembling_channels):
                still = look(moved, seconds, self.log.voltage_step, self._rough_drop, current)
                found += [f for f in still if not any(set(f.columns) & set(g.columns) for g in found)]
        # a wire that hangs may take its two readings beyond what cells have: as they were read they mirror each other
        volts = (
            self._sampled_raw.volts
            if self._outside is None
            else self._samples.mean(self._bridged(self.source.cell_voltage))
        )
        trusted = np.isnan(single).mean(axis=0) <= SILENT_SHARE
        for fault in found:
            if fault.share > SILENT_SHARE:
                trusted[list(fault.columns)] = False
        return found + self._floating(volts, trusted)

    @property
    def _bled_at_rest(self) -> Bools:
        """(samples,) True where many cells are told to bleed and no current flows.

        There the others move without this one having to: a dead bleeder or a crossed lead looks like a stuck channel.
        """
        rows = self._samples.rows[self._samples.start]
        if self.log.bleed is None or not self.has_current:
            return np.zeros(len(rows), bool)
        rests = ~(np.abs(self.read_current[rows]) > BLED_C_RATE * self.capacity)
        return np.asarray(rests & (self.log.bleed[rows].mean(axis=1) >= BLED_SHARE), bool)

    @property
    def _rough_drop(self) -> Floats | None:
        """(samples,) load times a rough resistance [V] on a flat curve; None where the curve climbs everywhere."""
        if not self.curve.flat:
            return None
        return self.read_current[self._samples.rows[self._samples.start]] * 0.1 / self.capacity

    def _floating(self, volts: Floats, trusted: Bools) -> list[sensing.SensingFault]:
        if not self.has_current:
            return []
        s = self._sampled_raw
        keep = ~np.isnan(volts[:, trusted]).any(axis=1) & ~np.isnan(s.current)
        if self.log.bleed is not None:
            keep &= ~self.log.bleed[s.row].any(axis=1)
        if keep.sum() < 60:
            return []
        f = polarisation.low_pass(s.current[keep], s.seconds[keep], renumber(s.section[keep]), 60.0)
        loads = np.column_stack([np.ones(keep.sum()), s.current[keep], f])
        explained = np.column_stack([loads, self._charge_shapes(s, volts, keep, trusted)])
        size = np.maximum(np.sqrt((explained**2).mean(axis=0)), 1e-9)
        return sensing.floating_taps(volts[keep], explained / size, trusted, self.log.voltage_step)

    def _charge_shapes(self, s: Sampled, volts: Floats, keep: Bools, trusted: Bools) -> Floats:
        """(samples, 4) how a cell of other charge or capacity parts from the others, as far as the table tells [V].

        Where the curve is steep, neighbours of which one is fuller and one emptier mirror each other.
        """
        middle = median(volts[keep][:, trusted], axis=1) + s.current[keep] * 0.1 / self.capacity
        z = self.curve.inverse(middle)
        here = self.curve.beyond(z)
        fuller, emptier = self.curve.beyond(z + 0.02) - here, self.curve.beyond(z - 0.02) - here
        drawn = s.charge[keep] / self.capacity
        return np.column_stack([fuller, emptier, fuller * drawn, emptier * drawn])

    @cached_property
    def trusted(self) -> Bools:
        """(cells,) True where the readings are believed."""
        out = ~self.silent
        for fault in self.sensing_faults:
            if fault.share > SILENT_SHARE:
                out[list(fault.columns)] = False
        return np.asarray(out, bool)

    @cached_property
    def taps(self) -> taps.TapResistance | None:
        """Resistance of the sense wires, where bleeding and its resistor are known."""
        if self.log.bleed is None or self.resistor is None or not self.log.bleed.any():
            return None
        fresh, _ = self._fresh
        return taps.tap_resistance(
            self.log.cell_voltage[fresh],
            self.log.bleed[fresh],
            self.seconds[fresh],
            self.resistor,
            self.trusted,
            self.log.voltage_step,
        )

    @property
    def resistor(self) -> float | None:
        """Bleed resistor [ohm] as the pack file has it."""
        return self.pack.bleed_resistor_ohm

    @cached_property
    def bled(self) -> Floats | None:
        """(rows, cells) charge that commanded bleeding took from each cell so far [Ah]; None where not known."""
        if self.log.bleed is None or self.resistor is None or not self.log.bleed.any():
            return None
        step = np.diff(self.seconds, append=self.seconds[-1])
        step[np.diff(self.section, append=self.section[-1]) != 0] = 0.0
        volts = np.nan_to_num(self.as_read)
        amps = np.where(self.log.bleed, np.clip(volts, 0.0, 5.0), 0.0) / self.resistor
        total = np.cumsum(amps * step[:, None], axis=0) / 3600.0
        return np.asarray(np.vstack([np.zeros(total.shape[1]), total[:-1]]), float)

    # ---- samples --------------------------------------------------------------------------------------------

    @property
    def shifts_s(self) -> tuple[float, ...]:
        """Times about a row [s] at which `Sampled.steps` has the current."""
        return polarisation.shift_times(self.interval)

    @cached_property
    def bridged_volts(self) -> Floats:
        """(rows, cells) readings [V], short holes bridged; NaN in long ones."""
        return self._bridged(self.log.cell_voltage)

    def _bridged(self, volts: Floats) -> Floats:
        if self.turns is not None:
            volts = refresh.held_straight(volts, self.seconds, self.turns)
        if np.isnan(volts).any():
            longest = max(FILL_S, 3.5 * self.refresh_s)
            volts = volts.copy()
            for i in np.flatnonzero(np.isnan(volts).any(axis=0)):
                volts[:, i] = sampling.fill_short(volts[:, i], self.seconds, longest)
        return volts

    @cached_property
    def _sampled_raw(self) -> Sampled:
        volts = self.bridged_volts
        s = self._samples
        first = s.rows[s.start]
        current = s.mean(self.current)
        steps = s.mean(
            polarisation.shifted_currents(self.flow.filled, self.seconds, self.section, self.shifts_s)
        )
        return Sampled(
            seconds=s.mean(self.seconds),
            current=current,
            charge=s.mean(self.flow.charge),
            steps=steps,
            section=self.section[first],
            volts=s.mean(volts),
            row=first,
            period_s=s.period_s,
        )

    @cached_property
    def sampled(self) -> Sampled:
        """Samples without holes, bleed drops in the sense wires taken out."""
        raw = self._sampled_raw
        volts = raw.volts
        if self.taps is not None and self.log.bleed is not None and self.resistor is not None:
            volts = taps.corrected(volts, self.log.bleed[raw.row], self.resistor, self.taps)
        good = ~np.isnan(volts[:, self.trusted]).any(axis=1) & ~np.isnan(raw.current)
        keep = np.flatnonzero(good)
        return Sampled(
            raw.seconds[keep],
            raw.current[keep],
            raw.charge[keep],
            raw.steps[keep],
            raw.section[keep],
            np.nan_to_num(volts[keep]),
            raw.row[keep],
            raw.period_s,
        )

    def _filters(self, tau_s: tuple[float, ...]) -> Floats:
        return self.at_samples(np.stack([self._filtered(tau) for tau in tau_s], axis=1))

    def _filtered(self, tau_s: float) -> Floats:
        """(rows,) low-pass of the current [A], worked out once for each time constant."""
        if tau_s not in self._filtered_by:
            self._filtered_by[tau_s] = polarisation.low_pass(
                self.flow.filled, self.seconds, self.section, tau_s
            )
        return self._filtered_by[tau_s]

    @cached_property
    def _filtered_by(self) -> dict[float, Floats]:
        return {}

    def at_samples(self, rows: Floats) -> Floats:
        """Return the means of a quantity given per row, aligned with `sampled`."""
        s = self._samples
        # the samples without holes are a subset of all samples, told by their first row
        return s.mean(rows)[np.searchsorted(s.rows[s.start], self.sampled.row)]

    @cached_property
    def curve(self) -> ocv.OcvCurve:
        """The open-circuit curve of the pack's chemistry or its own table."""
        return ocv.curve_of(self.pack)

    # ---- temperature ----------------------------------------------------------------------------------------

    @cached_property
    def soaked(self) -> Bools:
        """(rows,) True before the first load, and in parked stretches after their first eight hours."""
        out = np.zeros(self.log.rows, bool)
        first = self.stretches[0] if self.stretches else None
        if first is not None and first.kind in ("rest", "parked"):
            out[first.rows] = True
        for part in self.stretches:
            if part.kind == "parked":
                out[part.rows] = self.seconds[part.rows] >= self.seconds[part.first] + 8 * 3600.0
        return out

    @cached_property
    def sensor_faults(self) -> list[thermal.SensorFault]:
        """Temperature sensors at fault."""
        order = self._sensor_order
        current = self.flow.filled if self.has_current else None
        idle = (
            current is not None and float(np.sqrt((current**2).mean())) < thermal.IDLE_C_RATE * self.capacity
        )
        found = thermal.sensor_faults(
            self.log.temperature[:, order], self.seconds, self.soaked, current, idle
        )
        return [replace(f, column=int(order[f.column]), doubt=self._or_the_place(f)) for f in found]

    def _or_the_place(self, fault: thermal.SensorFault) -> str | None:
        """Return the doubt about a fault: a corner may have stood colder or warmer when a log began."""
        soaked = any(
            p.kind in ("parked", "rest") and self.seconds[p.last] - self.seconds[p.first] >= SOAK_S
            for p in self.stretches
        )
        small = fault.kind == "offset" and abs(fault.size_C or 0.0) < UNSOAKED_K
        return "place" if small and fault.doubt is None and not soaked else fault.doubt

    @property
    def _sensor_order(self) -> Ints:
        """Sensors in the order of the cells that they sit at: neighbours share a gradient."""
        described = self.pack.temperature_sensors
        at = [
            float(np.mean(described[j].cells)) if j < len(described) and described[j].cells else float("inf")
            for j in range(self.log.temperature.shape[1])
        ]
        return np.asarray(np.argsort(at, kind="stable"), np.int64)

    @cached_property
    def sensors_trusted(self) -> Bools:
        """(sensors,) True where a sensor is believed."""
        good: Bools = np.asarray(~np.isnan(self.log.temperature).all(axis=0), bool)
        for fault in self.sensor_faults:
            if fault.doubt is None:
                good[fault.column] = False
        return np.asarray(good, bool)

    @cached_property
    def mean_temperature(self) -> Floats | None:
        """(rows,) mean of the believed sensors [degC]; None where there is none."""
        good = self.sensors_trusted
        if not good.any():
            return None
        t = self.log.temperature[:, good]
        with np.errstate(all="ignore"):
            out = nanmean(t, axis=1) if np.isnan(t).any() else t.mean(axis=1)
        return np.asarray(out, float)

    @cached_property
    def warmth(self) -> Floats | None:
        """(samples,) mean temperature [degC] with holes bridged; None where it is not known."""
        if self.mean_temperature is None:
            return None
        seen = np.isfinite(self.mean_temperature)
        return self.at_samples(np.interp(self.seconds, self.seconds[seen], self.mean_temperature[seen]))


def renumber(section: Ints) -> Ints:
    """Return section numbers 0, 1, .. without holes."""
    return np.asarray(np.unique(section, return_inverse=True)[1], np.int64)
