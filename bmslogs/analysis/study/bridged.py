"""Readings with short holes bridged, by rows and as samples of about a second."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    polarisation,
    sampling,
)
from bmslogs.analysis.flow import FILL_S, Flow
from bmslogs.analysis.signals import refresh
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Sampled:
    """The log as samples of about a second or one real reading, whichever is longer; no NaN.

    Attributes
    ----------
    seconds, current, charge, section
        (samples,) [s], [A], [Ah drawn], section number.
    steps
        (samples, times) current at other times about each sample, less its own [A]; see `shifts_s` of the study.
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
    section: Ints
    volts: Floats
    row: Ints
    period_s: float


@dataclass(frozen=True, eq=False)
class Bridged:
    """Readings with short holes bridged, by rows and as samples of about a second."""

    readings: Readings
    flow: Flow
    refresh: Refresh

    @property
    def shifts_s(self) -> tuple[float, ...]:
        """Times about a row [s] at which `Sampled.steps` has the current."""
        return polarisation.shift_times(self.flow.interval)

    @cached_property
    def volts(self) -> Floats:
        """(rows, cells) readings [V], short holes bridged; NaN in long ones."""
        return self.bridge(self.readings.log.cell_voltage)

    def bridge(self, volts: Floats) -> Floats:
        """Return (rows, cells) readings [V] with short holes bridged, and straight between turns; NaN in long holes."""
        if self.refresh.turns is not None:
            volts = refresh.held_straight(volts, self.readings.seconds, self.refresh.turns)
        if np.isnan(volts).any():
            longest = max(FILL_S, 3.5 * self.refresh.period_s)
            volts = volts.copy()
            for i in np.flatnonzero(np.isnan(volts).any(axis=0)):
                volts[:, i] = sampling.fill_short(volts[:, i], self.readings.seconds, longest)
        return volts

    @cached_property
    def samples(self) -> Sampled:
        """All samples; NaN where a reading is missing, and columns that are not believed as they are."""
        volts = self.volts
        s = self.refresh.groups
        first = s.rows[s.start]
        current = s.mean(self.flow.current)
        steps = s.mean(
            polarisation.shifted_currents(
                self.flow.filled, self.readings.seconds, self.flow.section, self.shifts_s
            )
        )
        return Sampled(
            seconds=s.mean(self.readings.seconds),
            current=current,
            charge=s.mean(self.flow.charge),
            steps=steps,
            section=self.flow.section[first],
            volts=s.mean(volts),
            row=first,
            period_s=s.period_s,
        )

    def filtered(self, tau_s: float) -> Floats:
        """(rows,) low-pass of the current [A], worked out once for each time constant."""
        if tau_s not in self._filtered_by:
            self._filtered_by[tau_s] = polarisation.low_pass(
                self.flow.filled, self.readings.seconds, self.flow.section, tau_s
            )
        return self._filtered_by[tau_s]

    @cached_property
    def _filtered_by(self) -> dict[float, Floats]:
        return {}
