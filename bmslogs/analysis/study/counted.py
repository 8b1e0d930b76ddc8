"""Charge counted: by the current, and by the commands to bleed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import polarisation, rests
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.models.counted_charge import bled_charge, longest_count, settling_rows
from bmslogs.analysis.sampling import row_medians
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.samples import Samples
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ANCHOR_ROWS = 4
"""A rest of fewer rows settles nothing (choice)."""
FIRST_IDLE_C_RATE, FIRST_IDLE_S, FIRST_IDLE_SD_V = 0.03, 60.0, 0.010
"""A log that begins with so little current (share of the capacity per hour) for as long [s], and stands still for that
time, shows about where it is, to so many volts: enough to hold the pack file against it, not to measure by (choice)."""
FIRST_IDLE_ROWS = 5
"""Rows at its beginning and its end that tell whether it stands still (choice)."""


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

    @property
    def hours(self) -> float:
        """Time over which charge is counted without a break [h]."""
        seconds = self.samples.kept.seconds[self.piece]
        return float(seconds[-1] - seconds[0]) / 3600.0

    @property
    def span(self) -> float:
        """Most less least charge drawn over that time [Ah]."""
        return float(np.ptp(self.samples.kept.charge[self.piece]))

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

    @cached_property
    def all_along(self) -> Floats:
        """(rows,) charge drawn since the first row [Ah], whatever the pack was doing: parked as well."""
        current = np.nan_to_num(self.flow.current)
        return polarisation.charge_drawn(current, self.readings.seconds, self.flow.section)

    @property
    def anchors_with_first_rows(self) -> rests.Anchors:
        """The anchors and, where none begins the log, its first minute without a load worth the name."""
        seconds, found, capacity = self.readings.seconds, self.anchors, self.readings.capacity
        loaded = np.flatnonzero(~(np.abs(self.flow.current) < FIRST_IDLE_C_RATE * capacity))
        rows = slice(0, int(loaded[0]) if len(loaded) else len(seconds))
        if rows.stop < FIRST_IDLE_ROWS or not len(self.piece):
            return found
        at = float(self.all_along[rows.stop - 1] - self.all_along[self.samples.kept.row[self.piece[0]]])
        known = len(found.charge) and float(np.abs(found.charge - at).min()) < FIRST_IDLE_C_RATE * capacity
        if known or seconds[rows.stop - 1] - seconds[0] < FIRST_IDLE_S:
            return found
        level = row_medians(self.readings.log.cell_voltage[rows][:, self.harness.trusted])
        first, last = (float(nanmedian(part)) for part in (level[:FIRST_IDLE_ROWS], level[-FIRST_IDLE_ROWS:]))
        if not abs(last - first) < FIRST_IDLE_SD_V:  # it still recovers from a load that came before
            return found
        return rests.Anchors(
            np.append(found.charge, at), np.append(found.volt, last), np.append(found.sd, FIRST_IDLE_SD_V)
        )
