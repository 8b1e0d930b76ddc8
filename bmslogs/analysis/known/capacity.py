"""The capacity of every cell: over the median cell's, 1 / (1 + b) by the split, and in ampere-hours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.known.absolute_capacity import AbsoluteCapacity
from bmslogs.analysis.known.cell_places import CellPlaces
from bmslogs.analysis.known.reading_of_curve import ReadingOfCurve
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.regression import Z95
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]

LEAST_SWING_V = 0.050
"""Least open-circuit voltage covered for a relative capacity [V] (choice)."""
STAGE_SD = 0.015
"""How far the steps of a flat curve lie from its ends otherwise in one cell than in another, as a share of the charge
(one sd; lithium lost to the film moves the electrodes against each other; judgement): where a charge saw one end only,
that looks like a capacity."""
SLIP_SD = 0.0013
"""How far the ratio of two capacities is unsure though a curve tells it: as cells age their electrodes slip, each
on its own, and no two follow one curve (judgement: first-principles cells of several makes, one sd)."""
LEAST_MOVED = 1e-3
"""Share of the capacity below which no less counts as moved."""


@dataclass(frozen=True)
class CapacityKnown:
    """Capacity of every cell.

    Attributes
    ----------
    relative, half_relative
        (cells,) over the median cell's, and its 95 % half width.
    ampere_hours, half_ampere_hours
        (cells,) the same in [Ah].
    absolute_known, why_absolute
        Whether the ampere-hours are known, and why not.
    conditions
        What it was told under.
    why
        What limits the widths of the ratios.
    """

    relative: Floats
    half_relative: Floats
    ampere_hours: Floats
    half_ampere_hours: Floats
    absolute_known: bool
    why_absolute: str
    conditions: dict[str, Any]
    why: str


def capacities(
    cells: CellPlaces,
    absolute: AbsoluteCapacity,
    reading: ReadingOfCurve,
    seen_of_flat: float | None,
    conditions: dict[str, Any],
) -> CapacityKnown | Refusal:
    """Return the capacities, or that the voltage moved too little to tell any.

    Parameters
    ----------
    cells
        Where the cells stand.
    absolute
        Capacity of the median cell.
    reading
        How charges are read through the curve.
    seen_of_flat
        Share of the capacity that was moved on a flat curve; None on one that climbs.
    conditions
        What they are told under.
    """
    if reading.swing_V < LEAST_SWING_V:
        return Refusal(reading.limits(None, "a capacity"))
    relative = 1.0 / (1.0 + cells.b)
    relative = relative / nanmedian(relative[cells.trusted])
    # of 1 / (1 + b): a small cell's share is known better than its b
    half = Z95 * np.sqrt(np.maximum(cells.model.b, cells.blocks.b)) * np.minimum(relative, 1.0) ** 2
    half = np.hypot(half, Z95 * SLIP_SD)
    if seen_of_flat is not None:
        seen = min(seen_of_flat, 1.0)
        half = np.hypot(half, Z95 * STAGE_SD * (1.0 - seen) / max(seen, LEAST_MOVED))
    return CapacityKnown(
        relative,
        half,
        absolute.value * relative,
        np.hypot(half * absolute.value, absolute.half * relative),
        absolute.known,
        absolute.why,
        conditions,
        reading.limits(half, "the capacity of a cell"),
    )
