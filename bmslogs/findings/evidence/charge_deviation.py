"""Empty or small: by how much charge each cell stands off the string, over the charge drawn.

The split puts every cell onto the string's curve, x_i = q_i (1 + b_i) - a_i (see `analysis.split`). Read the other way
about, q_i - x_i is the charge that cell i has more than the string: a_i where the log begins, and it falls by b_i for
each ampere-hour drawn. A point is that line plus what the split leaves of the reading, over the slope of the curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.findings.evidence.source import calmly

Floats = npt.NDArray[np.float64]

LEAST_SLOPE_V = 0.25
"""Where the curve climbs by less for a whole charge [V] a millivolt says too little to be drawn (choice)."""


@dataclass(frozen=True)
class ChargeDeviation:
    """How much fuller each cell is than the string.

    Attributes
    ----------
    drawn
        (groups,) charge drawn since the log began [Ah], positive on discharge, as the analysis counts it.
    fuller
        (groups, cells) as the readings have it [Ah], positive: fuller; NaN where the curve is too flat or the cell not
        believed.
    offset, slope
        (cells,) as the split has it: `fuller` at the first group [Ah], and its change for each Ah drawn from the cell.
    """

    drawn: Floats
    fuller: Floats
    offset: Floats
    slope: Floats

    def line(self, column: int) -> Floats:
        """Return (groups,) how much fuller a cell is by the split alone [Ah]."""
        away = self.drawn - self.drawn[0]
        return np.asarray(self.offset[column] + self.slope[column] * away, float)


@calmly
def charge_deviation(k: Knowledge) -> ChargeDeviation:
    """Return how much fuller each cell is than the string, with the line that the split laid through it.

    Raises
    ------
    NotEnoughData
        The log moved too little charge that was counted.
    """
    s = k.study
    found, rows = s.charge.split, s.grouped.rows
    place = rows.charge * (1.0 + found.b) - found.a
    growing = found.growing[:, None] * np.nan_to_num(found.r)
    load = found.polarisation[:, None] + growing - np.nan_to_num(found.rho) * rows.current[:, None]
    slope = found.slope(place)
    left = rows.volts - found.curve(place) - load
    steep = -slope * s.readings.capacity >= LEAST_SLOPE_V
    with np.errstate(all="ignore"):
        fuller = np.where(steep, rows.charge - place - left / slope, np.nan)
    return ChargeDeviation(rows.drawn, fuller, found.a, -found.b)


@calmly
def counted_charge(k: Knowledge) -> tuple[Floats, Floats | None]:
    """Return (rows,) charge drawn since the first row [Ah], and state of charge of the middle cell (0..1).

    The second is None where the log does not tell where on its curve the string stands.
    """
    drawn = k.study.flow.charge
    return drawn, k.place.soc_of(drawn)
