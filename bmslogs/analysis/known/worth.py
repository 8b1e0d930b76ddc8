"""What a pack delivers as it is, and what balancing and replacing would win: the least cell of uncertain ones.

The amounts are those of `analysis.worth`, drawn about each cell's state of charge and capacity; here stands how sure
these are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.known.capacity import CapacityKnown
from bmslogs.analysis.known.cell_places import CellPlaces
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.regression import Z95
from bmslogs.analysis.worth import Worth, string_worth
from bmslogs.base.nan_statistics import nanmax

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_KNOWN = 0.02
"""Half width up to which every capacity must be known before a pack's worth is said (choice)."""
UNKNOWN_CAPACITY_SD = 0.05
"""How well the capacity of the median cell is known where the log does not say, as a fraction (choice, one sd)."""


@dataclass(frozen=True)
class WorthKnown:
    """What the pack delivers, what balancing and replacing win [Ah]; the cell of least capacity and its module."""

    values: dict[str, Worth]
    weakest_cell: int
    module: str | None


def pack_worth(
    cells: CellPlaces,
    place: Alignment,
    capacity: CapacityKnown,
    gain_sd: float,
    believed: Bools,
    modules: Sequence[tuple[int, str | None]],
) -> WorthKnown | Refusal:
    """Return the worth, or why it cannot be told of all cells.

    Parameters
    ----------
    cells, place
        Where the cells stand, and the string on the table.
    capacity
        The capacities.
    gain_sd
        Gain error of the current sensor, as a fraction, one sd.
    believed
        (cells,) True where the reading counts and is not shifted.
    modules
        (cells,) number of the cell and name of its module.
    """
    if not nanmax(capacity.half_relative) < LEAST_KNOWN:
        return Refusal("not every cell's capacity is known well enough: the least of them decides")
    if not believed.all():
        return Refusal("not every cell of the string has a reading to be believed")
    amounts = cells.capacity * capacity.relative
    # a cell's place on the string's curve is its state of charge
    soc = place.z0 + cells.a / cells.capacity
    known = place.capacity_se / cells.capacity if capacity.absolute_known else UNKNOWN_CAPACITY_SD
    common = np.array([place.z0_se, known, gain_sd])
    names = list(dict.fromkeys(name for _, name in modules))
    number = np.array([names.index(name) for _, name in modules])
    values = string_worth(soc, amounts, covariance_of(cells, amounts), common, number)
    return WorthKnown(values, *modules[int(np.argmin(amounts))])


def covariance_of(cells: CellPlaces, amounts: Floats) -> Floats:
    """Return (cells, 2, 2) covariance of state of charge and capacity [1, Ah], each cell's wider error.

    With z = z0 + a / Q and capacity C = Q / (1 + b), so that dz = da / Q and dC = -C db to first order.
    """
    usual = cells.capacity
    model, blocks = cells.model, cells.blocks
    wide = blocks.a / usual**2 + blocks.b > model.a / usual**2 + model.b
    va, vb, vab = (np.where(wide, getattr(blocks, n), getattr(model, n)) for n in ("a", "b", "ab"))
    va = va + (cells.slope_error * cells.a / Z95) ** 2
    both = -vab / usual * amounts
    return np.moveaxis(np.array([[va / usual**2, both], [both, vb * amounts**2]]), 2, 0)
