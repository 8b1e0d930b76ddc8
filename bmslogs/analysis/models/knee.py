"""The knee at the end of a charge on a flat curve: which cells have reached it.

On the plateau a cell climbs by a few millivolts over a per cent of charge, past the knee by tens. A cell has left the
plateau where

    dV = [V + R I]_end - [V + R I]_(end - s Q) > V_knee,

with I > 0 in discharge, R the usual resistance, which takes out the tapering of the current, and s Q a small share of
the capacity. Judgement: V_knee and s, both far from what published curves of LFP show on either side of the knee.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

KNEE_V, KNEE_SPAN = 0.010, 0.01
"""A cell has left the plateau that rises by more [V] over that last share of the capacity (choice)."""
TAPERED = 0.05
"""The charge ends where less than this share of its largest current flows (choice)."""
LEAST_ROWS, END_ROWS = 10, 5
"""Rows with current that a charge must have, and rows whose median is a level (choice)."""


def below_the_knee(
    volts: Floats, current: Floats, charged: Floats, resistance: float, capacity: float
) -> Bools:
    """Return which cells had not left the plateau when a charge ended.

    Parameters
    ----------
    volts
        (rows, cells) of one charge [V]; NaN where not read.
    current
        (rows,) [A], negative while charging.
    charged
        (rows,) charge taken in, counted from anywhere [Ah].
    resistance
        Usual resistance of a cell [ohm].
    capacity
        Nominal capacity [Ah].

    Returns
    -------
    Bools
        (cells,); all True where hardly any current flowed, or a cell was not read.
    """
    nowhere = np.ones(volts.shape[1], bool)
    flowing = np.flatnonzero(current < TAPERED * float(current.min(initial=0.0)))
    if len(flowing) < LEAST_ROWS:
        return nowhere
    end = int(flowing[-1]) + 1
    taken = charged[:end] - charged[0]
    before = int(np.searchsorted(taken, taken[-1] - KNEE_SPAN * capacity))

    def level(rows: slice) -> Floats:
        with np.errstate(all="ignore"):
            settled = volts[rows] + resistance * current[rows, None]
            return np.asarray(nanmedian(settled, axis=0), float)

    rise = level(slice(max(end - END_ROWS, 0), end)) - level(slice(max(before - 2, 0), min(before + 3, end)))
    return np.asarray(~(rise > KNEE_V), bool)
