"""Held frames: rows that repeat the last frame because the new one was lost."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
AROUND = 16
"""Choice [rows]: as many rows on each side say how often readings change here."""
UNLIKELY = -7.0
"""Choice: natural logarithm of the chance (about 1 in 1000) below which an unchanged row is no chance."""
REGULAR = 0.3
"""Choice: above this share of unchanged rows the logger simply refreshes slowly."""


def held_rows(cells: Floats, current: Floats | None) -> tuple[Bools, Bools]:
    """Return rows whose whole frame is held, and rows whose cells alone are.

    The test is against the movement of the rows around, not the run alone: at rest, readings repeat by chance.

    Parameters
    ----------
    cells
        (cells, rows) [mV] as read.
    current
        (rows,) [A].
    """
    rows = cells.shape[1]
    nothing = np.zeros(rows, dtype=bool)
    if rows < 4 or not len(cells):
        return nothing, nothing.copy()
    changed = np.zeros(rows, dtype=np.int32)
    with np.errstate(invalid="ignore"):
        for channel in cells:
            changed[1:] += channel[1:] != channel[:-1]
    # a missing reading is never equal to itself: rows with gaps count as changed, which is on the safe side
    same = changed == 0
    same[0] = False
    if not same.any():
        return nothing, nothing.copy()
    moved = np.ones(rows, dtype=bool)
    if current is not None:
        moved[1:] = current[1:] != current[:-1]
    m = len(cells)
    share = changed / m
    whole, alone = nothing.copy(), nothing.copy()
    if same[1:].mean() > REGULAR and moved[1:][same[1:]].mean() > 0.5:
        return whole, alone
    fresh = ~same
    fresh_at = np.flatnonzero(fresh)
    if len(fresh_at) < 8:
        return whole, alone
    # sums over the fresh rows, so that the nearest AROUND of them on either side are one subtraction
    total = np.concatenate([[0.0], np.cumsum(share[fresh_at])])
    moves = np.concatenate([[0.0], np.cumsum(moved[fresh_at])])
    quiet_total = np.concatenate([[0.0], np.cumsum(np.where(moved[fresh_at], 0.0, share[fresh_at]))])
    for r in np.flatnonzero(same):
        at = int(np.searchsorted(fresh_at, r))
        left, right = max(at - AROUND, 0), min(at + AROUND, len(fresh_at))
        n = right - left
        n_moved = moves[right] - moves[left]
        sides = [
            (total[b] - total[a]) / (b - a) for a, b in ((left, at), (at, right)) if b - a >= 4
        ]
        if not sides or n < 8:
            continue
        rate = min(sides)
        n_quiet = n - n_moved
        if current is not None and not moved[r]:
            chance_still = (n_quiet + 0.5) / (n + 1)
            if n_quiet >= 6:
                rate = (quiet_total[right] - quiet_total[left]) / n_quiet
                effective = float(m)
            else:
                effective = m / 4 if m >= 8 else m / 2
            chance = np.log(chance_still) + effective * np.log1p(-min(rate, 0.98))
            whole[r] = chance < UNLIKELY
        else:
            alone[r] = m / 2 * np.log1p(-min(rate, 0.98)) < UNLIKELY
    return whole, alone
