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
    share = changed / len(cells)
    whole, alone = nothing.copy(), nothing.copy()
    if same[1:].mean() > REGULAR and moved[1:][same[1:]].mean() > 0.5:
        return whole, alone
    fresh = ~same
    fresh_at = np.flatnonzero(fresh)
    if len(fresh_at) < 8:
        return whole, alone
    resting = np.zeros(rows, dtype=bool)
    if current is not None:
        with np.errstate(invalid="ignore"):
            resting = np.abs(current) <= max(
                REST_SHARE * float(np.nanmax(np.abs(current), initial=0.0)), REST_A
            )
    judge = _Judge(share[fresh_at], moved[fresh_at], resting[fresh_at], len(cells))
    for r in np.flatnonzero(same):
        at = int(np.searchsorted(fresh_at, r))
        if current is None or moved[r]:
            alone[r] = judge.cells_alone(at)
        elif resting[r]:
            whole[r] = judge.at_rest(at)
        else:
            whole[r] = judge.under_way(at)
    return whole, alone


class _Judge:
    """Chances from the fresh rows around, each by one subtraction of running sums."""

    def __init__(self, share: npt.NDArray[np.float64], moved: Bools, resting: Bools, channels: int) -> None:
        self.channels = channels
        self.size = len(share)
        self.share = _running(share)
        self.moved = _running(moved)
        self.still = _running(~moved)
        self.still_share = _running(np.where(moved, 0.0, share))
        self.rest = _running(resting)
        self.rest_share = _running(np.where(resting, share, 0.0))

    def _window(self, at: int) -> tuple[int, int]:
        return max(at - AROUND, 0), min(at + AROUND, self.size)

    def _rate(self, at: int) -> float:
        """Return the share of channels that change from row to row, on the quieter side."""
        left, right = self._window(at)
        sides = [
            (self.share[b] - self.share[a]) / (b - a) for a, b in ((left, at), (at, right)) if b - a >= 4
        ]
        return float(min(sides)) if sides and right - left >= 8 else 0.0

    def cells_alone(self, at: int) -> bool:
        """Whether cells that stand while the current moves are held."""
        return bool(self.channels / 2 * np.log1p(-min(self._rate(at), 0.98)) < UNLIKELY)

    def at_rest(self, at: int) -> bool:
        """Whether a repeat at rest is held: against other rows at rest alone, where channels move by themselves."""
        left, right = self._window(at)
        n = self.rest[right] - self.rest[left]
        if n < 6:
            return False
        rate = (self.rest_share[right] - self.rest_share[left]) / n
        return bool(self.channels * np.log1p(-min(rate, 0.98)) < UNLIKELY)

    def under_way(self, at: int) -> bool:
        """Whether a repeat under load is held: an unchanged current is rare itself, and cells move together."""
        left, right = self._window(at)
        n = right - left
        still = self.still[right] - self.still[left]
        rate, effective = self._rate(at), self.channels / (4 if self.channels >= 8 else 2)
        if still >= 6:
            rate = (self.still_share[right] - self.still_share[left]) / still
            effective = float(self.channels)
        chance = np.log((still + 0.5) / (n + 1)) + effective * np.log1p(-min(rate, 0.98))
        return bool(rate > 0 and chance < UNLIKELY)


def _running(values: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
    return np.concatenate([[0.0], np.cumsum(values.astype(np.float64))])
