"""One log ready for every question: charge, parked drift and bleeding, on top of what its loads tell.

Each step is done once, on demand, and kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import bleed as bleeding
from bmslogs.analysis import parked, polarisation, rests, taps
from bmslogs.analysis.asleep import Asleep, lost_asleep
from bmslogs.analysis.bleed_commands import Crossed, crossed_commands
from bmslogs.analysis.common_fit import MINUTE_S, TAUS_S, Split, SplitData
from bmslogs.analysis.load_study import WARMING_LEAST_K, LoadStudy
from bmslogs.analysis.regression import BLOCKS, equal_blocks
from bmslogs.analysis.rounding import lasting_error
from bmslogs.analysis.sampling import row_medians
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
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median, nanmedian, nanvar

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SPLIT_ROWS = 500
OPEN_TELLS = 1e-3
"""Share of what a row tells of charge and capacity while a contact is open (choice)."""
HYSTERESIS_MEMORY, HYSTERESIS_V = (0.02, 0.06), 0.02
"""Charge over which a flat curve changes branch, as fractions of capacity, and half the gap [V] (choice)."""
FALL_PER_K = 0.03
"""Fall of resistance for each kelvin, as a fraction, that the split expects: up to it, either way (choice)."""
SHIFT_LEAST_V = 0.0035
"""A reading that is off by less does not count as shifted (choice)."""


LEAST_AT_REST = 40
"""Readings of a rest with bleeding below which nothing is said of it (choice)."""


@dataclass(frozen=True)
class BledRest:
    """A rest with bleeding: (rows, cells) readings [V], charge commanded away so far [Ah] and flags; (rows,) [s]."""

    volts: Floats
    bled: Floats
    flags: Bools
    seconds: Floats


@dataclass(frozen=True)
class ParkedRows:
    """Readings of a time parked: their rows in the log, (rows, cells) [V], (cells,) whether a cell's drift is told."""

    rows: Ints
    volts: Floats
    known: Bools


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


class Study(LoadStudy):
    """A log and what has been worked out of it so far."""

    # ---- charge ---------------------------------------------------------------------------------------------

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
        counted = np.flatnonzero(~parked_rows[s.row])
        for part in np.split(counted, np.flatnonzero(np.diff(number[counted])) + 1):
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
        charge = self.flow.charge - s.charge[piece[0]]
        if self.bled is not None:
            charge = charge + np.median(
                (self.bled - self.bled[first])[:, self.trusted], axis=1
            )  # as its voltage
        found = []
        for part in self.stretches:
            rows = self._settling_rows(part, before=part.last <= first)
            between = slice(part.last, first) if part.last < first else slice(last + 1, part.first)
            if len(rows) < 4 or not self.quiet[between].all():
                continue
            volt = row_medians(self.log.cell_voltage[rows][:, self.trusted])
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
        boards = [np.array([c in board.cells for c in self.cells]) for board in self.pack.sense_boards]
        first = self.first_split
        off = shifted_boards(
            first.sound_shift,
            first.sound_shift_se,
            first.shift_odds,
            SHIFT_LEAST_V,
            boards,
            self.trusted,
            first.a / self.capacity,
            first.b,
            AsCharge(first.a, first.b, first.shift_looks_like),
        )
        # beside a board that is off sound cells look shifted the other way
        left = self.trusted & ~off
        alone = self._split(left) if off.any() else first
        single = shifted_singly(alone.shift, alone.shift_se, alone.shift_odds, self._least_shift(), left)
        return off | single if 2 * (off | single).sum() <= self.trusted.sum() else off

    @cached_property
    def shift_instead(self) -> Floats:
        """(cells,) the one shift of the reading that explains a cell's charge and capacity both [V]; NaN where none."""
        first, left = self.first_split, self.trusted & ~self.shifted
        cells = AsCharge(first.a, first.b, first.shift_looks_like)
        return shifts_as_charge(cells, (first.se["a"], first.se["b"]), 2.0 * SHIFT_LEAST_V, left)

    @cached_property
    def shifted_or_charged(self) -> Bools:
        """(cells,) True where other charge and a shifted reading explain the cell alike, and the others not so."""
        first, left = self.first_split, self.trusted & ~self.shifted
        doubted = either(first.shift, first.shift_se, first.shift_odds, self._least_shift(), left)
        return doubted & unlike_the_others(first.shift, first.shift_se, left)

    def _least_shift(self) -> Floats:
        """(cells,) least shift that counts [V]: what a load leaves unexplained on an aged cell is no shift."""
        least = np.full(len(self.cells), SHIFT_LEAST_V)
        if self.excess is not None:
            flowing = self.current[np.abs(self.current) > 0.02 * self.capacity]
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
        return self._split(self.trusted & ~self.shifted)

    @cached_property
    def first_split(self) -> Split:
        """The split over `piece` with all trusted cells; raises as `split` does."""
        return self._split(self.trusted)

    @cached_property
    def split_rows(self) -> SplitRows:
        """Samples of `piece` in groups, as the split is given them.

        Raises
        ------
        NotEnoughData
            Too few, or no voltages of one moment.
        """
        piece = self.piece
        if len(piece) < 40:
            raise NotEnoughData("only a few readings with the charge counted")
        s = self.sampled
        group = max(1, len(piece) // SPLIT_ROWS)
        if self.turns is not None:
            # within a turn the same readings come again
            group = max(group, min(round(self.turns.period_s / self.interval), len(piece) // 60))
        starts = np.arange(0, len(piece) - len(piece) % group, group)

        def thin(values: Floats) -> Floats:
            part = values[piece[: len(piece) - len(piece) % group]]
            return np.asarray(np.add.reduceat(part, starts, axis=0) / group, float)

        filters = self._filters(TAUS_S)
        loads = np.column_stack(
            [-s.current, -filters, s.steps, self._warming(np.column_stack([s.current, filters]))]
        )
        polar = np.column_stack([loads, self._hysteresis])
        grows = np.arange(polar.shape[1]) < loads.shape[1]
        charge = np.repeat(s.charge[:, None], len(self.cells), axis=1)
        if self.bled is not None:
            charge = charge + self.bled[s.row]
        charge = charge - charge[piece[0]]
        columns, tells = thin(polar), thin(self._new)
        # while a contact is open its cell drops more than its charge says
        tells[thin(self.burst_rows.astype(float)) > 0.0] *= OPEN_TELLS
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
            self.capacity,
            self.usual_resistance,
            self.noise,
            period_s=rows.period_s,
            new=rows.tells,
            excess=self.excess,
            links=self.links,
            table=self.curve,
            anchors=self.anchors,
            grows=rows.grows,
        )
        return split(data, reference)

    @cached_property
    def _new(self) -> Floats:
        """(samples,) share of each sample that tells something new: a rest repeats the rounding of its readings."""
        s = self.sampled
        out = np.ones(len(s.row))
        for part in self.stretches:
            if part.kind not in ("rest", "parked"):
                continue
            volts = self.log.cell_voltage[part.rows][:, self.trusted]
            if len(volts) < 10:
                continue
            with np.errstate(all="ignore"):
                scatter = float(np.sqrt(nanmedian(nanvar(np.diff(volts, axis=0), axis=0)) / 2.0))
            kept = lasting_error(scatter, self.log.voltage_step)
            minutes = (self.seconds[part.last] - self.seconds[part.first]) / MINUTE_S
            out[(s.row >= part.first) & (s.row <= part.last)] = 1.0 / (
                1.0 + minutes * (kept / self.noise) ** 2
            )
        return out

    def _warming(self, loads: Floats) -> Floats:
        """(samples, columns) loads times how much warmer than usual the string was: resistance falls with that.

        Without them a drive that begins cold has an open-circuit curve that looks steeper than it is. Under a current
        that holds they would look like that curve themselves.
        """
        driven = self.excess is not None and self.rows_of("drive")[self.sampled.row[self.piece]].any()
        if self.warmth is None or not driven or np.ptp(self.warmth[self.piece]) < WARMING_LEAST_K:
            return np.zeros((len(loads), 0))
        warm = self.warmth - self.warmth[self.piece].mean()
        return np.asarray(-loads[:, [0, 2, 4]] * (FALL_PER_K * warm)[:, None], float)

    @property
    def _hysteresis(self) -> Floats:
        """(samples, columns) hysteresis of a flat curve, as currents whose drop would be `HYSTERESIS_V`."""
        if not self.curve.flat:
            return np.zeros((len(self.sampled.row), 0))
        columns = [
            -polarisation.hysteresis_state(
                self.flow.filled, self.seconds, self.section, share * self.capacity
            )
            for share in HYSTERESIS_MEMORY
        ]
        return self.at_samples(np.hstack(columns)) * (HYSTERESIS_V / self.usual_resistance)

    @cached_property
    def links(self) -> Bools:
        """(cells,) True where a link between modules lies in the tap."""
        joints = set(self.pack.joint_cells())
        return np.array([c in joints for c in self.cells])

    # ---- parked ---------------------------------------------------------------------------------------------

    @cached_property
    def parked_through(self) -> Stretch | None:
        """The longest time parked where a logger's pauses are bridged, over which the string stood as it was."""
        light = None
        if self.has_current:
            light = ~(np.abs(self.current) > parked.LIGHT_C_RATE * self.capacity)
        times = parked.bridged(self.stretches, self.seconds, self.log.cell_voltage, self.trusted, light)
        return max(times, key=lambda p: float(self.seconds[p.last] - self.seconds[p.first]), default=None)

    @cached_property
    def asleep(self) -> Asleep | None:
        """What the cells lost over the longest pause of the logger between two rests; None where there is none."""
        return lost_asleep(
            self.stretches, self.seconds, self.log.cell_voltage, self.trusted, self.log.voltage_step
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
        volts, seconds = self.bridged_volts[through.rows], self.seconds[through.rows]
        good, known = ~np.isnan(volts[:, self.trusted]).any(axis=1), self.trusted
        good &= ~self.rows_of("drive", "charge")[through.rows]  # light loads, and what follows them
        if self.log.bleed is not None and self.log.bleed[through.rows].any():
            flags = np.asarray(self.log.bleed[through.rows], bool)
            rows, kept = parked.without_bleeding(flags, seconds)
            good, known = good & rows, known & kept
        if good.sum() < parked.LEAST_READINGS or known.sum() < min(parked.LEAST_UNBLED, self.trusted.sum()):
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
        seconds, known = self.seconds[of.rows], of.known
        warmth = None if self.mean_temperature is None else self.mean_temperature[of.rows]
        volts = np.nan_to_num(of.volts)
        along = None if self.curve.flat else parked.straightened(volts, seconds, known)
        volts = volts if along is None else along
        found = parked.drift(volts, seconds, warmth, known, self.log.voltage_step)
        pieces = self.section[of.rows]
        if len(np.unique(pieces)) > 1:
            found = parked.as_seen(found, volts, seconds, pieces, known)
        if along is not None:
            found = replace(found, straight=parked.slope_of_walk(of.volts, known, self.curve))
        return found, float(np.median(of.volts[:, known]))

    # ---- bleeding -------------------------------------------------------------------------------------------

    @cached_property
    def crossed_commands(self) -> list[Crossed]:
        """Bleed commands that act on another cell, by the jumps of the readings at the flags' edges."""
        if self.log.bleed is None or self.resistor is None or not self.log.bleed.any():
            return []
        fresh = self.fresh_rows
        flags = np.asarray(self.log.bleed[fresh], bool)
        edges = taps.edges_of(
            self.log.cell_voltage[fresh], flags, self.seconds[fresh], self.resistor, self.trusted
        )
        if edges is None:
            return []
        toggled = flags[edges.at].astype(float) - flags[edges.at - 1].astype(float)
        return crossed_commands(edges.jump, toggled)

    @cached_property
    def _bled_rest(self) -> BledRest:
        """The rest with the most bleeding; raises `NotEnoughData` with the reason where none can be used."""
        if self.bled is None or self.log.bleed is None or self.resistor is None:
            raise NotEnoughData("no bleeding that could be reckoned")
        bled = self.bled
        rests = [p for p in self.stretches if p.kind in ("rest", "parked")]
        best = max(rests, key=lambda p: float((bled[p.last] - bled[p.first]).max()), default=None)
        if best is None:
            raise NotEnoughData("the pack never rested")
        volts, flags = self.log.cell_voltage[best.rows], self.log.bleed[best.rows]
        if self.taps is not None:
            volts = taps.corrected(volts, flags, self.resistor, self.taps)
        good = ~np.isnan(volts[:, self.trusted]).any(axis=1)
        if good.sum() < LEAST_AT_REST:
            raise NotEnoughData("too few readings at rest")
        return BledRest(
            np.nan_to_num(volts[good]), bled[best.rows][good], flags[good], self.seconds[best.rows][good]
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
            rest.volts[since], rest.bled[since], rest.seconds[since], self.trusted, self.log.voltage_step
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
        if self.curve.flat:
            raise NotEnoughData(
                "after a charge the voltages of a flat curve settle for hours: they do not show what was bled"
            )
        level = float(median(rest.volts[:, self.trusted]))
        slope = float(self.curve.slope(self.curve.inverse(np.array([level])), 0.015)[0])
        return bleeding.bleed_effect(
            rest.volts, rest.bled, rest.flags, rest.seconds, self.trusted, slope / self.capacity
        )
