"""What polarises the cells: the currents whose drops the split of charge and capacity takes off."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import polarisation
from bmslogs.analysis.common_fit import TAUS_S
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.study.counted import Counted
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.temperatures import WARMING_LEAST_K, Temperatures

Floats = npt.NDArray[np.float64]

HYSTERESIS_MEMORY, HYSTERESIS_V = (0.02, 0.06), 0.02
"""Charge over which a flat curve changes branch, as fractions of capacity, and half the gap [V] (choice)."""
FALL_PER_K = 0.03
"""Fall of resistance for each kelvin, as a fraction, that the split expects: up to it, either way (choice)."""
WARMED = (0, 2, 4)
"""Columns of the loads that are told by how much the pack warms: the current, and every other of its low-passes
(choice)."""


@dataclass(frozen=True, eq=False)
class Polarising:
    """Loads as the cells feel them, and the branches of a flat curve."""

    readings: Readings
    flow: Flow
    samples: Samples
    temperatures: Temperatures
    counted: Counted
    resistance: Resistance

    @cached_property
    def loads(self) -> Floats:
        """(samples, k) current, its low-passes, its steps, and what warms of these [A], negative on discharge."""
        s = self.samples.kept
        filters = self.samples.filters(TAUS_S)
        return np.column_stack(
            [-s.current, -filters, s.steps, self._warming(np.column_stack([s.current, filters]))]
        )

    def _warming(self, loads: Floats) -> Floats:
        """(samples, columns) loads times how much warmer than usual the string was: resistance falls with that.

        Without them a drive that begins cold has an open-circuit curve that looks steeper than it is. Under a current
        that holds they would look like that curve themselves.
        """
        piece, degc = self.counted.piece, self.temperatures.sampled
        driven = self.flow.rows_of("drive")[self.samples.kept.row[piece]].any()
        told = self.resistance.excess is not None and driven
        if degc is None or not told or np.ptp(degc[piece]) < WARMING_LEAST_K:
            return np.zeros((len(loads), 0))
        warm = degc - degc[piece].mean()
        return np.asarray(-loads[:, WARMED] * (FALL_PER_K * warm)[:, None], float)

    @cached_property
    def hysteresis(self) -> Floats:
        """(samples, columns) hysteresis of a flat curve, as currents whose drop would be `HYSTERESIS_V` [A]."""
        flow, capacity = self.flow, self.readings.capacity
        if not self.readings.curve.flat:
            return np.zeros((len(self.samples.kept.row), 0))
        columns = [
            -polarisation.hysteresis_state(flow.filled, self.readings.seconds, flow.section, share * capacity)
            for share in HYSTERESIS_MEMORY
        ]
        return self.samples.at(np.hstack(columns)) * (HYSTERESIS_V / self.resistance.usual)
