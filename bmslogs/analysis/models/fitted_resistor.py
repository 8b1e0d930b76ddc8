"""Whether the bleed resistors are those of the pack file: what commands took over a rest against what they should."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.bleed import SLOPE_ERROR, BleedEffect
from bmslogs.base.pack_claims import Contradiction

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

BLED, LEFT_ALONE = 0.3, 0.1
"""Cells commanded more than this share of the most count as bled, those below the second as left alone (choice)."""
LEAST_CELLS = 2
"""So many of either kind are needed: what one cell does is that cell's own fault (choice)."""
ALIKE, ALIKE_SHARE = 0.25, 0.75
"""Cells lose alike that lie within this share of the middle one, and so many of the bled ones must (choice)."""
LEAST_FACTOR = 1.8
"""Less is no contradiction: curves of other makers are up to half as steep again as the table (judgement)."""
NOTHING = 0.1
"""Bleeding that takes less of what was commanded does not work at all: no resistor explains it (choice)."""


@dataclass(frozen=True)
class TakenByCommands:
    """What commands took from the cells over what they were to take, by the resistor of the pack file.

    Attributes
    ----------
    factor, half_width
        Ratio of the charge lost to the charge commanded, and its 95 % half width.
    cells
        (cells,) True for the bled cells that lost alike.
    hours
        Length of the rest [h].
    """

    factor: float
    half_width: float
    cells: Bools
    hours: float


def taken_by_commands(found: BleedEffect, trusted: Bools) -> TakenByCommands | None:
    """Return what commands took over what they were to take; None where the cells do not tell it together.

    Notes
    -----
    The charge commanded is ``Q = V t / R``: where the fitted resistor is ``R'``, cells lose ``R / R'`` times as much.
    The losses are differences to the cells that were left alone, by the slope of the open-circuit curve, whose error
    (`SLOPE_ERROR`, one sd as a fraction) all cells share.

    Source: Ohm's law; the bounds are judgement.
    """
    most = float(found.commanded.max())
    if not most > 0.0:
        return None
    bled = trusted & (found.commanded > BLED * most)
    alone = trusted & (found.commanded <= LEFT_ALONE * most)
    if min(int(bled.sum()), int(alone.sum())) < LEAST_CELLS:
        return None
    own = (found.lost - np.median(found.lost[alone])) / np.where(bled, found.commanded, np.nan)
    factor = float(np.median(own[bled]))
    if not factor > NOTHING:
        return None
    with np.errstate(invalid="ignore"):
        alike = bled & (np.abs(own - factor) <= ALIKE * factor)
    if alike.sum() < max(LEAST_CELLS, ALIKE_SHARE * bled.sum()):
        return None
    scatter = float(np.median(found.half_width[alone])) / most
    half = float(np.hypot(1.96 * SLOPE_ERROR * factor, scatter))
    return TakenByCommands(factor, half, alike, found.hours)


def resistor_contradicted(taken: TakenByCommands | None, resistor_ohm: float) -> Contradiction | None:
    """Return the contradiction between the bleed resistor of the pack file [ohm] and what commands took."""
    if taken is None or 1.0 / LEAST_FACTOR < taken.factor < LEAST_FACTOR:
        return None
    least, most = taken.factor - taken.half_width, taken.factor + taken.half_width
    if least < 1.0 < most:
        return None
    ohms = sorted(resistor_ohm / f for f in (max(least, NOTHING), most))
    return Contradiction(
        f"bleed_resistor_ohm = {resistor_ohm:g}",
        f"over {taken.hours:.0f} h at rest the {taken.cells.sum()} cells that were bled lost {taken.factor:.2g} times "
        f"what it takes, which is {ohms[0]:.2g} to {ohms[1]:.2g} ohm",
        "other resistors are fitted, the flags hold for a part of the time only, or the capacity is another",
    )
