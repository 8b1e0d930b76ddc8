"""Rows that stand in the file a second time, stamp and readings: what a logger wrote again, or parts that overlap."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.importers.reading.blocks import Chunk

Bools = npt.NDArray[np.bool_]
UInt64s = npt.NDArray[np.uint64]
REMEMBERED = 1 << 17
"""Choice [rows]: what is repeated from further back is taken for a clock that was set back; bounds the memory."""


class Repeats:
    """Finds rows that say what an earlier row said, at the same stamp, where the clock has stepped back."""

    def __init__(self) -> None:
        self._keys = np.empty(0, dtype=np.uint64)
        self._high: int | None = None

    def find(self, chunk: Chunk) -> Bools:
        """Return which rows of a block are repeated."""
        keys = _keys(chunk)
        high = np.maximum.accumulate(chunk.time)
        before = np.concatenate([[self._high if self._high is not None else chunk.time[0]], high[:-1]])
        if self._high is not None:
            before = np.maximum(before, self._high)
        behind = chunk.time <= before
        behind[:1] &= self._high is not None
        out = np.zeros(chunk.rows, dtype=bool)
        if (chunk.time < before).any():
            known = np.concatenate([self._keys, keys])
            _, first = np.unique(known, return_index=True)
            again = np.ones(len(known), dtype=bool)
            again[first] = False
            out = again[len(self._keys) :] & behind & _runs(chunk.time < before)
        self._keys = np.concatenate([self._keys, keys])[-REMEMBERED:]
        self._high = max(int(high[-1]), self._high if self._high is not None else int(high[-1]))
        return out


def _runs(back: Bools) -> Bools:
    """Return rows that lie behind a step back, up to and with the row that comes up with the clock again."""
    out = back.copy()
    out[1:] |= back[:-1]
    return out


def _keys(chunk: Chunk) -> UInt64s:
    """Return a number for each row that tells it from all others, nearly surely."""
    key = chunk.time.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    blocks = [chunk.cells, chunk.temperatures, None if chunk.current is None else chunk.current[None]]
    factor = 0xBF58476D1CE4E5B9
    with np.errstate(over="ignore"):
        for block in blocks:
            for row in block if block is not None else ():
                bits = np.ascontiguousarray(row, dtype=np.float32).view(np.uint32).astype(np.uint64)
                key = (key ^ (bits + np.uint64(0x94D049BB))) * np.uint64(factor)
                key ^= key >> np.uint64(29)
    return np.asarray(key, dtype=np.uint64)
