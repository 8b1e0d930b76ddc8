"""Emptier or smaller: a cell that is first at an end, told by where it stood when the charge or discharge began.

A cell of capacity Q (1 + x) that begins o ahead (share of charge, in the direction in which it leads) is ahead, after
the charge q was moved, by

    L = o + q/Q (1 / (1 + x) - 1).

With L at least L_low and o at most o_high its shortfall -x is at least r / (1 + r), with r = (L_low - o_high) Q / q.
Judgement: the errors of o.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.ocv import OcvCurve
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SLOPE_ERROR = 0.35
"""How well the table of a chemistry tells the slope of other cells' curve at one place, as a fraction (half width,
choice)."""
NEAR_V = 0.02
"""The least slope within so many volts counts: a kink of these cells' curve may lie elsewhere (choice)."""


def ahead_at_start(
    level: Floats, level_sd: Floats, curve: OcvCurve, trusted: Bools, sign: int
) -> tuple[Floats, Floats]:
    """Return how far each cell was ahead of the middle one at rest, and the half width, as shares of charge.

    Parameters
    ----------
    level, level_sd
        (cells,) settled voltage and its standard deviation against the others [V].
    curve
        Open-circuit table.
    trusted
        (cells,) cells whose readings count.
    sign
        1 where the fuller cell leads (a charge follows), -1 where the emptier one does.

    Returns
    -------
    (cells,) twice; infinite half widths where the curve is too flat there to tell.
    """
    middle = float(nanmedian(level[trusted]))
    z = curve.inverse(level)
    out = sign * (z - float(curve.inverse(np.array([middle]))[0]))
    low, high = np.minimum(level, middle) - NEAR_V, np.maximum(level, middle) + NEAR_V
    grid = np.linspace(0.0, 1.0, 401)
    slope, volt = curve.slope(grid), curve.voltage(grid)
    half = np.full(len(level), np.inf)
    for i in range(len(level)):
        near = (volt >= low[i]) & (volt <= high[i])
        least = float(slope[near].min(initial=np.inf)) if near.any() else 0.0
        beyond = level[i] > volt[-1] or level[i] < volt[0]  # the table does not say how far
        if np.isfinite(level[i]) and least > 0 and not beyond:
            half[i] = np.hypot(1.96 * level_sd[i] / least, SLOPE_ERROR * out[i])
    return np.where(np.isfinite(level), out, 0.0), half


def least_shortfall(lead: Floats, ahead: Floats, half: Floats, moved: Floats) -> Floats:
    """Return by how much each cell is smaller than the middle one at least, as a fraction; nought where it need not be.

    Parameters
    ----------
    lead
        (cells,) lead at the end, nought or more: its least for the least shortfall, its most for the most.
    ahead, half
        (cells,) from `ahead_at_start`; `half` may be negative for the other bound.
    moved
        (cells,) charge moved in between, as a share of the nominal capacity.
    """
    with np.errstate(all="ignore"):
        ratio = (lead - np.maximum(ahead + half, 0.0)) / moved
        return np.where((lead > 0) & (moved > 0) & (ratio > 0), ratio / (1.0 + ratio), 0.0)
