"""What a cell lost while the logger slept: two rests, and hours between them of which nothing is known.

A string that stands behind such a pause as it stood before was not used in it. A cell that fell meanwhile, and below
the others, lost charge by itself: a balancer that goes on while the logger sleeps takes from the fullest cells, and no
more than brings them level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.statistics import LEAST_CELLS, robust_scale
from bmslogs.analysis.stretches import PARKED_LEAST_S, Stretch
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SETTLED_S, LEVEL_S, LEVEL_ROWS = 300.0, 120.0, 5
"""The rest before a pause has lasted so long, and the levels on either side are medians over so long and of so many
rows (choice)."""
AS_IT_WAS_V = 0.005
"""A pack that was used comes back to within so much of the voltage it had by chance only [V] (choice)."""
FELL_LEAST_V, FELL_SCATTERS, BELOW_V, BELOW_SCATTERS = 0.006, 8.0, 0.004, 3.0
"""A cell must have fallen against the others by the first [V] and so many of their scatters, and stand below them by
the third and so many of theirs (choice)."""


@dataclass(frozen=True)
class Asleep:
    """The longest pause between two rests.

    Attributes
    ----------
    hours
        How long it was [h].
    fell_V
        (cells,) fall over the pause against the median cell [V]; NaN where not known.
    scatter_V
        How far the falls of most cells scatter, one sd [V].
    below_V, level_V
        (cells,) how far each stands below the median cell behind the pause, and where that stands [V].
    fallen
        (cells,) True where a cell surely fell by itself.
    """

    hours: float
    fell_V: Floats
    scatter_V: float
    below_V: Floats
    level_V: float
    fallen: Bools


def lost_asleep(
    stretches: Sequence[Stretch], seconds: Floats, volts: Floats, trusted: Bools, step_V: float
) -> Asleep | None:
    """Return what was lost over the longest pause between two rests; None where there is none, or the pack was used.

    Parameters
    ----------
    stretches
        What the pack did, in order.
    seconds
        (rows,) [s].
    volts, trusted
        (rows, cells) [V]; (cells,) True where the readings count.
    step_V
        Step of the readings [V].
    """
    pauses = [
        (float(seconds[after.first] - seconds[before.last]), before, after)
        for before, after in pairwise(stretches)
        if before.kind in ("rest", "parked")
        and after.kind in ("rest", "parked")
        and before.last + 1 == after.first
    ]
    long = [
        p for p in pauses if p[0] >= PARKED_LEAST_S and seconds[p[1].last] - seconds[p[1].first] >= SETTLED_S
    ]
    if not long or trusted.sum() < LEAST_CELLS:
        return None
    pause_s, before, after = max(long, key=lambda p: p[0])
    first = _level(volts, seconds, before, seconds[before.last])
    last = _level(volts, seconds, after, seconds[after.first])
    if first is None or last is None:
        return None
    known = trusted & np.isfinite(first) & np.isfinite(last)
    if known.sum() < LEAST_CELLS or abs(float(np.median((last - first)[known]))) > AS_IT_WAS_V:
        return None
    fell = first - last
    fell = fell - float(np.median(fell[known]))
    level = float(np.median(last[known]))
    below = level - last
    scatter = robust_scale(fell[known], step_V / 4.0)
    apart = robust_scale(below[known], step_V / 4.0)
    fallen = known & (np.nan_to_num(fell) > max(FELL_LEAST_V, FELL_SCATTERS * scatter))
    fallen &= np.nan_to_num(below) > max(BELOW_V, BELOW_SCATTERS * apart)
    return Asleep(pause_s / 3600.0, fell, scatter, below, level, fallen)


def _level(volts: Floats, seconds: Floats, part: Stretch, at: float) -> Floats | None:
    """Return (cells,) the level at one end of a rest [V]; None where it has too few rows."""
    rows = np.arange(part.first, part.last + 1)
    rows = rows[np.abs(seconds[rows] - at) <= LEVEL_S]
    if len(rows) < LEVEL_ROWS:
        return None
    with np.errstate(all="ignore"):
        return np.asarray(nanmedian(volts[rows], axis=0), float)
