"""Who is full first, or empty first, as a bound: for a cell that leaves the others at the end of a charge or discharge.

Where one cell climbs the knee while the others stand on a flat, how far it leads cannot be sized: the flat says
nothing of the others' place. That it leads, and by how much at least, is plain:

    u_i = V_i + I R_i,      lead >= z(u_i, low) - z(u_middle, high)

with z the inverse of the open-circuit table, u the reading with the drop of the load taken out, I the current
(positive while discharging), and low and high the bounds that resistance and table leave. Judgement: the margins.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.ocv import OcvCurve

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_SHARE, MOST_SHARE = 0.4, 2.0
"""Between these shares of its usual resistance a cell drops its load: polarisation of minutes included (choice)."""
BOOK_STEEPER = 1.6
"""The knee of other cells is so many times steeper, or less steep, than that of a chemistry's table (judgement)."""
TABLE_MARGIN_V, FLAT_MARGIN_V = 0.015, 0.010
"""How far the table may be off at either cell [V] (published curves of one chemistry differ by tens of mV; choice)."""


def lead_bounds(
    volts: Floats, current: float, resistance: Floats, curve: OcvCurve, trusted: Bools, sign: int,
    lasting: Floats | None = None,
) -> Floats:
    """Return by how much each cell is ahead of the middle one at least and at most, as shares of charge.

    Parameters
    ----------
    volts
        (cells,) readings at the end of the charge or discharge [V].
    current
        Current there [A], positive while discharging.
    resistance
        (cells,) resistance of each cell [ohm]; of a usual cell where nothing better is known.
    curve
        Open-circuit table.
    trusted
        (cells,) cells whose readings count.
    sign
        1 for fuller (the end of a charge), -1 for emptier (the end of a discharge).
    lasting
        (cells,) the resistance with which each cell still answers the stronger current of minutes before [ohm of the
        present current]; None where the current held.

    Returns
    -------
    (2, cells) fractions of charge: the least is nought where no lead is sure.
    """
    margin = FLAT_MARGIN_V if curve.flat else TABLE_MARGIN_V
    most = resistance if lasting is None else lasting
    drop = np.stack([volts + current * resistance * LEAST_SHARE, volts + current * most * MOST_SHARE])
    low, high = drop.min(axis=0) - margin, drop.max(axis=0) + margin
    middle_low = float(np.nanmedian(low[trusted]))
    middle_high = float(np.nanmedian(high[trusted]))
    z_low, z_high = curve.inverse(low), curve.inverse(high)
    z_middle = curve.inverse(np.array([middle_low, middle_high]))
    if sign > 0:
        ahead = np.stack([z_low - z_middle[1], z_high - z_middle[0]])
    else:
        ahead = np.stack([z_middle[0] - z_high, z_middle[1] - z_low])
    if not curve.own:
        ahead *= np.array([[1.0 / BOOK_STEEPER], [BOOK_STEEPER]])
    return np.where(trusted, np.maximum(np.nan_to_num(ahead), 0.0), 0.0)
