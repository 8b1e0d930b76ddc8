"""Charge counted: by the current, and by the commands to bleed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    rests,
)
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.sampling import row_medians
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.samples import Samples

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Counted:
    """Charge counted: by the current, and by the commands to bleed."""

    readings: Readings
    flow: Flow
    harness: Harness
    samples: Samples

    @cached_property
    def bled(self) -> Floats | None:
        """(rows, cells) charge that commanded bleeding took from each cell so far [Ah]; None where not known."""
        if (
            self.readings.log.bleed is None
            or self.readings.resistor is None
            or not self.readings.log.bleed.any()
        ):
            return None
        step = np.diff(self.readings.seconds, append=self.readings.seconds[-1])
        step[np.diff(self.flow.section, append=self.flow.section[-1]) != 0] = 0.0
        volts = np.nan_to_num(self.readings.as_read)
        amps = np.where(self.readings.log.bleed, np.clip(volts, 0.0, 5.0), 0.0) / self.readings.resistor
        total = np.cumsum(amps * step[:, None], axis=0) / 3600.0
        return np.asarray(np.vstack([np.zeros(total.shape[1]), total[:-1]]), float)

    @cached_property
    def piece(self) -> Ints:
        """Samples of the part of the log over which charge is counted without a break and most charge moved."""
        s = self.samples.kept
        parked_rows = self.flow.rows_of("parked")
        brk = np.zeros(len(s.row), bool)
        after = np.flatnonzero(np.diff(s.section)) + 1
        for k in after:
            brk[k] = not (self.flow.quiet[s.row[k - 1]] and self.flow.quiet[s.row[k]])
        brk |= parked_rows[s.row]
        number = np.cumsum(brk)
        best: Ints = np.arange(0)
        most = -1.0
        counted = np.flatnonzero(~parked_rows[s.row])
        for part in np.split(counted, np.flatnonzero(np.diff(number[counted])) + 1):
            if len(part) > 1 and np.ptp(s.charge[part]) > most:
                most, best = float(np.ptp(s.charge[part])), part
        return best

    @cached_property
    def anchors(self) -> rests.Anchors:
        """Rests within `piece` or next to it, with their charge as the split counts it."""
        s, piece = self.samples.kept, self.piece
        if len(piece) == 0:
            return rests.NONE
        first, last = int(s.row[piece[0]]), int(s.row[piece[-1]])
        charge = self.flow.charge - s.charge[piece[0]]
        if self.bled is not None:
            charge = charge + np.median(
                (self.bled - self.bled[first])[:, self.harness.trusted], axis=1
            )  # as its voltage
        found = []
        for part in self.flow.stretches:
            rows = self._settling_rows(part, before=part.last <= first)
            between = slice(part.last, first) if part.last < first else slice(last + 1, part.first)
            if len(rows) < 4 or not self.flow.quiet[between].all():
                continue
            volt = row_medians(self.readings.log.cell_voltage[rows][:, self.harness.trusted])
            good = ~np.isnan(volt)
            if good.sum() >= 4:
                level, sd = rests.settled_level(self.readings.seconds[rows][good], volt[good])
                found.append((float(charge[rows[-1]]), level, sd))
        return rests.Anchors(*np.array(found).T) if found else rests.NONE

    def _settling_rows(self, part: Stretch, before: bool) -> Ints:
        """Rows of a rest that tell its level: all of a short one, the near end of a long one, none of a shorter."""
        t = self.readings.seconds
        if part.kind not in ("rest", "parked") or t[part.last] - t[part.first] < rests.LEAST_S:
            return np.arange(0)
        rows = np.arange(part.first, part.last + 1)
        if before:
            rows = rows[t[rows] >= t[part.last] - rests.START_LEVEL_S]
        else:
            rows = rows[t[rows] <= t[part.first] + rests.START_LEVEL_S]
        return np.asarray(rows, np.int64)
