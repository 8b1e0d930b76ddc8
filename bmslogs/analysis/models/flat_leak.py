"""A leak that takes a parked cell off the flat of its curve: not to be sized, but not to be missed either.

On a flat curve what a cell lost hardly shows in its voltage. One that falls all the same by more than the others'
scatter has gone at least as far along the curve as its steepest part near there would make of that fall:

    I >= (dV - margin) Q / (u'_max t),

with dV the fall against the middle cell over the time t, Q the capacity, u'_max the largest slope of the table about
the voltages passed: piece by piece, so that a cell that fell on into the knee at empty is not taken to have lost all of
that on the flat, and none is told to have lost less for having fallen further. Judgement: the margins.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.parked import Drift
from bmslogs.analysis.statistics import robust_scale
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_V, SCATTERS = 0.008, 8.0
"""A cell must fall by as much against the middle one [V], and by so many times the others' scatter (choice)."""
WITHIN_V, STEEPER = 0.03, 1.6
"""The steepest part of the table is looked for so far from the level [V], and other cells' may be steeper by so many
times (judgement)."""
KNEE_WITHIN_V = 0.01
"""The same further down, where the fall itself shows the knee that was passed [V] (judgement)."""
LEAST_SLOPE_V = 0.05
"""No flatter a part counts [V per unit of charge] (judgement)."""
PIECE_V = 0.002
"""Length of a piece of the way down [V] (numerical)."""


def flat_leaks(found: Drift, level: float, curve: OcvCurve, capacity: float, trusted: Bools) -> Floats:
    """Return the least leak of each cell against the middle one [A]; nought where none is sure.

    Parameters
    ----------
    found
        Drifts over the parked time [V/h].
    level
        Mean voltage there [V].
    curve, capacity
        Open-circuit table; nominal capacity [Ah].
    trusted
        (cells,) cells whose readings count.
    """
    fall = -np.nan_to_num(found.slope) * found.hours
    out = np.zeros(len(fall))
    if trusted.sum() < 4 or not found.hours > 0:
        return out
    fall = fall - float(median(fall[trusted]))
    scatter = robust_scale(fall[trusted], 0.0005)
    sure = trusted & (fall > LEAST_V) & (fall > SCATTERS * scatter)
    out[sure] = _least_share(fall[sure] - 3.0 * scatter, level, curve) * capacity / found.hours
    return out


def _least_share(fall: Floats, level: float, curve: OcvCurve) -> Floats:
    """Return (n,) the least share of charge that takes a cell down by `fall` [V] from `level` [V]."""
    z = np.linspace(0.02, 0.98, 193)
    near = np.abs(curve.voltage(z) - level) < WITHIN_V
    here = float(np.max(curve.slope(z)[near], initial=LEAST_SLOPE_V))
    down = np.arange(0.0, float(np.max(fall, initial=0.0)) + PIECE_V, PIECE_V)
    about = level - down[:, None] + np.linspace(-KNEE_WITHIN_V, KNEE_WITHIN_V, 5)
    # within reach of the level itself the place is not known, and its steepest part stands for all
    steepest = np.where(
        down > WITHIN_V, np.maximum(curve.slope(curve.inverse(about)).max(axis=1), here), here
    )
    steepest[level - down < curve.volt[0]] = np.inf  # what is empty loses no more
    share = np.concatenate([[0.0], np.cumsum(PIECE_V / (STEEPER * steepest))])
    return np.asarray(np.interp(fall, PIECE_V * np.arange(len(share)), share), float)
