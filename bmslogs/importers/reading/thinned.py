"""A log in few rows, kept while it is read: what its pack file is held against at the end."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.base.pack_claims import Thinned, unseen_seconds
from bmslogs.importers.reading.blocks import Chunk

ROWS_A_BLOCK, MOST_ROWS = 384, 3000
"""Choice: rows kept of a block, and in all: more only cost time and memory."""
LONGEST_ROW = 10.0
"""Usual intervals that a row may stand for: what follows is a pause, and nothing is counted over it."""


class Thinner:
    """Keeps some rows of each finished block, and the charge counted over all of them."""

    def __init__(self) -> None:
        self._time: list[npt.NDArray[np.int64]] = []
        self._current: list[npt.NDArray[np.float64]] = []
        self._charge: list[npt.NDArray[np.float64]] = []
        self._unseen: list[npt.NDArray[np.float64]] = []
        self._paused, self._last = 0.0, 0
        self._cells: list[npt.NDArray[np.float32]] = []
        self._counted = 0.0
        self._rows = 0
        self._every = 1

    def add(self, chunk: Chunk) -> None:
        """Take a finished block: time [us, UTC] in order, cells (cells, rows) [mV]."""
        if not chunk.rows or not len(chunk.cells):
            return
        stride = max(1, chunk.rows // ROWS_A_BLOCK) * self._every
        keep = slice(0, chunk.rows, stride)
        self._time.append(chunk.time[keep].copy())
        paused = self._pauses(chunk.time)
        self._unseen.append(paused[keep])
        self._paused, self._last = float(paused[-1]), int(chunk.time[-1])
        self._cells.append(chunk.cells[:, keep].copy())
        if chunk.current is not None:
            drawn = np.cumsum(self._ampere_hours(chunk.time, chunk.current))
            before = drawn[keep] - drawn[0] + self._counted
            self._counted += float(drawn[-1])
            self._charge.append(before)
            self._current.append(chunk.current[keep].astype(np.float64))
        self._rows += len(self._time[-1])
        if self._rows > MOST_ROWS:
            self._halve()

    def _pauses(self, time: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Return (rows,) time [s] in pauses until each row, counted up."""
        seconds = time * 1e-6
        before = seconds[:1] if not self._rows else np.array([self._last * 1e-6])
        return self._paused + unseen_seconds(np.concatenate([before, seconds]))[1:]

    @staticmethod
    def _ampere_hours(
        time: npt.NDArray[np.int64], current: npt.NDArray[np.float32]
    ) -> npt.NDArray[np.float64]:
        """Return (rows,) charge [Ah] that came with each row; the first of a block stands for nothing."""
        step = np.diff(time, prepend=time[:1])
        if len(step) > 2:
            np.minimum(
                step, LONGEST_ROW * np.median(step[1 :: max(1, len(step) // 64)]), out=step, casting="unsafe"
            )
        out = current * step
        if not np.isfinite(out[-1]) or np.isnan(out.sum()):
            out = np.nan_to_num(out)
        return np.asarray(out * (1e-6 / 3600.0), np.float64)

    def _halve(self) -> None:
        self._time = [np.concatenate(self._time)[::2]]
        self._cells = [np.concatenate(self._cells, axis=1)[:, ::2]]
        self._unseen = [np.concatenate(self._unseen)[::2]]
        if self._charge:
            self._charge = [np.concatenate(self._charge)[::2]]
            self._current = [np.concatenate(self._current)[::2]]
        self._rows = len(self._time[0])
        self._every *= 2

    def thinned(self, cells: tuple[int, ...], sign: int, step: float) -> Thinned | None:
        """Return what was kept, the current in the sign of a discharge; None where there is nothing.

        Parameters
        ----------
        cells
            Cell numbers in the order of the columns.
        sign
            Of a discharge in the logger's current.
        step
            Step of the cell readings [V].
        """
        if not self._rows:
            return None
        time = np.concatenate(self._time)
        volts = np.concatenate(self._cells, axis=1).T.astype(np.float64) * 1e-3
        whole = bool(self._charge) and sum(map(len, self._charge)) == len(time)
        return Thinned(
            (time - time[0]) * 1e-6,
            sign * np.concatenate(self._current) if whole else None,
            sign * np.concatenate(self._charge) if whole else None,
            volts,
            cells,
            step,
            np.concatenate(self._unseen),
        )
