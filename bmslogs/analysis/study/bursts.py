"""Contacts that come and go: what no load explains of a cell for the moment."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance
from bmslogs.analysis.models import burst_loads, loose_joint, switching_contact
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.samples import Samples

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_FLOWING, LEAST_CELLS = 60, 4
"""Samples under current, and believed cells, from which on bursts are told (choice)."""


@dataclass(frozen=True, eq=False)
class Bursts:
    """Joints and sense wires that are open now and then."""

    readings: Readings
    refresh: Refresh
    harness: Harness
    samples: Samples

    @cached_property
    def _loads(self) -> Floats | None:
        """(samples, p) what may move a sound cell against the others; None where bursts are not told."""
        s = self.samples.kept
        flows = np.abs(s.current) > loose_joint.LEAST_C_RATE * self.readings.capacity
        few = flows.sum() < LEAST_FLOWING or self.harness.trusted.sum() < LEAST_CELLS
        if s.period_s > resistance.SLOWEST_S or few or self.refresh.turns is not None:
            return None
        filtered = self.samples.filters(burst_loads.TAUS_S)
        return burst_loads.burst_loads(s.charge, s.current, filtered, s.steps)

    @cached_property
    def residuals(self) -> Floats | None:
        """(samples, cells) what each cell does against the others that no load explains [V]; None where not told."""
        if self._loads is None:
            return None
        return loose_joint.residuals(self.samples.kept.volts, self._loads, self.harness.trusted)

    @cached_property
    def found(self) -> tuple[list[loose_joint.LooseJoint], list[loose_joint.LooseWire]]:
        """Cells whose drop comes and goes under load, and sense wires that open now and then."""
        s, loads, left = self.samples.kept, self._loads, self.residuals
        trusted, capacity, bleed = self.harness.trusted, self.readings.capacity, self.readings.log.bleed
        if loads is None or left is None:
            return [], []
        string = s.volts[:, trusted].mean(axis=1)
        usual = burst_loads.generous_resistance(string, loads, capacity)
        joints, wires = loose_joint.find(
            left,
            loads,
            s.current,
            s.seconds,
            s.section,
            np.full(len(self.readings.cells), usual),
            trusted,
            self.readings.log.voltage_step,
            capacity,
            None if bleed is None else burst_loads.near_edges(bleed[s.row]),
        )
        known = {joint.column for joint in joints} | {k for wire in wires for k in wire.columns}
        away = np.where(trusted, s.volts - string[:, None], 0.0)
        contacts = switching_contact.find(
            left,
            s.current,
            s.seconds,
            s.section,
            usual,
            burst_loads.excess_over_the_string(away, s.current, usual),
            trusted,
            switching_contact.LEAST_C_RATE * capacity,
        )
        return joints + [one for one in contacts if one.column not in known], wires

    @cached_property
    def rows(self) -> Bools:
        """(samples,) True where a joint was open for the moment: such rows tell nothing of a cell's resistance."""
        out = np.zeros(len(self.samples.kept.row), bool)
        for joint in self.found[0]:
            out |= joint.rows
        return out
