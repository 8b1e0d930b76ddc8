"""Rows in which something holds, as runs and as time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.signals.excursions import row_lengths

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def runs_of(mask: Bools, first: int = 0) -> list[tuple[int, int]]:
    """Return (first, last) of each run of True, inclusive, counted from `first`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a) + first, int(b) - 1 + first) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def run_at(mask: Bools, row: int) -> tuple[int, int]:
    """Return the run of True that holds a row; the row alone where it is not in one."""
    return next(((a, b) for a, b in runs_of(mask) if a <= row <= b), (row, row))


def minutes(seconds: Floats, mask: Bools) -> float:
    """Return the time that the marked rows stand for [min], as the rules count it: pauses left out."""
    return float(row_lengths(seconds)[mask].sum() / 60.0) if len(seconds) > 1 else 0.0
