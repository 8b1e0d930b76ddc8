"""What every cell lacks to full when a charge ended, and what is to be bled from it until all are full together.

On the string's curve a cell stands at x = q (1 + b) - a, rising as it empties; full lies at x_full. The cell lacks

    (x - x_full) / (1 + b)  [Ah].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.known.cell_places import CellPlaces
from bmslogs.analysis.known.charge_end import ChargeEnd
from bmslogs.analysis.known.full import where_full_is
from bmslogs.analysis.known.reading_of_curve import ReadingOfCurve
from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.regression import Z95

Floats = npt.NDArray[np.float64]

BELOW_KNEE_SD = 0.015
"""How well the place of a cell on the flat is known, as a share of the capacity (choice, one sd)."""
END_SLOPE_ERROR = 0.08
"""How well the slope of the string's curve is known where a charge ends, as a fraction: what the falling current leaves
of polarisation looks like it (half width, choice from simulation)."""
MOST_SHARE = 0.02
"""Half width above which it is not said, as a share of the nominal capacity (choice)."""


@dataclass(frozen=True)
class TopKnown:
    """Where every cell stood when the charge ended.

    Attributes
    ----------
    missing, half_missing
        (cells,) what it lacked to full, or to the leading cell, and its 95 % half width [Ah].
    needed, half_needed
        (cells,) what is to be bled from it until all are full with the last one, and its half width [Ah].
    end_volts
        Median voltage at the end [V].
    most
        Half width above which it is not said [Ah].
    conditions
        What it was told under.
    why
        What limits the widths.
    """

    missing: Floats
    half_missing: Floats
    needed: Floats
    half_needed: Floats
    end_volts: float
    most: float
    conditions: dict[str, Any]
    why: str


def charge_to_full(
    end: ChargeEnd,
    cells: CellPlaces,
    place: Alignment,
    curve: OcvCurve,
    nominal: float,
    reading: ReadingOfCurve,
    conditions: dict[str, Any],
) -> TopKnown:
    """Return what every cell lacked.

    Parameters
    ----------
    end
        The end of the charge.
    cells
        Where the cells stand.
    place, curve
        Where the string stands on the table, and that.
    nominal
        Nominal capacity [Ah].
    reading
        How charges are read through the curve.
    conditions
        What it is told under.
    """
    a, b, variance = cells.at(end.drawn)
    x = (end.drawn + end.bled) * (1.0 + b) - a
    se = np.sqrt(variance)
    leading = int(np.nanargmin(x))
    on_the_flat = bool(end.below_knee[cells.trusted].all())
    full = where_full_is(float(x[leading]), float(se[leading]), place, curve, cells.capacity, on_the_flat)
    missing = (x - full.at) / (1.0 + b)
    slope_error = max(cells.slope_error, END_SLOPE_ERROR)
    half = _half_missing(missing, se, float(se[leading]), full.sd, slope_error)
    needed, half_needed = _to_the_last(missing, se, slope_error)
    if end.below_knee[cells.trusted].any():
        # how far behind a cell is that has not left the flat, hardly shows; the last one is all others' measure
        hidden = Z95 * BELOW_KNEE_SD * cells.capacity
        half = np.where(end.below_knee, np.hypot(half, hidden), half)
        half_needed = np.hypot(half_needed, hidden)
    return TopKnown(
        missing,
        half,
        needed,
        half_needed,
        end.volts,
        MOST_SHARE * nominal,
        conditions | {"full": full.by, "soc_at_end": float(place.soc(float(x[leading])))},
        reading.limits(half / nominal, "what a cell lacks to full"),
    )


def _half_missing(missing: Floats, se: Floats, lead_se: float, full_sd: float, slope_error: float) -> Floats:
    """Return (cells,) half widths [Ah] of what is missing: own place, full, and the way behind the leading cell."""
    lag = missing - np.nanmin(missing)
    of_lead = np.where(lag > 0, lead_se, 0.0)
    return np.asarray(np.hypot(Z95 * np.sqrt(se**2 + full_sd**2 + of_lead**2), slope_error * lag), float)


def _to_the_last(missing: Floats, se: Floats, slope_error: float) -> tuple[Floats, Floats]:
    """Return (cells,) by how much less a cell lacks than the last one, and half widths [Ah]."""
    needed = np.nanmax(missing) - missing  # the last cell needs no bleeding: the others wait for it
    last_se = se[int(np.nanargmax(missing))]
    sd = np.where(needed > 0, np.hypot(se, last_se), se)
    return needed, np.hypot(Z95 * sd, slope_error * needed)
