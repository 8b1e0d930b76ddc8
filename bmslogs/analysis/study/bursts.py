"""Contacts that come and go: what no load explains of a cell for the moment."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    resistance,
)
from bmslogs.analysis.models import (
    loose_joint,
    switching_contact,
)
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.samples import Samples

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Bursts:
    """Contacts that come and go: what no load explains of a cell for the moment."""

    readings: Readings
    refresh: Refresh
    harness: Harness
    samples: Samples

    @cached_property
    def _loads(self) -> Floats | None:
        """(samples, p) what may move a sound cell against the others; None where bursts are not told."""
        s = self.samples.kept
        flows = np.abs(s.current) > loose_joint.LEAST_C_RATE * self.readings.capacity
        if (
            s.period_s > resistance.SLOWEST_S
            or flows.sum() < 60
            or self.harness.trusted.sum() < 4
            or self.refresh.turns is not None
        ):
            return None
        return np.column_stack(
            [
                np.ones(len(s.row)),
                s.charge,
                s.charge**2,
                s.current,
                s.current * np.abs(s.current),
                self.samples.filters((4.0, 20.0, 90.0)),
                s.steps,
            ]
        )

    @cached_property
    def residuals(self) -> Floats | None:
        """(samples, cells) what each cell does against the others that no load explains [V]; None where not told."""
        loads = self._loads
        return (
            None
            if loads is None
            else loose_joint.residuals(self.samples.kept.volts, loads, self.harness.trusted)
        )

    @cached_property
    def found(self) -> tuple[list[loose_joint.LooseJoint], list[loose_joint.LooseWire]]:
        """Cells whose drop comes and goes under load, and sense wires that open now and then."""
        s, loads, left = self.samples.kept, self._loads, self.residuals
        if loads is None or left is None:
            return [], []
        # a generous resistance: what a step of the current does to a reading taken a row apart
        mean = s.volts[:, self.harness.trusted].mean(axis=1)
        coef = np.linalg.lstsq(loads / np.maximum(np.sqrt((loads**2).mean(axis=0)), 1e-12), mean, rcond=None)[
            0
        ]
        size = np.maximum(np.sqrt((loads**2).mean(axis=0)), 1e-12)
        usual = max(float(-(coef / size)[[3, 5]].sum()), 0.05 / self.readings.capacity)
        masked = None if self.readings.log.bleed is None else self._bleed_edges()
        usual = min(usual, 0.5 / self.readings.capacity)
        joints, wires = loose_joint.find(
            left,
            loads,
            s.current,
            s.seconds,
            s.section,
            np.full(len(self.readings.cells), usual),
            self.harness.trusted,
            self.readings.log.voltage_step,
            self.readings.capacity,
            masked,
        )
        known = {joint.column for joint in joints} | {k for wire in wires for k in wire.columns}
        away = s.volts - mean[:, None]
        drawn = s.current - s.current.mean()
        excess = (
            -(drawn @ np.where(self.harness.trusted, away, 0.0)) / max(float(drawn @ drawn), 1e-12) / usual
        )
        contacts = switching_contact.find(
            left,
            s.current,
            s.seconds,
            s.section,
            usual,
            excess,
            self.harness.trusted,
            switching_contact.LEAST_C_RATE * self.readings.capacity,
        )
        return joints + [one for one in contacts if one.column not in known], wires

    def _bleed_edges(self) -> Bools:
        """(samples,) True where bleeding goes on or off within a row or two."""
        assert self.readings.log.bleed is not None
        flags = self.readings.log.bleed[self.samples.kept.row]
        edge = np.concatenate([[False], (flags[1:] != flags[:-1]).any(axis=1)])
        return np.asarray(edge | np.roll(edge, 1) | np.roll(edge, -1), bool)

    @cached_property
    def rows(self) -> Bools:
        """(samples,) True where a joint was open for the moment: such rows tell nothing of a cell's resistance."""
        out = np.zeros(len(self.samples.kept.row), bool)
        for joint in self.found[0]:
            out |= joint.rows
        return out
