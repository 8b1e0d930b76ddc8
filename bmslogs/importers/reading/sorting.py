"""Rows that stand a few rows from their place, as several writers leave them, sorted by their stamps.

Such rows are told from a clock that was set back by their density: rows in disorder fill the time that they take as the
others do, while a clock that was set back passes the same time twice.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.importers.reading.blocks import Chunk, join_chunks

Int64s = npt.NDArray[np.int64]
FURTHEST = 128
"""Choice [rows]: no writer is further behind; what is held in memory for sorting is bounded by it."""
WINDOW = 2 * FURTHEST
"""Rows over which disorder is looked for: a row that goes further is seen to do so."""
DENSE = 1.5
"""Choice: rows of a clock that was set back stand twice as dense as others, rows in disorder just as dense."""
GAP = 5.0
"""Choice [usual steps]: between rows in disorder no pause lies; what is further off has a wrong stamp."""
SHORT, MANY = 8, 3
"""Choice [rows, runs]: where this many runs are mere disorder, short ones are taken for it whatever their density."""


def order_of(time: Int64s) -> tuple[Int64s, int] | None:
    """Return the order of rows that sorts what is in disorder, and how many rows it moves; None where none is.

    Parameters
    ----------
    time
        (rows,) stamps [us] in the order of the file.
    """
    if len(time) < 3 or not (np.diff(time) < 0).any():
        return None
    before, behind = time.copy(), time.copy()
    for shift in (1, 2, 4, 8, 16, 32, 64, 128):
        before[shift:] = np.maximum(before[shift:], before[:-shift].copy())
        behind[:-shift] = np.minimum(behind[:-shift], behind[shift:].copy())
    # rows of one stamp stay together: time that passes twice repeats its stamps
    cuts = np.concatenate([[0], np.flatnonzero(before[:-1] < behind[1:]) + 1, [len(time)]])
    runs = np.unique(np.searchsorted(cuts, np.flatnonzero(np.diff(time) < 0), side="right") - 1)
    rate, usual = _rate(time)
    able: list[tuple[int, Int64s, bool]] = []
    for k in runs.tolist():
        first, end = int(cuts[k]), int(cuts[k + 1])
        part = time[first:end]
        order = np.argsort(part, kind="stable")
        near = np.abs(order - np.arange(len(order))).max() <= FURTHEST
        if near and np.diff(part[order]).max() <= GAP * usual:
            able.append((first, order, len(part) * rate <= DENSE * (float(np.ptp(part)) + usual)))
    sure = sum(good for *_, good in able)
    whole = np.arange(len(time))
    for first, order, good in able:
        if good or (sure >= MANY and len(order) <= SHORT):
            whole[first : first + len(order)] = first + order
    moved = int((whole != np.arange(len(time))).sum())
    return (whole, moved) if moved else None


def _rate(time: Int64s) -> tuple[float, float]:
    """Return the usual time a row takes, shared stamps counted, and the usual step from stamp to stamp [us]."""
    steps = np.diff(np.sort(time))
    forward = steps[steps > 0]
    if not len(forward):
        return 0.0, 0.0
    usual = float(np.median(forward))
    return float(np.mean(np.minimum(steps, GAP * usual))), usual


def _joined(chunks: list[Chunk]) -> Chunk:
    """Return chunks as one, joined two by two."""
    while len(chunks) > 1:
        pairs = [chunks[k : k + 2] for k in range(0, len(chunks), 2)]
        chunks = [join_chunks(*pair) if len(pair) == 2 else pair[0] for pair in pairs]
    return chunks[0]


class Sorter:
    """Sorts rows over the borders of blocks: the last rows wait for those behind.

    Parameters
    ----------
    everything
        Whether all rows wait: blocks of them stand in another order than that of time.
    """

    def __init__(self, everything: bool = False) -> None:
        self.everything = everything
        self._all: list[Chunk] = []
        self._rest: Chunk | None = None
        self._numbers = np.empty(0, dtype=np.int64)
        self._given = 0
        self._next = 0
        self.moved = 0

    def add(self, chunk: Chunk) -> Chunk:
        """Take the rows of a block; return those that nothing behind can come before."""
        if self.everything:
            self._all.append(chunk)
            return chunk.take(slice(0, 0))
        whole = self._sorted(chunk)
        keep = max(whole.rows - 2 * WINDOW, 0)
        self._rest = whole.take(slice(keep, None))
        return self._gone(whole, keep)

    def end(self) -> Chunk | None:
        """Return the rows that waited."""
        if self._all:
            whole = _joined(self._all)
            self._all = []
            order = np.argsort(whole.time, kind="stable")
            self.moved = int((order != np.arange(whole.rows)).sum())
            return whole.take(order)
        if self._rest is None:
            return None
        rest, self._rest = self._rest, None
        return self._gone(rest, rest.rows)

    def _sorted(self, chunk: Chunk) -> Chunk:
        numbers = np.arange(self._next, self._next + chunk.rows)
        self._next += chunk.rows
        self._numbers = np.concatenate([self._numbers, numbers])
        whole = chunk if self._rest is None else join_chunks(self._rest, chunk)
        found = order_of(whole.time)
        if found is None:
            return whole
        self._numbers = self._numbers[found[0]]
        return whole.take(found[0])

    def _gone(self, whole: Chunk, keep: int) -> Chunk:
        places = np.arange(self._given, self._given + keep)
        self.moved += int((self._numbers[:keep] != places).sum())
        self._given += keep
        self._numbers = self._numbers[keep:]
        return whole.take(slice(0, keep))
