"""Who is full first, or empty first, as a bound: for a cell that leaves the others at the end of a charge or discharge.

Where one cell climbs the knee while the others stand on a flat, how far it leads cannot be sized: the flat says
nothing of the others' place. That it leads, and by how much at least, is plain:

    u_i = V_i + I R_i,      lead >= z(u_i, low) - z(u_middle, high)

with z the inverse of the open-circuit table, u the reading with the drop of the load taken out, I the current
(positive while discharging), and low and high the bounds that resistance and table leave. Nor does it lead by more than
what has flowed since it stood itself where the middle cell stands now:

    lead <= |q_end - q(last u_i on this side of u_middle)|,

which needs no table, and bounds the least as well where the table's knee is not that of these cells. Judgement: the
margins.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.ocv import OcvCurve
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_SHARE, MOST_SHARE = 0.4, 2.0
"""Between these shares of its usual resistance a cell drops its load: polarisation of minutes included (choice)."""
TABLE_MARGIN_V, FLAT_MARGIN_V = 0.015, 0.010
"""How far the table may be off at either cell [V] (published curves of one chemistry differ by tens of mV; choice)."""


def lead_bounds(
    volts: Floats,
    current: float,
    resistance: Floats,
    curve: OcvCurve,
    trusted: Bools,
    sign: int,
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
    middle_low = float(nanmedian(low[trusted]))
    middle_high = float(nanmedian(high[trusted]))
    z_low, z_high = curve.inverse(low), curve.inverse(high)
    z_middle = curve.inverse(np.array([middle_low, middle_high]))
    if sign > 0:
        ahead = np.stack([z_low - z_middle[1], z_high - z_middle[0]])
    else:
        ahead = np.stack([z_middle[0] - z_high, z_middle[1] - z_low])
    return np.where(trusted, np.maximum(np.nan_to_num(ahead), 0.0), 0.0)


def own_course(
    volts: Floats,
    current: Floats,
    moved: Floats,
    resistance: Floats,
    margin: float,
    trusted: Bools,
    sign: int,
) -> Floats:
    """Return the charge that each cell moved since it stood where the middle one stands at the end, at least [Ah].

    Parameters
    ----------
    volts
        (rows, cells) of one charge or discharge [V]; NaN for a missing reading.
    current, moved
        (rows,) [A], positive while discharging; charge moved so far [Ah], rising towards the end.
    resistance
        (cells,) [ohm].
    margin
        How far two sound cells at one charge part [V].
    trusted
        (cells,) cells whose readings count.
    sign
        1 for the end of a charge, -1 for that of a discharge.

    Returns
    -------
    (cells,) infinite where a cell stood beyond that place from the first row on.
    """
    drop = current[:, None] * resistance
    with np.errstate(all="ignore"):
        ends = sign * (volts + drop * (LEAST_SHARE if sign > 0 else MOST_SHARE))
        end = float(nanmedian(nanmedian(ends[-5:, trusted], axis=0))) + margin
    out = np.full(volts.shape[1], np.inf)
    for i in np.flatnonzero(trusted):
        this_side = np.flatnonzero(ends[:, i] <= end)
        if len(this_side):
            out[i] = float(moved[-1] - moved[this_side[-1]])
    return out


def middle_course(
    volts: Floats, current: Floats, moved: Floats, usual_ohm: float, margin: float, trusted: Bools, sign: int
) -> Floats:
    """Return the charge that the middle cell moved since it stood where each cell stands at the end, at least [Ah].

    For cells that lag behind, whatever share of the load's drop is taken out: (cells,), nought for those that do not.
    Parameters as in `own_course`; `usual_ohm` is the resistance of a usual cell.
    """
    out = np.full(volts.shape[1], np.inf)
    with np.errstate(all="ignore"):
        last, amps = nanmedian(volts[-5:], axis=0), float(nanmedian(current[-5:]))
        middle = nanmedian(volts[:, trusted], axis=1)
    for share in (LEAST_SHARE, MOST_SHARE):
        trace = sign * (middle + current * usual_ohm * share)
        end = sign * (last + amps * usual_ohm * share) + margin
        for i in np.flatnonzero(trusted & np.isfinite(end)):
            before = np.flatnonzero(trace <= end[i])
            since = float(moved[-1] - moved[before[-1]]) if len(before) else float(moved[-1])
            out[i] = min(out[i], since)
    return np.where(np.isfinite(out), out, 0.0)
