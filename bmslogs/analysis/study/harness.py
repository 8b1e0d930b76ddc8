"""The sense wires and their channels: which readings are believed, and what the wires drop."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import polarisation, sensing, taps
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.models.charge_shapes import charge_shapes
from bmslogs.analysis.sampling import renumber
from bmslogs.analysis.study.bridged import Bridged
from bmslogs.analysis.study.readings import USUAL_OHM_AH, Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.trembling import trembling_channels
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

BLED_C_RATE, BLED_SHARE = 0.02, 0.5
"""Below this share of the capacity per hour no current moves a reading by what bleeding does, and it moves the string
where such a share of the cells are told to bleed (choice)."""
SILENT_SHARE = 0.3
"""A channel with more than this share of readings missing is not used (choice)."""
FLOATING_SAMPLES, FLOATING_TAU_S = 60, 60.0
"""Samples without bleeding from which on a floating wire is looked for, and the time constant of the load's part that
lags [s] (choice)."""


@dataclass(frozen=True, eq=False)
class Harness:
    """Faults of the sense wires and of channels, and the resistance of the wires."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    bridged: Bridged

    @cached_property
    def _single(self) -> tuple[Floats, Floats]:
        """Voltages of the first row of each sample, not averaged, and their times: for what hangs on equality."""
        rows = self.refresh.first_rows
        return self.readings.as_read[rows], self.readings.seconds[rows]

    @cached_property
    def silent(self) -> Bools:
        """(cells,) True where too many readings are missing."""
        volts = self.readings.log.cell_voltage[self.refresh.first_rows]
        return np.asarray(np.isnan(volts).mean(axis=0) > SILENT_SHARE, bool)

    @cached_property
    def faults(self) -> list[sensing.SensingFault]:
        """Faults of the sense wires and of channels, worst certainty first: swapped, stuck, floating."""
        found = list(self.readings.swapped)
        # on a flat curve only the load's own steps prove that a channel stands still
        if self.flow.has_current or not self.readings.curve.flat:
            found += self._still(found)
        # a wire that hangs may take its two readings beyond what cells have: as they were read they mirror each other
        if self.readings.outside is None:
            volts = self.bridged.samples.volts
        else:
            volts = self.refresh.groups.mean(self.bridged.bridge(self.readings.as_read))
        trusted = _without(np.isnan(self._single[0]).mean(axis=0) <= SILENT_SHARE, found)
        return found + self._floating(volts, trusted)

    def _still(self, known: list[sensing.SensingFault]) -> list[sensing.SensingFault]:
        """Channels that stand still or tremble, none that is at fault otherwise."""
        single, seconds = self._single
        current = self.flow.read_current[self.refresh.first_rows]
        drop = current * USUAL_OHM_AH / self.readings.capacity if self.readings.curve.flat else None
        moved = np.where(self._bled_at_rest[:, None], np.nan, single)
        step = self.readings.log.voltage_step
        out: list[sensing.SensingFault] = []
        for look in (sensing.stuck_channels, trembling_channels):
            found = look(moved, seconds, step, drop, current if self.flow.has_current else None)
            named = [set(other.columns) for other in known + out]
            out += [fault for fault in found if not any(set(fault.columns) & other for other in named)]
        return out

    @property
    def _bled_at_rest(self) -> Bools:
        """(samples,) True where many cells are told to bleed and no current flows.

        There the others move without this one having to: a dead bleeder or a crossed lead looks like a stuck channel.
        """
        rows, bleed = self.refresh.first_rows, self.readings.log.bleed
        if bleed is None or not self.flow.has_current:
            return np.zeros(len(rows), bool)
        at_rest = ~(np.abs(self.flow.read_current[rows]) > BLED_C_RATE * self.readings.capacity)
        return np.asarray(at_rest & (bleed[rows].mean(axis=1) >= BLED_SHARE), bool)

    def _floating(self, volts: Floats, trusted: Bools) -> list[sensing.SensingFault]:
        """Wires that hang, by neighbours that mirror each other beyond what load and charge explain."""
        if not self.flow.has_current:
            return []
        s, capacity, bleed = self.bridged.samples, self.readings.capacity, self.readings.log.bleed
        keep = ~np.isnan(volts[:, trusted]).any(axis=1) & ~np.isnan(s.current)
        if bleed is not None:
            keep &= ~bleed[s.row].any(axis=1)
        if keep.sum() < FLOATING_SAMPLES:
            return []
        volts, current = volts[keep], s.current[keep]
        lagging = polarisation.low_pass(current, s.seconds[keep], renumber(s.section[keep]), FLOATING_TAU_S)
        loads = np.column_stack([np.ones(len(current)), current, lagging])
        level = median(volts[:, trusted], axis=1) + current * USUAL_OHM_AH / capacity
        shapes = charge_shapes(level, s.charge[keep] / capacity, self.readings.curve)
        explained = np.column_stack([loads, shapes])
        size = np.maximum(np.sqrt((explained**2).mean(axis=0)), 1e-9)
        return sensing.floating_taps(volts, explained / size, trusted, self.readings.log.voltage_step)

    @cached_property
    def trusted(self) -> Bools:
        """(cells,) True where the readings are believed."""
        return _without(~self.silent, self.faults)

    @cached_property
    def taps(self) -> taps.TapResistance | None:
        """Resistance of the sense wires, where bleeding and its resistor are known."""
        log, resistor, fresh = self.readings.log, self.readings.resistor, self.refresh.rows
        if log.bleed is None or resistor is None or not log.bleed.any():
            return None
        return taps.tap_resistance(
            log.cell_voltage[fresh],
            log.bleed[fresh],
            log.seconds[fresh],
            resistor,
            self.trusted,
            log.voltage_step,
        )

    @cached_property
    def links(self) -> Bools:
        """(cells,) True where a link between modules lies in the tap."""
        joints = set(self.readings.pack.joint_cells())
        return np.array([c in joints for c in self.readings.cells])


def _without(trusted: Bools, faults: list[sensing.SensingFault]) -> Bools:
    """Return (cells,) the channels that are believed, none that is at fault for more than a share of the time."""
    out = trusted.copy()
    for fault in faults:
        if fault.share > SILENT_SHARE:
            out[list(fault.columns)] = False
    return np.asarray(out, bool)
