"""What a sample of a log holds on the sign of its current, so that a plan may be right before the whole is read."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.importers.plan.beside import Beside, Mode
from bmslogs.importers.plan.clock import Clock
from bmslogs.importers.plan.plan import Taken
from bmslogs.importers.plan.sign_evidence import Floats, Int64s, SignEvidence
from bmslogs.importers.recognise.cells import Cells
from bmslogs.importers.text.arrow import arrow_numbers
from bmslogs.importers.text.sample import Sample
from bmslogs.importers.text.stamps import MISSING

WINDOW_US = 10**12
"""Choice [us]: windows without a clock are set so far apart that a pause is seen between them."""


def sampled_evidence(
    sample: Sample,
    clock: Clock | None,
    current: Floats,
    cells: Cells,
    beside: Beside,
    taken: dict[int, Taken],
) -> SignEvidence:
    """Gather the evidence of a sample.

    Parameters
    ----------
    current
        [A] of every row, in the logger's sign.
    beside
        The counters and the mode column.
    taken
        The columns by their place in the file.
    """
    evidence = SignEvidence(tuple(c.direction for c in beside.counters))
    at = {t.target: i for i, t in taken.items() if t.target}
    time, volts = _stamps(sample, clock), mean_cells(sample, cells)
    counters = np.array([sample.columns[at[c.target]].values for c in beside.counters])
    counters = counters.reshape(len(beside.counters), sample.rows)
    mode = _directions(sample, at[beside.mode.target], beside.mode) if beside.mode is not None else None
    for w in np.unique(sample.window):
        here = np.flatnonzero((sample.window == w) & (time != MISSING))
        if len(here) > 1 and time[here[-1]] < time[here[0]]:
            here = here[::-1]
        evidence.add(
            time[here],
            current[here],
            volts[here],
            counters[:, here],
            mode[here] if mode is not None else None,
        )
    return evidence


def _directions(sample: Sample, index: int, mode: Mode) -> npt.NDArray[np.int8]:
    known = dict(mode.directions)
    return np.array([known.get(t or "", 0) for t in sample.columns[index].texts], dtype=np.int8)


def _stamps(sample: Sample, clock: Clock | None) -> Int64s:
    if clock is None:
        return np.asarray(np.arange(sample.rows) * 1_000_000 + sample.window * WINDOW_US, dtype=np.int64)
    return stamps_of(sample, clock)


def stamps_of(sample: Sample, clock: Clock) -> Int64s:
    """Return the local stamps of the sample's rows [us]."""
    import pyarrow as pa

    columns = []
    for i in clock.columns:
        column = sample.columns[i]
        if clock.kind == "number":
            columns.append(arrow_numbers(column.values))
        else:
            columns.append(pa.chunked_array([column.array]))
    part = None if clock.fraction is None else sample.columns[clock.fraction.index].values
    time = clock.raw(columns, part)
    return (
        time if clock.steady is None else clock.steady.right(time, sample.columns[clock.steady.index].values)
    )


def mean_cells(sample: Sample, cells: Cells) -> Floats:
    """Return the mean cell voltage [V] of every row of the sample."""
    block = np.array([sample.columns[i].values for i in cells.columns.values()]) * cells.unit.scale
    minus = block < -0.5
    if minus.any():
        # a sign that is a mark, not a voltage
        block[minus & (np.abs(block + np.nanmedian(np.abs(block), axis=0)) < 0.5)] *= -1.0
    inside = (block > 0.5) & (block < 5.0)
    # the same cells in every row: beside a swapped tap one that is half the time out of range would turn the sign
    sound = (inside | np.isnan(block)).mean(axis=1) > 0.98
    block = block[sound] if sound.any() else block
    block[~((block > 0.5) & (block < 5.0))] = np.nan
    out = np.full(block.shape[1], np.nan)
    good = np.isfinite(block).any(axis=0)
    out[good] = np.nanmean(block[:, good], axis=0)
    return out
