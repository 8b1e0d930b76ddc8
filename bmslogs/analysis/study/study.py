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
)
from bmslogs.analysis.regression import BLOCKS, equal_blocks
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
from bmslogs.analysis.study.loads import BEND_LEAST_S, WARMING_LEAST_K, Loads
from bmslogs.analysis.study.readings import Readings, readings_of
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.simultaneous import Simultaneous
from bmslogs.analysis.study.steps import Steps
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import mean, median, nanmean, nanmedian, nanvar
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


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
    def loads(self) -> Loads:
        """What drives and charges tell of the resistances: the load fit."""
        return Loads(
            self.readings,
            self.flow,
            self.refresh,
            self.bridged,
            self.harness,
            self.samples,
            self.temperatures,
            self.bursts,
        )

    @cached_property
    def steps(self) -> Steps:
        """What single clean steps of the current tell of the resistances."""
        return Steps(self.readings, self.flow, self.refresh, self.bridged, self.harness)

    @cached_property
    def resistance(self) -> Resistance:
        """Resistances by the loads or by single steps, whichever tells them better."""
        return Resistance(self.readings, self.harness, self.loads, self.steps)

    @cached_property
    def simultaneous(self) -> Simultaneous:
        """Readings as if all had been read at once, and how they scatter."""
        return Simultaneous(
            self.readings, self.flow, self.refresh, self.harness, self.samples, self.loads, self.resistance
        )

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
        good = ~np.isnan(volts) & ~np.isnan(total) & self.loads.moving
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
        if self.resistance.excess is not None:
            flowing = self.flow.current[np.abs(self.flow.current) > 0.02 * self.readings.capacity]
            rms = float(np.sqrt((flowing**2).mean())) if len(flowing) else 0.0
            least += 0.5 * np.abs(np.nan_to_num(self.resistance.excess[0])) * self.resistance.usual * rms
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
            volts=thin(self.simultaneous.volts),
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
            self.resistance.usual,
            self.simultaneous.noise,
            period_s=rows.period_s,
            new=rows.tells,
            excess=self.resistance.excess,
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
                1.0 + minutes * (kept / self.simultaneous.noise) ** 2
            )
        return out

    def _warming(self, loads: Floats) -> Floats:
        """(samples, columns) loads times how much warmer than usual the string was: resistance falls with that.

        Without them a drive that begins cold has an open-circuit curve that looks steeper than it is. Under a current
        that holds they would look like that curve themselves.
        """
        driven = (
            self.resistance.excess is not None
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
        return self.samples.at(np.hstack(columns)) * (HYSTERESIS_V / self.resistance.usual)

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
