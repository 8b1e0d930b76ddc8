"""When the voltages were read anew: stale rows, channels in turns, rows that make one sample."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    sampling,
)
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.signals import refresh
from bmslogs.analysis.study.readings import Readings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Refresh:
    """When the voltages were read anew: stale rows, channels in turns, rows that make one sample."""

    readings: Readings
    flow: Flow

    @cached_property
    def stale(self) -> Bools:
        """(rows,) True where a row repeats the last voltages although the current changed: a frame was lost."""
        return sampling.held_rows(
            self.readings.source.cell_voltage,
            self.flow.read_current,
            self.readings.source.voltage_step,
            0.1 / self.readings.capacity,
        )

    @cached_property
    def turns(self) -> refresh.Turns | None:
        """Channels that are read in turns, a few each row; None where all are read together."""
        return refresh.find_turns(
            self.readings.source.cell_voltage,
            self.flow.read_current,
            self.readings.seconds,
            self.readings.source.voltage_step,
            0.1 / self.readings.capacity,
        )

    @cached_property
    def _fresh(self) -> tuple[Bools, float]:
        fresh, period = sampling.fresh_rows(
            self.readings.source.cell_voltage, self.readings.seconds, self.flow.interval
        )
        return fresh & ~self.stale, period

    @property
    def rows(self) -> Bools:
        """(rows,) True where the voltages were read anew."""
        return self._fresh[0]

    @property
    def period_s(self) -> float:
        """Real time between voltage readings [s]."""
        return self._fresh[1] if self.turns is None else self.turns.period_s

    @cached_property
    def groups(self) -> sampling.Samples:
        """Rows with new readings, grouped into samples of about a second; all rows where channels are read in turns."""
        if self.turns is not None:
            rows = np.arange(self.readings.source.rows)
            return sampling.Samples(rows, rows, self.flow.interval)
        return sampling.group_rows(self.readings.seconds, *self._fresh)
