"""Readings as if all had been read at once, how they scatter, and how much each tells."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.common_fit import MINUTE_S
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.rounding import share_of_news
from bmslogs.analysis.signals.noise import noise_by_changes, rounding_sd
from bmslogs.analysis.signals.refresh import carried
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.loads import Loads
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.samples import Samples
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]

LEAST_NOISE_V = 2e-4
"""No reading scatters by less about the string's mean [V] (choice, one sd)."""
TURNS_NOISE_V = 2e-3
"""How far readings in turns scatter where no load fit tells it [V] (choice, one sd)."""
LEAST_SAMPLES = 10
"""Of fewer samples no scatter is told, of fewer rows of a rest no rounding (choice)."""


@dataclass(frozen=True, eq=False)
class Simultaneous:
    """Samples whose cells were read at one moment, or are carried to it."""

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
        step, trusted = self.readings.log.voltage_step, self.harness.trusted
        if self.refresh.turns is not None:
            # what is carried over between readings scatters less than the readings do
            try:
                return float(max(median(self.loads.fit.fit.residual_sd[trusted]), LEAST_NOISE_V))
            except NotEnoughData:
                return float(max(step, TURNS_NOISE_V))
        volts = self.samples.kept.volts[:, trusted]
        if len(volts) < LEAST_SAMPLES:
            return step
        away = volts - volts.mean(axis=1, keepdims=True)
        return float(max(noise_by_changes(away), rounding_sd(step), LEAST_NOISE_V))

    @cached_property
    def volts(self) -> Floats:
        """(samples, cells) readings as if all had been read at the sample [V].

        Where channels are read in turns, each is carried from its own moments to the others' by the load that flowed in
        between.

        Raises
        ------
        NotEnoughData
            They are, and what the load takes off is not known.
        """
        s, turns = self.samples.kept, self.refresh.turns
        if turns is None or not self.flow.rows_of("drive")[s.row].any():
            return s.volts
        return carried(s.volts, s.seconds, turns.fresh[s.row], turns.groups, self._drop())

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

    @cached_property
    def news(self) -> Floats:
        """(samples,) share of each sample that tells something new: a rest repeats the rounding of its readings."""
        row, seconds = self.samples.kept.row, self.readings.seconds
        out = np.ones(len(row))
        for part in self.flow.stretches:
            if part.kind not in ("rest", "parked"):
                continue
            volts = self.readings.log.cell_voltage[part.rows][:, self.harness.trusted]
            if len(volts) < LEAST_SAMPLES:
                continue
            minutes = float(seconds[part.last] - seconds[part.first]) / MINUTE_S
            here = (row >= part.first) & (row <= part.last)
            out[here] = share_of_news(volts, minutes, self.readings.log.voltage_step, self.noise)
        return out
