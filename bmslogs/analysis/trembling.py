"""Channels that tremble about one value while the others move: stuck before the converter, so that its noise goes on.

In a series string every cell answers the load. Over a run of blocks in which the means of a channel stay within a step,

    max_k |mean(V_i)_k - V_i,run| <= tol,      max_k mean(V_med)_k - min_k mean(V_med)_k >> tol,

with V_med the middle of the others, no charge, capacity or resistance explains it. Judgement: the factors.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.sensing import STUCK_LEAST_S, SensingFault, loaded, regulated
from bmslogs.base.nan_statistics import nanmax, nanmean, nanmedian, nanmin

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BLOCK_ROWS, MOST_BLOCKS = 20, 240
"""Rows of a block at least, and blocks of a log at most (choice)."""
TREMBLES_V, MOVES, MOVES_V = 0.001, 20, 0.020
"""A run holds within this, or a step of the readings where that is more, while the others move over so many times as
much, and over the last at least [V] (choice)."""
LEAST_BLOCKS = 5
FAR_V = 1.0
"""A channel that reads further from the others is no stuck cell but no cell at all: limits speak of it [V] (choice)."""


def trembling_channels(
    volts: Floats, seconds: Floats, step: float, drop: Floats | None = None, current: Floats | None = None
) -> list[SensingFault]:
    """Find channels whose reading only trembles over part of a log or all of it.

    Parameters
    ----------
    volts, seconds
        (rows, cells) single readings [V]; (rows,) [s].
    step
        Step of the readings [V].
    drop, current
        As for `sensing.stuck_channels`.
    """
    rows, cells = volts.shape
    block = max(BLOCK_ROWS, -(-rows // MOST_BLOCKS))
    count = rows // block
    if count < LEAST_BLOCKS or cells < 3:
        return []
    with np.errstate(all="ignore"):
        means = nanmean(volts[: count * block].reshape(count, block, cells), axis=1)
        centred = means - nanmedian(means, axis=0)
        middle = nanmedian(centred, axis=1)
    tolerance = max(TREMBLES_V, step)
    known = middle[np.isfinite(middle)]
    if not len(known) or not float(np.ptp(known)) > max(MOVES * tolerance, MOVES_V):
        return []
    found = []
    for cell in range(cells):
        run = _longest_within(means[:, cell], tolerance)
        if run is None:
            continue
        first, last = run
        inside = np.arange(first * block, (last + 1) * block)
        part = middle[first : last + 1]
        moved = float(nanmax(part) - nanmin(part))
        stood = float(seconds[inside[-1]] - seconds[inside[0]])
        if stood < STUCK_LEAST_S or not moved > max(MOVES * tolerance, MOVES_V):
            continue
        if not loaded(drop, inside, step) or regulated(current, volts, cell, inside):
            continue
        value = float(nanmean(means[first : last + 1, cell]))
        level = float(nanmedian(nanmedian(means, axis=0)))
        if abs(value - level) > FAR_V:
            continue
        off = float(nanmax(np.abs(part + level - value)))
        found.append(
            SensingFault(
                "channel_stuck",
                (cell,),
                off,
                f"trembles about {value:.3f} V for {stood / 60:.0f} min while the others moved "
                f"over {moved * 1e3:.0f} mV",
            )
        )
    return found if 2 * len(found) < cells else []


def _longest_within(means: Floats, tolerance: float) -> tuple[int, int] | None:
    """Return the first and last block of the longest run that stays within twice `tolerance`; None of a short one."""
    with np.errstate(invalid="ignore"):
        still = np.abs(np.diff(means)) <= tolerance
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]])))
    best: tuple[int, int] | None = None
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        length = last - first + 1
        if length < LEAST_BLOCKS or (best is not None and length <= best[1] - best[0] + 1):
            continue
        if float(np.ptp(means[first : last + 1])) <= 2.0 * tolerance:
            best = (first, last)
    return best
