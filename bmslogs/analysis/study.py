"""One log made ready for every question: each step is done once, on demand, and kept.

Order: clock and sections, current, refresh rate, sense loom, bleed, stretches; then the fits.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import bleed as bleeding
from bmslogs.analysis import (
    ocv,
    parked,
    polarisation,
    resistance,
    rests,
    sampling,
    sensing,
    stretches,
    taps,
    terminals,
    thermal,
)
from bmslogs.analysis import split as splitting
from bmslogs.analysis.regression import equal_blocks
from bmslogs.analysis.stretches import Stretch
from bmslogs.base.errors import NotEnoughData
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FILL_S = 5.0
"""Missing readings are bridged over no more than this, or three readings (choice)."""
SPLIT_ROWS = 500
BLOCKS = 8
SILENT_SHARE = 0.3
"""A channel with more than this share of readings missing is not used (choice)."""
REST_AFTER_LOAD_S = 900.0
BEND_LEAST_S = 600.0
"""A drive of this length tells how resistance falls with the load (choice)."""
HYSTERESIS_MEMORY, HYSTERESIS_V = (0.02, 0.06), 0.02
"""Charge over which a flat curve changes branch, as fractions of capacity, and half the gap [V] (choice)."""
SHIFT_ODDS, SHIFT_LEAST_V = 5.0, 0.0035
"""From these log odds and this size on a reading counts as shifted (choice)."""


@dataclass(frozen=True)
class Sampled:
    """The log as samples of about a second or one real reading, whichever is longer; no NaN.

    Attributes
    ----------
    seconds, current, charge, section
        (samples,) [s], [A], [Ah drawn], section number.
    steps
        (samples, 2) change of the current to the next sample and from the last one [A].
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


class Study:
    """A log and what has been worked out of it so far."""

    def __init__(self, log: Log) -> None:
        if log.current is None or np.isnan(log.current).all():
            raise NotEnoughData(
                "the log has no current: without it a voltage says nothing of resistance or charge; "
                "log the pack current beside the cells"
            )
        if log.rows < 2:
            raise NotEnoughData("the log has fewer than two rows")
        self.log = log
        self.pack = log.pack
        self.cells = log.cells
        self.capacity = float(log.pack.nominal_capacity_Ah)

    # ---- clock, current -------------------------------------------------------------------------------------

    @cached_property
    def seconds(self) -> Floats:
        """(rows,) [s] since the first row."""
        return self.log.seconds

    @cached_property
    def section(self) -> Ints:
        """(rows,) section between long pauses."""
        return sampling.sections(self.seconds)

    @cached_property
    def interval(self) -> float:
        """Usual interval between rows [s]."""
        return sampling.usual_interval(self.seconds)

    @cached_property
    def read_current(self) -> Floats:
        """(rows,) current as it was read [A], short holes bridged; NaN in long ones."""
        assert self.log.current is not None
        longest = max(FILL_S, 3.5 * self.interval)
        return sampling.fill_short(self.log.current, self.seconds, longest)

    @cached_property
    def _rest(self) -> tuple[float, Bools]:
        return stretches.current_at_rest(self.read_current, self.seconds, self.capacity)

    @property
    def zero(self) -> float:
        """Reading of the current sensor at rest [A]; 0.0 where the log has no rest."""
        return self._rest[0]

    @property
    def quiet(self) -> Bools:
        """(rows,) True where the pack rests."""
        return self._rest[1]

    @cached_property
    def current(self) -> Floats:
        """(rows,) current less its reading at rest [A]; NaN in long holes."""
        return self.read_current - self.zero

    @cached_property
    def stretches(self) -> list[Stretch]:
        """What the pack was doing, in order."""
        return stretches.stretches(self.seconds, self.current, self.quiet, self.section)

    @cached_property
    def kinds(self) -> list[str]:
        """Kinds of stretches that occur."""
        return stretches.kinds(self.stretches)

    def rows_of(self, *wanted: str) -> Bools:
        """(rows,) True in stretches of these kinds."""
        out = np.zeros(self.log.rows, bool)
        for part in self.stretches:
            if part.kind in wanted:
                out[part.rows] = True
        return out

    # ---- voltages -------------------------------------------------------------------------------------------

    @cached_property
    def held(self) -> Bools:
        """(rows,) True where a row repeats the last voltages although the current changed: a frame was lost."""
        return sampling.held_rows(self.log.cell_voltage, self.read_current, self.log.voltage_step, 0.1 / self.capacity)

    @cached_property
    def _fresh(self) -> tuple[Bools, float]:
        fresh, period = sampling.fresh_rows(self.log.cell_voltage, self.seconds)
        return fresh & ~self.held, period

    @property
    def refresh_s(self) -> float:
        """Real time between voltage readings [s]."""
        return self._fresh[1]

    @cached_property
    def _samples(self) -> sampling.Samples:
        return sampling.group_rows(self.seconds, *self._fresh)

    @cached_property
    def _single(self) -> tuple[Floats, Floats]:
        """Voltages of the first row of each sample, not averaged, and their times: for what hangs on equality."""
        rows = self._samples.rows[self._samples.start]
        return self.log.cell_voltage[rows], self.seconds[rows]

    @cached_property
    def silent(self) -> Bools:
        """(cells,) True where too many readings are missing."""
        volts, _ = self._single
        return np.asarray(np.isnan(volts).mean(axis=0) > SILENT_SHARE, bool)

    @cached_property
    def sensing_faults(self) -> list[sensing.SensingFault]:
        """Faults of the sense loom and of channels, worst certainty first: swapped, stuck, floating."""
        volts, seconds = self._single
        found = sensing.swapped_taps(volts)
        found += [
            f for f in sensing.stuck_channels(volts, seconds, self.log.voltage_step, self._rough_drop)
            if not any(set(f.columns) & set(g.columns) for g in found)
        ]
        trusted = ~self.silent
        for fault in found:
            trusted[list(fault.columns)] = False
        return found + self._floating(trusted)

    @property
    def _rough_drop(self) -> Floats | None:
        """(samples,) load times a rough resistance [V] on a flat curve; None where the curve climbs everywhere."""
        if not self.curve.flat:
            return None
        return self.read_current[self._samples.rows[self._samples.start]] * 0.1 / self.capacity

    def _floating(self, trusted: Bools) -> list[sensing.SensingFault]:
        s = self._sampled_raw
        keep = ~np.isnan(s.volts[:, trusted]).any(axis=1) & ~np.isnan(s.current)
        if self.log.bleed is not None:
            keep &= ~self.log.bleed[s.row].any(axis=1)
        if keep.sum() < 60:
            return []
        f = polarisation.low_pass(s.current[keep], s.seconds[keep], _renumber(s.section[keep]), 60.0)
        explained = np.column_stack([np.ones(keep.sum()), s.current[keep], f])
        size = np.maximum(np.sqrt((explained**2).mean(axis=0)), 1e-9)
        return sensing.floating_taps(s.volts[keep], explained / size, trusted, self.log.voltage_step)

    @cached_property
    def trusted(self) -> Bools:
        """(cells,) True where the readings are believed."""
        out = ~self.silent
        for fault in self.sensing_faults:
            out[list(fault.columns)] = False
        return np.asarray(out, bool)

    @cached_property
    def taps(self) -> taps.TapResistance | None:
        """Resistance of the sense wires, where bleeding and its resistor are known."""
        if self.log.bleed is None or self.resistor is None or not self.log.bleed.any():
            return None
        fresh, _ = self._fresh
        return taps.tap_resistance(
            self.log.cell_voltage[fresh], self.log.bleed[fresh], self.current[fresh], self.seconds[fresh],
            self.resistor, self.trusted,
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
        volts = np.nan_to_num(self.log.cell_voltage)
        amps = np.where(self.log.bleed, np.clip(volts, 0.0, 5.0), 0.0) / self.resistor
        total = np.cumsum(amps * step[:, None], axis=0) / 3600.0
        return np.asarray(np.vstack([np.zeros(total.shape[1]), total[:-1]]), float)

    # ---- samples --------------------------------------------------------------------------------------------

    @cached_property
    def _charge_rows(self) -> Floats:
        current = np.where(np.isnan(self.current), 0.0, self.current)
        # nothing is counted while parked: a sensor's zero would invent charge
        current[self.rows_of("parked")] = 0.0
        return polarisation.charge_drawn(current, self.seconds, self.section)

    @cached_property
    def _filled(self) -> Floats:
        """(rows,) current for filters and slopes: holes bridged, whatever their length, never used as samples."""
        bad = np.isnan(self.current)
        if not bad.any():
            return self.current
        good = np.flatnonzero(~bad)
        return np.interp(self.seconds, self.seconds[good], self.current[good])

    @cached_property
    def _sampled_raw(self) -> Sampled:
        volts = self.log.cell_voltage
        if np.isnan(volts).any():
            longest = max(FILL_S, 3.5 * self.refresh_s)
            volts = volts.copy()
            for i in np.flatnonzero(np.isnan(volts).any(axis=0)):
                volts[:, i] = sampling.fill_short(volts[:, i], self.seconds, longest)
        s = self._samples
        first = s.rows[s.start]
        current = s.mean(self.current)
        steps = polarisation.current_steps(np.where(np.isnan(current), 0.0, current), self.section[first])
        return Sampled(
            seconds=s.mean(self.seconds), current=current, charge=s.mean(self._charge_rows),
            steps=steps, section=self.section[first], volts=s.mean(volts), row=first, period_s=s.period_s,
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
            raw.seconds[keep], raw.current[keep], raw.charge[keep], raw.steps[keep], raw.section[keep],
            np.nan_to_num(volts[keep]), raw.row[keep], raw.period_s,
        )

    def _filters(self, tau_s: tuple[float, ...]) -> Floats:
        full = np.stack([polarisation.low_pass(self._filled, self.seconds, self.section, tau) for tau in tau_s], axis=1)
        return self.at_samples(full)

    def at_samples(self, rows: Floats) -> Floats:
        """Return the means of a quantity given per row, aligned with `sampled`."""
        s = self._samples
        # the samples without holes are a subset of all samples, told by their first row
        return s.mean(rows)[np.searchsorted(s.rows[s.start], self.sampled.row)]

    # ---- fits -----------------------------------------------------------------------------------------------

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
        driving = self.rows_of("drive")
        inside = self.current[driving & ~np.isnan(self.current)]
        # a charge alone has hardly two sizes of current to tell the fall of resistance with the load
        bent = len(inside) > 0 and self.seconds[driving][-1] - self.seconds[driving][0] >= BEND_LEAST_S
        rms = float(np.sqrt((inside**2).mean())) if bent else 0.0
        return self._load(rms if rms > 0.05 * self.capacity else None)

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
            _renumber(s.section[here]), s.seconds[here], equal_blocks(int(here.sum()), BLOCKS), taus, s.period_s,
            knot_every=0.05 * self.capacity, rms_A=rms_A,
        )

    @cached_property
    def piece(self) -> Ints:
        """Samples of the part of the log over which charge is counted without a break and most charge moved."""
        s = self.sampled
        parked_rows = self.rows_of("parked")
        brk = np.zeros(len(s.row), bool)
        after = np.flatnonzero(np.diff(s.section)) + 1
        for k in after:
            brk[k] = not (self.quiet[s.row[k - 1]] and self.quiet[s.row[k]])
        brk |= parked_rows[s.row]
        number = np.cumsum(brk)
        best: Ints = np.arange(0)
        most = -1.0
        for n in np.unique(number):
            part = np.flatnonzero((number == n) & ~parked_rows[s.row])
            if len(part) > 1 and np.ptp(s.charge[part]) > most:
                most, best = float(np.ptp(s.charge[part])), part
        return best

    @cached_property
    def anchors(self) -> rests.Anchors:
        """Rests within `piece` or next to it, with their charge as the split counts it."""
        s, piece = self.sampled, self.piece
        if len(piece) == 0:
            return rests.NONE
        first, last = int(s.row[piece[0]]), int(s.row[piece[-1]])
        charge = self._charge_rows - s.charge[piece[0]]
        if self.bled is not None:
            charge = charge + (self.bled - self.bled[first])[:, self.trusted].mean(axis=1)
        found = []
        for part in self.stretches:
            rows = self._settling_rows(part, before=part.last <= first)
            between = slice(part.last, first) if part.last < first else slice(last + 1, part.first)
            if len(rows) < 4 or not self.quiet[between].all():
                continue
            with np.errstate(all="ignore"):
                volt = np.nanmedian(self.log.cell_voltage[rows][:, self.trusted], axis=1)
            good = ~np.isnan(volt)
            if good.sum() >= 4:
                level, sd = rests.settled_level(self.seconds[rows][good], volt[good])
                found.append((float(charge[rows[-1]]), level, sd))
        return rests.Anchors(*np.array(found).T) if found else rests.NONE

    def _settling_rows(self, part: Stretch, before: bool) -> Ints:
        """Rows of a rest that tell its level: all of a short one, the near end of a long one, none of a shorter."""
        t = self.seconds
        if part.kind not in ("rest", "parked") or t[part.last] - t[part.first] < rests.LEAST_S:
            return np.arange(0)
        rows = np.arange(part.first, part.last + 1)
        if before:
            rows = rows[t[rows] >= t[part.last] - rests.START_LEVEL_S]
        else:
            rows = rows[t[rows] <= t[part.first] + rests.START_LEVEL_S]
        return np.asarray(rows, np.int64)

    @cached_property
    def shifted(self) -> Bools:
        """(cells,) True where a shifted reading explains the cell better than its charge (`first_split`)."""
        first = self.first_split
        with np.errstate(invalid="ignore"):
            found = (first.shift_odds > SHIFT_ODDS) & (np.abs(first.shift) > self._least_shift())
        found &= self.trusted
        boards = []
        for board in self.pack.sense_boards:
            members = np.array([i for i, c in enumerate(self.cells) if c in board.cells and self.trusted[i]], int)
            if len(members) >= 3 and len(members) < self.trusted.sum():
                shift, odds = first.shift[members], first.shift_odds[members]
                middle = float(np.median(shift))
                alike = np.std(shift) < 0.25 * abs(middle) and abs(middle) > SHIFT_LEAST_V
                if alike and np.clip(odds, -4 * SHIFT_ODDS, 4 * SHIFT_ODDS).sum() > SHIFT_ODDS:
                    boards.append((abs(middle), members))
        # two boards that read apart shift against each other: the one further from the middle, never most of the pack
        for _, members in sorted(boards, key=lambda one: -one[0]):
            also = found.copy()
            also[members] = True
            if 2 * also.sum() <= self.trusted.sum():
                found = also
        if 2 * found.sum() > self.trusted.sum():
            found = np.zeros_like(found)
        return np.asarray(found, bool)

    def _least_shift(self) -> Floats:
        """(cells,) least shift that counts [V]: what a load leaves unexplained on an aged cell is no shift."""
        least = np.full(len(self.cells), SHIFT_LEAST_V)
        if self.excess is not None:
            flowing = self.current[np.abs(self.current) > 0.02 * self.capacity]
            rms = float(np.sqrt((flowing**2).mean())) if len(flowing) else 0.0
            least += 0.5 * np.abs(np.nan_to_num(self.excess[0])) * self.usual_resistance * rms
        return least

    @cached_property
    def split(self) -> splitting.Split:
        """The split over `piece`, without cells whose reading is shifted.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        if not self.shifted.any():
            return self.first_split
        return self._split(self.trusted & ~self.shifted)

    @cached_property
    def first_split(self) -> splitting.Split:
        """The split over `piece` with all trusted cells; raises as `split` does."""
        return self._split(self.trusted)

    def _split(self, reference: Bools) -> splitting.Split:
        piece = self.piece
        if len(piece) < 40 or reference.sum() < 2:
            raise NotEnoughData("only a few readings with the charge counted")
        s = self.sampled
        group = max(1, len(piece) // SPLIT_ROWS)
        starts = np.arange(0, len(piece) - len(piece) % group, group)

        def thin(values: Floats) -> Floats:
            part = values[piece[: len(piece) - len(piece) % group]]
            return np.asarray(np.add.reduceat(part, starts, axis=0) / group, float)

        polar = np.column_stack([-s.current, -self._filters(splitting.TAUS_S), s.steps, self._hysteresis])
        grows = np.arange(polar.shape[1]) < 3 + len(splitting.TAUS_S)
        charge = np.repeat(s.charge[:, None], len(self.cells), axis=1)
        if self.bled is not None:
            charge = charge + self.bled[s.row]
        charge = charge - charge[piece[0]]
        columns = thin(polar)
        live = np.sqrt((columns**2).mean(axis=0)) > 1e-6
        return splitting.split(
            thin(s.volts), thin(charge), columns[:, live], thin(s.current), equal_blocks(len(starts), BLOCKS),
            reference, self.capacity, self.usual_resistance, self.noise, period_s=s.period_s * group,
            excess=self.excess, links=self.links, table=self.curve, anchors=self.anchors, grows=grows[live],
        )

    @property
    def _hysteresis(self) -> Floats:
        """(samples, columns) hysteresis of a flat curve, as currents whose drop would be `HYSTERESIS_V`."""
        if not self.curve.flat:
            return np.zeros((len(self.sampled.row), 0))
        columns = [
            -polarisation.hysteresis_state(self._filled, self.seconds, self.section, share * self.capacity)
            for share in HYSTERESIS_MEMORY
        ]
        return self.at_samples(np.hstack(columns)) * (HYSTERESIS_V / self.usual_resistance)

    @cached_property
    def excess(self) -> tuple[Floats, Floats] | None:
        """Relative resistance less one and its standard error, where the load fit has it."""
        try:
            value, without = self.load.resistance()
        except NotEnoughData:
            return None
        ratio, se = resistance.relative(value, without, self.trusted)
        if not np.median(value[self.trusted]) > 0 or np.median(se[self.trusted]) > 0.05:
            return None
        return ratio - 1.0, np.maximum(se, 0.002)

    @cached_property
    def usual_resistance(self) -> float:
        """Resistance of a usual cell [ohm]: from the load fit, else what 100 Ah cells have, scaled."""
        try:
            value, _ = self.load.resistance()
            middle = float(np.median(value[self.trusted]))
            if middle > 0:
                return middle
        except NotEnoughData:
            pass
        return 0.1 / self.capacity

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

    @cached_property
    def links(self) -> Bools:
        """(cells,) True where a link between modules lies in the tap."""
        joints = set(self.pack.joint_cells())
        return np.array([c in joints for c in self.cells])

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
        return thermal.sensor_faults(self.log.temperature, self.seconds, self.soaked)

    @cached_property
    def sensors_trusted(self) -> Bools:
        """(sensors,) True where a sensor is believed."""
        good: Bools = np.asarray(~np.isnan(self.log.temperature).all(axis=0), bool)
        for fault in self.sensor_faults:
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
            out = np.nanmean(t, axis=1) if np.isnan(t).any() else t.mean(axis=1)
        return np.asarray(out, float)

    def cell_temperature(self, rows: Bools) -> Floats:
        """(cells,) mean temperature [degC] at the nearest believed sensor over `rows`; NaN where not known."""
        out = np.full(len(self.cells), np.nan)
        if not rows.any() or not self.log.temperature.shape[1]:
            return out
        with np.errstate(all="ignore"):
            level = np.nanmean(self.log.temperature[rows], axis=0)
        for i, cell in enumerate(self.cells):
            column = self.pack.sensor_column_of(cell)
            if column is not None and column <= len(level) and self.sensors_trusted[column - 1]:
                out[i] = level[column - 1]
        return out

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
            self.log.temperature[rows], self.current[rows], self.seconds[rows], _renumber(self.section[rows]), good,
            rate * self.capacity,
        )

    # ---- parked ---------------------------------------------------------------------------------------------

    @cached_property
    def parked(self) -> tuple[parked.Drift, float]:
        """Drift over the longest parked stretch, and the mean voltage there [V].

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        longest = max(
            (p for p in self.stretches if p.kind == "parked"),
            key=lambda p: self.seconds[p.last] - self.seconds[p.first], default=None,
        )
        if longest is None:
            raise NotEnoughData("the pack was not parked in this log")
        volts = self.log.cell_voltage[longest.rows]
        good = ~np.isnan(volts[:, self.trusted]).any(axis=1)
        if self.log.bleed is not None:
            good &= ~self.log.bleed[longest.rows].any(axis=1)
        if good.sum() < parked.LEAST_READINGS:
            raise NotEnoughData("too few readings while parked without bleeding")
        warmth = None if self.mean_temperature is None else self.mean_temperature[longest.rows][good]
        found = parked.drift(np.nan_to_num(volts[good]), self.seconds[longest.rows][good], warmth, self.trusted)
        return found, float(np.median(volts[good][:, self.trusted]))


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
        return terminals.outside_taps(volts[good], total[good], s.current[good], s.seconds[good], s.section[good])

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
            mean[~np.isnan(mean)], self.current[index], self.seconds[index], _renumber(self.section[index]),
            resistance.time_constants(self.refresh_s),
        )

    # ---- bleeding -------------------------------------------------------------------------------------------

    @cached_property
    def bleed_effect(self) -> bleeding.BleedEffect:
        """What each cell lost over the rest with the most bleeding.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        if self.bled is None or self.log.bleed is None or self.resistor is None:
            raise NotEnoughData("no bleeding that could be reckoned")
        rests = [p for p in self.stretches if p.kind in ("rest", "parked")]
        best = max(rests, key=lambda p: float((self.bled[p.last] - self.bled[p.first]).max()), default=None)  # type: ignore[index]
        if best is None:
            raise NotEnoughData("the pack never rested")
        volts, flags = self.log.cell_voltage[best.rows], self.log.bleed[best.rows]
        if self.taps is not None:
            volts = taps.corrected(volts, flags, self.resistor, self.taps)
        good = ~np.isnan(volts[:, self.trusted]).any(axis=1)
        if good.sum() < 40:
            raise NotEnoughData("too few readings at rest")
        level = float(np.median(volts[good][:, self.trusted]))
        z = self.curve.inverse(np.array([level]))
        slope = float(self.curve.slope(z, 0.015)[0])
        if self.curve.flat:
            raise NotEnoughData(
                "after a charge the voltages of a flat curve settle for hours: they do not show what was bled"
            )
        return bleeding.bleed_effect(
            np.nan_to_num(volts[good]), self.bled[best.rows][good], flags[good], self.seconds[best.rows][good],
            self.trusted, slope / self.capacity,
        )


def _renumber(section: Ints) -> Ints:
    """Return section numbers 0, 1, .. without holes."""
    return np.asarray(np.unique(section, return_inverse=True)[1], np.int64)
