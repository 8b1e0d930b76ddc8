"""Where full lies on the string's curve.

Where the leading cell is near full, the way from there is reckoned by its state of charge on the table; else the
leading cell itself stands for full, and what is told is how far the others are behind it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.ocv import OcvCurve

FULL_SD, BOOK_FULL_SD, FLAT_BOOK_FULL_SD = 0.0006, 0.008, 0.006
"""How well full itself is told, as a share of the capacity: off a table of these very cells, and off one that stands
for a chemistry. A flat curve rises so steeply at its end that what is called full lies within a per cent (choice, one
sd)."""
BOOK_END_SLOPE_SD = 0.3
"""How well a table of a chemistry tells the slope from there to full, as a fraction (choice, one sd)."""
FULL_FROM_SOC = 0.93
"""From here on the way to full is short enough to be reckoned by the curve (choice)."""


@dataclass(frozen=True)
class Full:
    """Where full lies on the string's curve [Ah], one sd [Ah], and how it is told: ``own`` or ``leading_cell``."""

    at: float
    sd: float
    by: str


def where_full_is(
    lead: float, lead_se: float, place: Alignment, curve: OcvCurve, capacity: float, on_the_flat: bool
) -> Full:
    """Return where full lies: by the table where the leading cell is near it, else where the leading cell stands.

    Parameters
    ----------
    lead, lead_se
        Where the leading cell stands on the string's curve, and its standard error [Ah].
    place, curve
        Where the string stands on the table, and that.
    capacity
        Capacity of the median cell [Ah].
    on_the_flat
        True where no cell had left the plateau.
    """
    soc = float(place.soc(lead))
    if soc < FULL_FROM_SOC or on_the_flat:
        return Full(lead, lead_se, "leading_cell")
    if curve.own:
        table_sd = FULL_SD
    elif curve.flat:
        table_sd = FLAT_BOOK_FULL_SD
    else:
        table_sd = float(np.hypot(BOOK_FULL_SD, BOOK_END_SLOPE_SD * (1.0 - soc)))
    sd = float(np.hypot(place.soc_se(lead) * capacity, table_sd * capacity))
    return Full(lead - (1.0 - soc) * capacity, sd, "own")
