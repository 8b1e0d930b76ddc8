"""Neighbouring cells that lose alike while parked: something is fed from them, they do not leak one by one.

A supply, a converter or a measuring board draws one current from all cells between its two wires. Against the other
cells of the string such a block stands at one level with sharp edges; cells that discharge themselves do so each at its
own rate, and a gradient of warmth has no edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.statistics import robust_scale

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_CELLS = 3
"""Two neighbours may leak alike by chance (judgement, no source)."""
ALIKE, EDGE = 0.2, 0.35
"""Within a block cells lie within the first of its level, the cells beside it below the second, as fractions
(judgement, no source): the slope of the curve at each cell's own charge makes that difference."""
SURE = 4.0
"""The level stands so many times above the scatter of the other cells (judgement, no source)."""
MOST_BLOCKS = 3


@dataclass(frozen=True)
class Block:
    """Cells `first` to `last` (columns, inclusive) that draw `amps` more than the others, `half` its half width [A].

    `beyond` are those of them that lose more than that by themselves.
    """

    first: int
    last: int
    amps: float
    half: float
    beyond: tuple[int, ...] = ()

    @property
    def columns(self) -> list[int]:
        """The columns."""
        return list(range(self.first, self.last + 1))


def supply_blocks(
    amps: Floats, half: Floats, known: Bools, least: float, groups: list[list[int]]
) -> list[Block]:
    """Find blocks of neighbours that draw alike.

    Parameters
    ----------
    amps, half
        (cells,) leak against any common level, and its half width [A].
    known
        (cells,) where there is a value.
    least
        Least leak of practical weight [A].
    groups
        Columns of each module and board: a group of two that draws alike is a block as well.
    """
    out: list[Block] = []
    left = known & np.isfinite(amps)
    for _ in range(MOST_BLOCKS):
        best: tuple[float, Block] | None = None
        # sorted once: the medians of so many runs are then read off
        rising = np.flatnonzero(left)[np.argsort(amps[left], kind="stable")]
        for first, last in _spans(left, groups):
            beside = (rising < first) | (rising > last)
            base, level = _middle(amps[rising[beside]]), _middle(amps[rising[~beside]])
            if level - base < least:
                continue
            found = _level(amps, half, left, first, last, base, level - base)
            if found is not None and (best is None or found[0] < best[0]):
                best = found
        if best is None:
            break
        out.append(best[1])
        left[best[1].columns] = False
    return out


def _spans(left: Bools, groups: list[list[int]]) -> list[tuple[int, int]]:
    """Return the runs of neighbours that may be a block: some cells must be left beside it to be measured by."""
    n = len(left)
    out = []
    for first in range(n):
        for last in range(first + 1, n):
            if not left[last] or not left[first]:
                break
            inside = last - first + 1
            if (inside >= LEAST_CELLS or list(range(first, last + 1)) in groups) and left.sum() - inside >= 3:
                out.append((first, last))
    return out


def _middle(rising: Floats) -> float:
    """Return the median of sorted values."""
    return float((rising[(len(rising) - 1) // 2] + rising[len(rising) // 2]) / 2.0)


def _level(
    amps: Floats, half: Floats, left: Bools, first: int, last: int, base: float, level: float
) -> tuple[float, Block] | None:
    """Return how badly a run of cells is met by one level above `base`, and the block; None where it is none."""
    block = np.zeros(len(left), bool)
    block[first : last + 1] = True
    block &= left
    others = left & ~block
    if level < float(np.median(half[block])):
        return None
    rise = (amps - base) / level
    beside = [k for k in (first - 1, last + 1) if 0 <= k < len(left) and left[k]]
    scatter = robust_scale(np.where(others, amps, np.nan), 0.0)
    away = ALIKE + 2.0 * scatter / level
    beyond = block & (rise > 1.0 + away)
    alike = block & (np.abs(rise - 1.0) <= away)
    # one that leaks by itself is fed from as well, and no edge
    if (block & ~alike & ~beyond).any() or beyond[first] or beyond[last] or level < SURE * scatter:
        return None
    if alike.sum() < min(LEAST_CELLS, block.sum()) or beyond.sum() > 0.34 * block.sum():
        return None
    if any(rise[k] > EDGE for k in beside) or (rise[others] > 0.6).mean() > 0.25:
        return None
    width = float(np.median(half[block]) / np.sqrt(block.sum()) + scatter / np.sqrt(others.sum()))
    width = float(np.hypot(width, ALIKE * level))
    misfit = float(((rise - block) ** 2)[left].clip(max=1.0).sum())
    return misfit, Block(first, last, level, width, tuple(np.flatnonzero(beyond).tolist()))
