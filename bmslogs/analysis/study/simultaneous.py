"""Readings as if all had been read at once, and how they scatter."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.flow import Flow
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.loads import Loads
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.samples import Samples
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Simultaneous:
    """Readings as if all had been read at once, and how they scatter."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    harness: Harness
    samples: Samples
    loads: Loads
    resistance: Resistance

    @cached_property
    def noise(self) -> float:
        """Standard deviation of one cell's reading about the string's mean [V]."""
        s = self.samples.kept
        if self.refresh.turns is not None:
            # what is carried over between readings scatters less than the readings do
            try:
                return float(max(median(self.loads.fit.fit.residual_sd[self.harness.trusted]), 2e-4))
            except NotEnoughData:
                return float(max(self.readings.log.voltage_step, 2e-3))
        away = s.volts[:, self.harness.trusted] - s.volts[:, self.harness.trusted].mean(axis=1, keepdims=True)
        if len(away) < 10:
            return self.readings.log.voltage_step
        quick = np.diff(away, axis=0)
        sd = 1.4826 * float(np.median(np.abs(quick))) / np.sqrt(2.0)
        return float(max(sd, self.readings.log.voltage_step / np.sqrt(12.0), 2e-4))

    @cached_property
    def volts(self) -> Floats:
        """(samples, cells) readings as if all had been read at the sample [V].

        Where channels are read in turns, each is carried from its own moments to the others' by the load that flowed in
        between; its open-circuit voltage goes straight from one reading to the next.
        """
        s = self.samples.kept
        if self.refresh.turns is None or not self.flow.rows_of("drive")[s.row].any():
            return s.volts
        drop = self._drop()
        out = s.volts.copy()
        for group, fresh in zip(self.refresh.turns.groups, self.refresh.turns.fresh.T, strict=True):
            new = np.flatnonzero(fresh[s.row])
            for i in group:
                out[:, i] = np.interp(s.seconds, s.seconds[new], s.volts[new, i] + drop[new, i]) - drop[:, i]
        return out

    def _drop(self) -> Floats:
        """(samples, cells) what the load takes off each cell's voltage [V]; raises `NotEnoughData` where not told."""
        s = self.samples.kept
        seldom = f"each channel is read every {self.refresh.period_s:.0f} s only while the load changes"
        try:
            load = self.loads.fit
        except NotEnoughData as reason:
            raise NotEnoughData(f"{seldom}, and what the load takes off it is not known: {reason}") from None
        if self.resistance.excess is None:
            raise NotEnoughData(
                f"{seldom}, and its readings scatter too much to tell what the load takes off it"
            )
        weights = np.column_stack([s.current, self.samples.filters(load.taus)])
        drop = np.asarray(weights @ np.nan_to_num(load.fit.coef[: weights.shape[1]]), float)
        if load.rms_A is not None:
            drop += (s.current * np.abs(s.current) / load.rms_A)[:, None] * np.nan_to_num(load.bend())
        return drop
