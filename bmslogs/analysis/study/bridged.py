"""Readings with short holes bridged, by rows and as samples of about a second."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import polarisation, sampling
from bmslogs.analysis.flow import FILL_S, Flow
from bmslogs.analysis.signals.refresh import held_straight
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FILL_READINGS = 3.5
"""A hole as long as three readings is bridged as well, their times jittering by half of one (choice)."""


@dataclass(frozen=True)
class Sampled:
    """The log as samples of about a second or one real reading, whichever is longer.

    Attributes
    ----------
    seconds, current, charge, section
        (samples,) [s], [A], [Ah drawn], section number.
    steps, shifts_s
        (samples, times) current at other times about each sample, less its own [A], and those times [s].
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
    shifts_s: tuple[float, ...]
    section: Ints
    volts: Floats
    row: Ints
    period_s: float


@dataclass(frozen=True, eq=False)
class Bridged:
    """Readings of the cells and the current without short holes."""

    readings: Readings
    flow: Flow
    refresh: Refresh

    @cached_property
    def volts(self) -> Floats:
        """(rows, cells) readings [V], short holes bridged; NaN in long ones."""
        return self.bridge(self.readings.log.cell_voltage)

    def bridge(self, volts: Floats) -> Floats:
        """Return (rows, cells) readings [V] with short holes bridged, and straight between turns; NaN in long holes."""
        seconds = self.readings.seconds
        if self.refresh.turns is not None:
            volts = held_straight(volts, seconds, self.refresh.turns)
        if np.isnan(volts).any():
            longest = max(FILL_S, FILL_READINGS * self.refresh.period_s)
            volts = volts.copy()
            for i in np.flatnonzero(np.isnan(volts).any(axis=0)):
                volts[:, i] = sampling.fill_short(volts[:, i], seconds, longest)
        return volts

    @cached_property
    def samples(self) -> Sampled:
        """All samples; NaN where a reading is missing, and columns that are not believed as they are."""
        seconds, flow, of = self.readings.seconds, self.flow, self.refresh.groups
        shifts = polarisation.shift_times(flow.interval)
        return Sampled(
            seconds=of.mean(seconds),
            current=of.mean(flow.current),
            charge=of.mean(flow.charge),
            steps=of.mean(polarisation.shifted_currents(flow.filled, seconds, flow.section, shifts)),
            shifts_s=shifts,
            section=flow.section[self.refresh.first_rows],
            volts=of.mean(self.volts),
            row=self.refresh.first_rows,
            period_s=of.period_s,
        )

    def filtered(self, tau_s: float) -> Floats:
        """Return (rows,) low-pass of the current [A], worked out once for each time constant [s]."""
        if tau_s not in self._filtered_by:
            self._filtered_by[tau_s] = polarisation.low_pass(
                self.flow.filled, self.readings.seconds, self.flow.section, tau_s
            )
        return self._filtered_by[tau_s]

    @cached_property
    def _filtered_by(self) -> dict[float, Floats]:
        return {}
