"""What a block of readings says on the sign of its current: mean of the cells, counters, mode column."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from bmslogs.importers.plan.beside import Beside, Mode
from bmslogs.importers.plan.sign_evidence import SignEvidence
from bmslogs.importers.text.arrow import numpy_of

if TYPE_CHECKING:
    from bmslogs.importers.reading.blocks import Chunk

MOST_CELLS = 12
"""Choice: the mean of as many cells is enough."""
LEAST_MV, MOST_MV = 500, 5000
"""Readings beyond are of no cell [mV]."""


def sound_cells(cells: npt.NDArray[np.float32]) -> npt.NDArray[np.int64]:
    """Return the columns of a block (cells, rows) [mV] whose mean tells how the string answers the current.

    Beside a swapped or open tap readings go in and out of range with the load, and would turn the sign.
    """
    inside = ((cells > LEAST_MV) & (cells < MOST_MV)) | np.isnan(cells)
    sound = np.flatnonzero(inside.mean(axis=1) > 0.98)
    if not len(sound):
        sound = np.arange(len(cells))
    return np.asarray(sound[:: max(len(sound) // MOST_CELLS, 1)], dtype=np.int64)


def add_to_evidence(
    evidence: SignEvidence, chunk: Chunk, beside: Beside, sound: npt.NDArray[np.int64]
) -> None:
    """Add a finished block to the evidence, by the cells `sound`."""
    assert chunk.current is not None
    picked = chunk.cells[sound]
    total = picked.sum(axis=0)
    low, high = picked.min(initial=np.inf), picked.max(initial=-np.inf)
    if not (low > LEAST_MV and high < MOST_MV):
        whole = ((picked > LEAST_MV) & (picked < MOST_MV)).all(axis=0)
        total = np.where(whole, total, np.nan)
    counters = np.array([_numbers(chunk.others.get(c.target), chunk.rows) for c in beside.counters])
    mode = beside.mode
    said = (
        directions(chunk.others[mode.target], mode)
        if mode is not None and mode.target in chunk.others
        else None
    )
    evidence.add(
        chunk.time,
        chunk.current.astype(np.float64),
        total.astype(np.float64) / (1e3 * len(picked)),
        counters.reshape(len(beside.counters), chunk.rows),
        said,
    )


def _numbers(column: Any, rows: int) -> npt.NDArray[np.float64]:
    """Return a counter's readings; one that turned out to hold text says nothing."""
    if column is None or not pa.types.is_floating(column.type):
        return np.full(rows, np.nan)
    return np.asarray(numpy_of(column), dtype=np.float64)


def directions(texts: Any, mode: Mode) -> npt.NDArray[np.int8]:
    """Return what each text of a mode column says: 1 discharge, -1 charge, 0 neither."""
    known = dict(mode.directions)
    encoded = texts.dictionary_encode()
    says = [known.get((t or "").strip(), 0) for t in encoded.dictionary.to_pylist()]
    codes = encoded.indices
    values = (
        np.frombuffer(codes.buffers()[1], np.int32)[codes.offset : codes.offset + len(codes)]
        if len(codes)
        else None
    )
    if values is None:
        return np.empty(0, dtype=np.int8)
    if codes.null_count:
        known_rows = np.unpackbits(np.frombuffer(codes.buffers()[0], np.uint8), bitorder="little")
        there = known_rows[codes.offset : codes.offset + len(codes)] == 1
        values = np.where(there, values, len(says))
    return np.array([*says, 0], dtype=np.int8)[values]
