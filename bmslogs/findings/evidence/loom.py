"""Readings of a loom that is wrong: what two swapped wires make of three cells, and the cells put back."""

from __future__ import annotations

import numpy as np

from bmslogs.analysis.study import Study
from bmslogs.findings.evidence.source import calmly


@calmly
def median_readings(s: Study) -> dict[int, float]:
    """Return cell -> median of its readings as they were logged [V]; NaN where it has none."""
    return dict(zip(s.readings.cells, np.nanmedian(s.readings.as_read, axis=0).tolist(), strict=True))


def put_back(reading: dict[int, float]) -> dict[int, float]:
    """Undo a swap of two neighbouring taps: readings [a+b, -b, b+c] become [a, b, c].

    Returns the three cells around the first negative reading; empty where there is none with two neighbours.
    """
    for cell, value in reading.items():
        if value < 0 and cell - 1 in reading and cell + 1 in reading:
            return {cell - 1: reading[cell - 1] + value, cell: -value, cell + 1: reading[cell + 1] + value}
    return {}
