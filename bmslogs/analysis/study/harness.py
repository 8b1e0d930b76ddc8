"""The sense wires and their channels: which readings are believed, and what the wires drop."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    polarisation,
    sensing,
    taps,
)
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.sampling import renumber
from bmslogs.analysis.study.bridged import Bridged, Sampled
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.trembling import trembling_channels
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLED_C_RATE, BLED_SHARE = 0.02, 0.5
"""Below this share of the capacity per hour no current moves a reading by what bleeding does, and it moves the string
where such a share of the cells are told to bleed (choice)."""
SILENT_SHARE = 0.3
"""A channel with more than this share of readings missing is not used (choice)."""


@dataclass(frozen=True, eq=False)
class Harness:
    """The sense wires and their channels: which readings are believed, and what the wires drop."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    bridged: Bridged

    @cached_property
    def _single(self) -> tuple[Floats, Floats]:
        """Voltages of the first row of each sample, not averaged, and their times: for what hangs on equality."""
        rows = self.refresh.groups.rows[self.refresh.groups.start]
        return self.readings.source.cell_voltage[rows], self.readings.seconds[rows]

    @cached_property
    def silent(self) -> Bools:
        """(cells,) True where too many readings are missing."""
        volts = self.readings.log.cell_voltage[self.refresh.groups.rows[self.refresh.groups.start]]
        return np.asarray(np.isnan(volts).mean(axis=0) > SILENT_SHARE, bool)

    @cached_property
    def faults(self) -> list[sensing.SensingFault]:
        """Faults of the sense loom and of channels, worst certainty first: swapped, stuck, floating."""
        single, seconds = self._single
        found = list(self.readings.swapped)
        # on a flat curve only the load's own steps prove that a channel stands still
        if self.flow.has_current or not self.readings.curve.flat:
            current = (
                self.flow.read_current[self.refresh.groups.rows[self.refresh.groups.start]]
                if self.flow.has_current
                else None
            )
            moved = np.where(self._bled_at_rest[:, None], np.nan, single)
            for look in (sensing.stuck_channels, trembling_channels):
                still = look(moved, seconds, self.readings.log.voltage_step, self._rough_drop, current)
                found += [f for f in still if not any(set(f.columns) & set(g.columns) for g in found)]
        # a wire that hangs may take its two readings beyond what cells have: as they were read they mirror each other
        volts = (
            self.bridged.samples.volts
            if self.readings.outside is None
            else self.refresh.groups.mean(self.bridged.bridge(self.readings.source.cell_voltage))
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
        rows = self.refresh.groups.rows[self.refresh.groups.start]
        if self.readings.log.bleed is None or not self.flow.has_current:
            return np.zeros(len(rows), bool)
        rests = ~(np.abs(self.flow.read_current[rows]) > BLED_C_RATE * self.readings.capacity)
        return np.asarray(rests & (self.readings.log.bleed[rows].mean(axis=1) >= BLED_SHARE), bool)

    @property
    def _rough_drop(self) -> Floats | None:
        """(samples,) load times a rough resistance [V] on a flat curve; None where the curve climbs everywhere."""
        if not self.readings.curve.flat:
            return None
        return (
            self.flow.read_current[self.refresh.groups.rows[self.refresh.groups.start]]
            * 0.1
            / self.readings.capacity
        )

    def _floating(self, volts: Floats, trusted: Bools) -> list[sensing.SensingFault]:
        if not self.flow.has_current:
            return []
        s = self.bridged.samples
        keep = ~np.isnan(volts[:, trusted]).any(axis=1) & ~np.isnan(s.current)
        if self.readings.log.bleed is not None:
            keep &= ~self.readings.log.bleed[s.row].any(axis=1)
        if keep.sum() < 60:
            return []
        f = polarisation.low_pass(s.current[keep], s.seconds[keep], renumber(s.section[keep]), 60.0)
        loads = np.column_stack([np.ones(keep.sum()), s.current[keep], f])
        explained = np.column_stack([loads, self._charge_shapes(s, volts, keep, trusted)])
        size = np.maximum(np.sqrt((explained**2).mean(axis=0)), 1e-9)
        return sensing.floating_taps(volts[keep], explained / size, trusted, self.readings.log.voltage_step)

    def _charge_shapes(self, s: Sampled, volts: Floats, keep: Bools, trusted: Bools) -> Floats:
        """(samples, 4) how a cell of other charge or capacity parts from the others, as far as the table tells [V].

        Where the curve is steep, neighbours of which one is fuller and one emptier mirror each other.
        """
        middle = median(volts[keep][:, trusted], axis=1) + s.current[keep] * 0.1 / self.readings.capacity
        z = self.readings.curve.inverse(middle)
        here = self.readings.curve.beyond(z)
        fuller, emptier = (
            self.readings.curve.beyond(z + 0.02) - here,
            self.readings.curve.beyond(z - 0.02) - here,
        )
        drawn = s.charge[keep] / self.readings.capacity
        return np.column_stack([fuller, emptier, fuller * drawn, emptier * drawn])

    @cached_property
    def trusted(self) -> Bools:
        """(cells,) True where the readings are believed."""
        out = ~self.silent
        for fault in self.faults:
            if fault.share > SILENT_SHARE:
                out[list(fault.columns)] = False
        return np.asarray(out, bool)

    @cached_property
    def taps(self) -> taps.TapResistance | None:
        """Resistance of the sense wires, where bleeding and its resistor are known."""
        if (
            self.readings.log.bleed is None
            or self.readings.resistor is None
            or not self.readings.log.bleed.any()
        ):
            return None
        fresh, _ = self.refresh._fresh
        return taps.tap_resistance(
            self.readings.log.cell_voltage[fresh],
            self.readings.log.bleed[fresh],
            self.readings.seconds[fresh],
            self.readings.resistor,
            self.trusted,
            self.readings.log.voltage_step,
        )

    @cached_property
    def links(self) -> Bools:
        """(cells,) True where a link between modules lies in the tap."""
        joints = set(self.readings.pack.joint_cells())
        return np.array([c in joints for c in self.readings.cells])
