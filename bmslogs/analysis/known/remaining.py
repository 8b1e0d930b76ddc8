"""What remains of the offsets at full charge, capacities allowed for: the part that balancing mends.

A cell of offset a and lack b lacks (-a - q) / (1 + b) to its own full where the median cell, at q, is full.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.known.cell_places import LOT_CAPACITY_SD, CellPlaces
from bmslogs.analysis.known.offset import OffsetKnown
from bmslogs.analysis.regression import Z95
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]

UNKNOWN_SOC = 0.5
"""State of charge of a rest that does not tell it (choice)."""


@dataclass(frozen=True)
class Remaining:
    """(cells,) how much fuller a cell is than the median one at full, share of the capacity; 95 % half width."""

    value: Floats
    half: Floats


def at_full(cells: CellPlaces, soc: float) -> Remaining:
    """Return what remains by the split.

    Where the capacities are not known better than the spread of a lot, that spread stands in.

    Parameters
    ----------
    cells
        Where the cells stand.
    soc
        State of charge (0..1) of the median cell at the first row.
    """
    q_full = -(1.0 - soc) * cells.capacity
    a, b, variance = cells.at(q_full)
    missing = (-a - q_full) / (1.0 + b)
    value = (nanmedian(missing[cells.trusted]) - missing) / cells.capacity
    half = np.hypot(Z95 * np.sqrt(variance) / cells.capacity, cells.slope_error * np.abs(value))
    return Remaining(value, half)


def as_at_rest(offset: OffsetKnown) -> Remaining:
    """Return that the offsets of a rest remain, the less surely the further from full: capacities are not known."""
    told = offset.conditions.get("soc_low")
    soc = UNKNOWN_SOC if told is None else float(told)
    return Remaining(offset.value, np.hypot(offset.half, (1 - soc) * LOT_CAPACITY_SD * Z95))
