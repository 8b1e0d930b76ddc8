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
REST_SHARE, REST_A = 0.01, 0.5
"""Choice: a current below this share of the largest, or below this many A, is rest."""
QUIET_SHARE = 0.05
"""Choice: a step of the current below this share of the usual one leaves the cells to their noise."""
REGULAR = 0.3
"""Choice: above this share of unchanged rows the logger simply refreshes slowly."""

CHANNELS_AT_ONCE = 128
"""So many can be counted in one byte."""


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
    for first in range(0, len(cells), CHANNELS_AT_ONCE):
        some = cells[first : first + CHANNELS_AT_ONCE]
        with np.errstate(invalid="ignore"):
            unlike = some[:, 1:] != some[:, :-1]
        changed[1:] += np.add.reduce(unlike.view(np.uint8), axis=0, dtype=np.uint8)
    # a missing reading is never equal to itself: rows with gaps count as changed, which is on the safe side
    same = changed == 0
    same[0] = False
    if not same.any():
        return nothing, nothing.copy()
    moved = np.ones(rows, dtype=bool)
    if current is not None:
        moved[1:] = current[1:] != current[:-1]
    share = (changed / len(cells)).astype(np.float32)
    whole, alone = nothing.copy(), nothing.copy()
    if same[1:].mean() > REGULAR and moved[1:][same[1:]].mean() > 0.5:
        return whole, alone
    fresh = ~same
    fresh_at = np.flatnonzero(fresh)
    if len(fresh_at) < 8:
        return whole, alone
    step = (
        np.abs(np.diff(current, prepend=current[:1])) if current is not None else np.zeros(rows, np.float32)
    )
    with np.errstate(invalid="ignore"):
        top = 0.0 if current is None else float(np.nanmax(np.abs(current), initial=0.0))
        resting = np.abs(current) <= max(REST_SHARE * top, REST_A) if current is not None else nothing
    at_rest, under_way, moving = same & ~moved & resting, same & ~moved & ~resting, same & moved
    around = _Around(fresh_at)
    whole[at_rest] = _held_at_rest(around, at_rest, share, resting, len(cells))
    whole[under_way] = _held_under_way(around, under_way, share, moved, step, resting, len(cells))
    alone[moving] = _held_alone(around, moving, share, cells, step, current)
    return whole, alone


class _Around:
    """Sums over the fresh rows nearest to others: the `AROUND` before and the `AROUND` behind each."""

    def __init__(self, fresh_at: npt.NDArray[np.int64]) -> None:
        self.fresh_at = fresh_at

    def sums(self, rows: Bools, values: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
        """Return the sum of `values` (one a row of the block) over the fresh rows around each of `rows`."""
        running = np.concatenate([[0.0], np.cumsum(values[self.fresh_at].astype(np.float64))])
        at = np.searchsorted(self.fresh_at, np.flatnonzero(rows))
        left, right = np.maximum(at - AROUND, 0), np.minimum(at + AROUND, len(self.fresh_at))
        return np.asarray(running[right] - running[left], dtype=np.float64)


def _chance(rate: npt.NDArray[np.float64] | float, channels: float) -> npt.NDArray[np.float64]:
    """Return the logarithm of the chance that no channel changes, each changing with this rate by itself."""
    return np.asarray(channels * np.log1p(-np.minimum(rate, 0.98)), dtype=np.float64)


def _held_at_rest(around: _Around, rows: Bools, share: Floats, resting: Bools, channels: int) -> Bools:
    """Whether repeats at rest are held: against the other rows at rest alone, where noise moves the channels."""
    n = around.sums(rows, resting)
    rate = around.sums(rows, np.where(resting, share, 0.0)) / np.maximum(n, 1)
    return (n >= 6) & (_chance(rate, channels) < UNLIKELY)


def _held_under_way(
    around: _Around, rows: Bools, share: Floats, moved: Bools, step: Floats, resting: Bools, channels: int
) -> Bools:
    """Whether repeats under load are held: an unchanged current is rare there, and noise moves the channels.

    How often noise alone moves a channel is seen where the current hardly moves: cells follow it together, so the
    rows in which it does say nothing of single channels.
    """
    n = around.sums(rows, np.ones(len(share)))
    still = around.sums(rows, ~moved)
    chance = np.log((still + 0.5) / (n + 1))
    usual = float(np.median(step[moved & ~resting])) if (moved & ~resting).any() else 0.0
    quiet = (step <= QUIET_SHARE * usual) & ~resting
    if quiet.sum() >= 20:
        chance = chance + _chance(float(share[quiet].mean()), channels)
    elif channels >= 8:
        rate = around.sums(rows, share) / np.maximum(n, 1)
        chance = chance + _chance(rate, channels / 4)
    return np.asarray((n >= 8) & (chance < UNLIKELY), dtype=bool)


def _held_alone(
    around: _Around, rows: Bools, share: Floats, cells: Floats, step: Floats, current: Floats | None
) -> Bools:
    """Whether cells that stand while the current moves are held: it moved enough that they must have followed."""
    n = around.sums(rows, np.ones(len(share)))
    rate = around.sums(rows, share) / np.maximum(n, 1)
    held = (n >= 8) & (_chance(rate, len(cells) / 2) < UNLIKELY)
    if current is None or not held.any():
        return held
    with np.errstate(all="ignore"):
        answer = np.diff(cells.mean(axis=0), prepend=np.nan)
        change = np.diff(current, prepend=np.nan)
        good = np.isfinite(answer) & np.isfinite(change) & ~rows
        if good.sum() < 30:
            return np.zeros_like(held)
        slope = float(answer[good] @ change[good] / max(float(change[good] @ change[good]), 1e-30))
        scatter = float(np.std(answer[good] - slope * change[good]))
        steps = np.abs(np.diff(cells[0]))
        finest = float(np.min(steps[steps > 0], initial=np.inf))
    enough = np.abs(slope) * step[rows] > 3 * scatter + 1.5 * (finest if np.isfinite(finest) else 0.0)
    return np.asarray(held & enough, dtype=bool)
