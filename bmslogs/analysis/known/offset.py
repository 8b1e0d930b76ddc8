"""How much fuller each cell was than the median one at the first row, by the split or by the voltages of a rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.known.cell_places import CellPlaces
from bmslogs.analysis.known.reading_of_curve import BOOK_SLOPE_ERROR, ReadingOfCurve
from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.regression import Z95
from bmslogs.analysis.rests import CHANNEL_SD_V
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FLOOR = 0.001
"""How well one curve tells the charge of two cells, as a share of it: as they age, the electrodes of each slip against
each other on their own (choice, one sd)."""
SETTLED = ((1.0, 0.001), (24.0, 0.0005), (np.inf, 0.00025))
"""How far cells settle unlike each other in a rest of less than so many hours [h], [V] (choice, one sd)."""
FLAT_SETTLED = 3.0
"""So many times as far on a flat curve (choice)."""
OWN_SLOPE_ERROR = 0.1
"""How well a pack's own table tells the slope over what cells lie apart, as a fraction (half width, choice)."""
ABOUT = 0.06
"""So far on either side a table of a chemistry tells how steep other cells' curves are, as a share of the charge: their
steps lie elsewhere (choice)."""
HYSTERESIS_V = 0.001
"""Hysteresis of cells of one history on a flat curve [V] (choice, one sd)."""
LEAST_SLOPE_V = 1e-3
"""A curve that climbs less makes of a reading error no more [V per unit of charge] (choice)."""
OF = "the charge of a cell"


@dataclass(frozen=True)
class OffsetKnown:
    """Charge offset of every cell at the first row.

    Attributes
    ----------
    value, half
        (cells,) how much fuller than the median cell, as a share of the capacity, and its 95 % half width.
    conditions
        What it was told under.
    why
        What limits the widths.
    """

    value: Floats
    half: Floats
    conditions: dict[str, Any]
    why: str


@dataclass(frozen=True)
class FirstRest:
    """The rest that a log begins with: (cells,) its settled level and its standard deviation [V], its length [h]."""

    level: Floats
    level_sd: Floats
    hours: float


def by_split(cells: CellPlaces, reading: ReadingOfCurve, conditions: dict[str, Any]) -> OffsetKnown:
    """Return the offsets off the split: a / Q, by the wider of its two errors and what the curve's slope leaves."""
    value = cells.a / cells.capacity
    half = Z95 * np.sqrt(np.maximum(cells.model.a, cells.blocks.a)) / cells.capacity
    half = np.hypot(np.hypot(half, cells.slope_error * np.abs(value)), Z95 * FLOOR)
    return OffsetKnown(value, half, conditions | {"at": "start"}, reading.limits(half, OF))


def by_rest(rest: FirstRest, curve: OcvCurve, reading_sd_V: float, reading: ReadingOfCurve) -> OffsetKnown:
    """Return the offsets that a rest's voltages are by the table.

    Parameters
    ----------
    rest
        The rest.
    curve
        The table.
    reading_sd_V
        How far two channels read apart all log long [V], one sd.
    reading
        How charges are read through the curve.
    """
    z = float(curve.inverse(np.array([nanmedian(rest.level[reading.trusted])]))[0])
    value = curve.inverse(rest.level) - z
    slope_error = OWN_SLOPE_ERROR if curve.own else BOOK_SLOPE_ERROR
    if not curve.own and not curve.flat:
        # where the table is flatter than about there, other cells of its chemistry need not be
        local, about = float(curve.slope(z)), float(curve.slope(z, ABOUT))
        if about > local > 0:
            value = value * (local / about)
            slope_error = float(np.hypot(slope_error, 1.0 - local / about))
    settled = next(volt for hours, volt in SETTLED if not rest.hours >= hours)
    settled *= FLAT_SETTLED if curve.flat else 1.0
    sd = np.hypot(np.hypot(np.hypot(reading_sd_V, settled), rest.level_sd), CHANNEL_SD_V)
    steepness = max(curve.least_slope(z), LEAST_SLOPE_V)
    half = np.hypot(np.hypot(Z95 * sd / steepness, slope_error * np.abs(value)), Z95 * FLOOR)
    if curve.flat:
        half = np.hypot(half, Z95 * HYSTERESIS_V / steepness)
    half = np.broadcast_to(half, value.shape)
    conditions = {"at": "start", "from": "rest voltage", "soc_low": z, "soc_high": z}
    return OffsetKnown(value, half, conditions, replace(reading, swing_V=0.0).limits(half, OF))


def counted_from_the_start(quiet: Bools, bled: Bools | None) -> bool:
    """Whether nothing happened before the charge was counted.

    Parameters
    ----------
    quiet
        (rows,) True where no current flows, over the rows before.
    bled
        (rows, cells) True where a cell was bled there; None where the logger does not say.
    """
    return bool(quiet.all()) and not (bled is not None and bled.any())
