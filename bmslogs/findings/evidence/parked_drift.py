"""Who leaks: how cells leave the median while parked, and the slope that the estimate of leaks rests on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.parked import settled_rows, straightened
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.findings.evidence.deviation import from_median
from bmslogs.findings.evidence.source import calmly

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
HOURS = 24.0


@dataclass(frozen=True)
class ParkedDrift:
    """Deviations over a time parked.

    Attributes
    ----------
    rows
        (rows,) of the log.
    days
        (rows,) since the log began [d].
    away
        (rows, cells) less the median of the cells that tell a drift [V].
    settled
        (rows,) True after the first hours, in which cells still relax.
    slope
        (cells,) drift against the middle one [V/d], negative where a cell loses charge; NaN where it is not told.
    """

    rows: Ints
    days: Floats
    away: Floats
    settled: Bools
    slope: Floats

    def line(self, column: int) -> Floats | None:
        """Return (settled rows,) the slope laid through the settled readings of a cell [V]; None where not told."""
        slope = float(self.slope[column])
        x, y = self.days[self.settled], self.away[self.settled, column]
        known = np.isfinite(y)
        if not np.isfinite(slope) or not known.any():
            return None
        return np.asarray(float(y[known].mean()) + slope * (x - float(x[known].mean())), float)


@calmly
def parked_drift(s: Study) -> ParkedDrift:
    """Return the drift of the longest time parked; of the whole log, without slopes, where none tells it."""
    untold = np.full(len(s.readings.cells), np.nan)
    try:
        of = s.parked.rows
        found = s.parked.drift[0]
        slope = found.slope * HOURS
    except NotEnoughData:
        days = s.readings.seconds / 86400.0
        return ParkedDrift(
            np.arange(len(days)),
            days,
            from_median(s.readings.log.cell_voltage, s.harness.trusted),
            np.zeros(len(days), bool),
            untold,
        )
    seconds = s.readings.seconds[of.rows]
    settled = settled_rows((seconds - seconds[0]) / 3600.0)
    # where the string walked down its curve the slope is of the readings laid along that way
    along = straightened(np.nan_to_num(of.volts), seconds, of.known) if found.straight else None
    volts = of.volts if along is None else along
    return ParkedDrift(of.rows, seconds / 86400.0, from_median(volts, of.known), settled, slope)
