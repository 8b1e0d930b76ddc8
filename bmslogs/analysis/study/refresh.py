"""When the voltages were read anew: stale rows, channels in turns, rows that make one sample."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import sampling
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.signals.refresh import Turns, find_turns
from bmslogs.analysis.study.readings import USUAL_OHM_AH, Readings

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Refresh:
    """Which rows hold new readings of the cells."""

    readings: Readings
    flow: Flow

    @cached_property
    def stale(self) -> Bools:
        """(rows,) True where a row repeats the last voltages although the current changed: a frame was lost."""
        log = self.readings.source
        usual = USUAL_OHM_AH / self.readings.capacity
        return sampling.held_rows(log.cell_voltage, self.flow.read_current, log.voltage_step, usual)

    @cached_property
    def turns(self) -> Turns | None:
        """Channels that are read in turns, a few each row; None where all are read together."""
        log = self.readings.source
        usual = USUAL_OHM_AH / self.readings.capacity
        return find_turns(log.cell_voltage, self.flow.read_current, log.seconds, log.voltage_step, usual)

    @property
    def turn_rows(self) -> int:
        """Rows from one reading of a channel to its next; one where all are read together."""
        return 1 if self.turns is None else round(self.turns.period_s / self.flow.interval)

    @cached_property
    def _fresh(self) -> tuple[Bools, float]:
        log = self.readings.source
        fresh, period = sampling.fresh_rows(log.cell_voltage, log.seconds, self.flow.interval)
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

    @cached_property
    def first_rows(self) -> Ints:
        """(samples,) first row of the log in each sample."""
        return np.asarray(self.groups.rows[self.groups.start], np.int64)
