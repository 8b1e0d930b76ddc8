"""Scans that a logger spreads over several rows, put together again."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.importers.reading.blocks import Chunk, join_chunks
from bmslogs.importers.text.arrow import arrow_numbers

LEAST_SHARE = 0.9
"""Choice: share of rows that must follow the pattern before rows are put together."""


def find_spread(cells: npt.NDArray[np.float64]) -> int:
    """Return over how many rows each scan is spread, 1 where rows are whole.

    Parameters
    ----------
    cells
        (cells, rows) successive readings, NaN where a field is empty.
    """
    if len(cells) < 2 or cells.shape[1] < 20:
        return 1
    filled = np.isfinite(cells)
    share = filled.mean(axis=0)
    if np.mean((share > 0) & (share <= 0.7)) < LEAST_SHARE:
        return 1
    gaps = np.diff(np.flatnonzero(filled[0]))
    if not len(gaps):
        return 1
    usual = int(np.median(gaps))
    # within a scan no channel may be read twice, and all must be read
    whole = filled[:, : cells.shape[1] // usual * usual].reshape(len(cells), -1, usual).sum(axis=2)
    alike = np.mean(gaps == usual) >= LEAST_SHARE and np.mean(whole == 1) >= LEAST_SHARE
    return usual if usual > 1 and alike else 1


class Gatherer:
    """Puts the rows of each scan together; a scan begins where the first cell is read again."""

    def __init__(self) -> None:
        self._rest: Chunk | None = None

    def add(self, chunk: Chunk) -> Chunk | None:
        """Take the rows of a block; return the scans that are whole."""
        whole = join_chunks(self._rest, chunk) if self._rest is not None else chunk
        starts = _starts(whole)
        if len(starts) < 2:
            self._rest = whole
            return None
        self._rest = whole.take(slice(int(starts[-1]), None))
        out = _gathered(whole.take(slice(0, int(starts[-1]))), starts[:-1])
        out.unreadable = {k: v // 2 for k, v in chunk.unreadable.items()}
        return out

    def end(self) -> Chunk | None:
        """Return the last scan."""
        return None if self._rest is None else _gathered(self._rest, _starts(self._rest))


def _starts(chunk: Chunk) -> npt.NDArray[np.int64]:
    begins = np.isfinite(chunk.cells[0])
    begins[:1] = True
    return np.flatnonzero(begins).astype(np.int64)


def _gathered(chunk: Chunk, starts: npt.NDArray[np.int64]) -> Chunk:
    scans = len(starts)
    scan = np.repeat(np.arange(scans), np.diff(np.concatenate([starts, [chunk.rows]])))

    def first(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        out = np.full((len(values), scans), np.nan, dtype=np.float32)
        for k, row in enumerate(values):
            good = np.flatnonzero(np.isfinite(row))[::-1]
            out[k, scan[good]] = row[good]
        return out

    def any_of(flags: npt.NDArray[np.bool_] | None) -> npt.NDArray[np.bool_] | None:
        return None if flags is None else np.logical_or.reduceat(flags, starts, axis=1)

    return Chunk(
        scans,
        chunk.time[starts],
        None if chunk.current is None else first(chunk.current[None])[0],
        None if chunk.pack is None else first(chunk.pack[None])[0],
        first(chunk.cells),
        first(chunk.temperatures),
        any_of(chunk.bleed),
        any_of(chunk.bleed_known),
        {name: values.take(arrow_numbers(starts)) for name, values in chunk.others.items()},
    )
