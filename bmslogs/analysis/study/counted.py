"""Charge counted: by the current, and by the commands to bleed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import rests
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.models.counted_charge import bled_charge, longest_count, settling_rows
from bmslogs.analysis.sampling import row_medians
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.samples import Samples

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ANCHOR_ROWS = 4
"""A rest of fewer rows settles nothing (choice)."""


@dataclass(frozen=True, eq=False)
class Counted:
    """Where charge is counted without a break, and the rests that hold it to the curve."""

    readings: Readings
    flow: Flow
    harness: Harness
    samples: Samples

    @cached_property
    def bled(self) -> Floats | None:
        """(rows, cells) charge that commanded bleeding took from each cell so far [Ah]; None where not known."""
        flags, resistor = self.readings.log.bleed, self.readings.resistor
        if flags is None or resistor is None or not flags.any():
            return None
        return bled_charge(self.readings.as_read, flags, self.readings.seconds, self.flow.section, resistor)

    @cached_property
    def piece(self) -> Ints:
        """Samples of the part of the log over which charge is counted without a break and most charge moved."""
        s = self.samples.kept
        parked = self.flow.rows_of("parked")[s.row]
        return longest_count(s.charge, s.section, self.flow.quiet[s.row], parked)

    @cached_property
    def anchors(self) -> rests.Anchors:
        """Rests within `piece` or next to it, with their charge as the split counts it."""
        s, piece, trusted = self.samples.kept, self.piece, self.harness.trusted
        if len(piece) == 0:
            return rests.NONE
        first, last = int(s.row[piece[0]]), int(s.row[piece[-1]])
        charge, seconds = self.flow.charge - s.charge[piece[0]], self.readings.seconds
        if self.bled is not None:  # of the middle cell, as its voltage is
            charge = charge + np.median((self.bled - self.bled[first])[:, trusted], axis=1)
        found = []
        for part in self.flow.stretches:
            rows = settling_rows(part, seconds, before=part.last <= first)
            between = slice(part.last, first) if part.last < first else slice(last + 1, part.first)
            if len(rows) < ANCHOR_ROWS or not self.flow.quiet[between].all():
                continue
            volt = row_medians(self.readings.log.cell_voltage[rows][:, trusted])
            good = ~np.isnan(volt)
            if good.sum() >= ANCHOR_ROWS:
                level, sd = rests.settled_level(seconds[rows][good], volt[good])
                found.append((float(charge[rows[-1]]), level, sd))
        return rests.Anchors(*np.array(found).T) if found else rests.NONE
