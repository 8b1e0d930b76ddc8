"""Readings that no cell in service can have: they are the measuring chain's, and reach no estimator."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.ocv import OcvCurve

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_V, MOST_V = 0.5, 4.9
"""Below and above these a reading is not that of a cell of the usual chemistries [V] (common practice, no source): a
cell that low has given all its charge, and converters for such cells end at 5 V, where they stay when a pair of taps
or a wire is wrong."""
ABOVE_TABLE_V = 0.6
"""A table of the cell's own that goes higher moves the upper bound to this far above its top [V] (choice)."""


def bounds(curve: OcvCurve) -> tuple[float, float]:
    """Return the least and the largest reading [V] that a cell with this open-circuit curve may have."""
    return min(LEAST_V, 0.5 * float(curve.volt[0])), max(MOST_V, float(curve.volt[-1]) + ABOVE_TABLE_V)


def outside(volts: Floats, curve: OcvCurve) -> Bools | None:
    """Return (rows, cells) True where a reading is none of a cell; None where there is no such reading."""
    low, high = bounds(curve)
    if np.fmin.reduce(volts, axis=None) >= low and np.fmax.reduce(volts, axis=None) <= high:
        return None
    with np.errstate(invalid="ignore"):
        out: Bools = (volts < low) | (volts > high)
    return out if out.any() else None
