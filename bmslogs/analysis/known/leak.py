"""What each cell leaks against the middle one, from a time parked.

    I_leak,i - I_leak,middle = -(dV_i/dt - what its place on the curve makes of it) Q / u'(z)

with the drifts of `parked` [V/h], Q the capacity [Ah] and u' the slope of the curve [V per unit of charge]. To the
scatter of blocks the half width adds settling, unlike curves and the table's slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import parked
from bmslogs.analysis.known.reading_of_curve import (
    BOOK_SLOPE_ERROR,
    conditions_of,
    percent_of_a_millivolt,
)
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.regression import Z95

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LASTING_MV_A_DAY, FLAT_LASTING_MV_A_DAY = 0.02, 0.1
"""What moves a sound cell's reading against the others' day by day beside a leak [mV]; more on a flat curve, where
hysteresis relaxes (judgement, one sd)."""
OWN_SLOPE_ERROR = 0.2
"""How well a pack's own table tells the slope at one place, as a fraction (half width, choice)."""
MOST_SLOPE_ERROR = 0.6
"""No slope is off by more: a curve rises (half width as a fraction, choice)."""
MOST_C_RATE, LEAST_C_RATE = 5e-5, 1e-6
"""Half width above which a leak is not said, and the least that is said, as shares of the capacity per hour: 5 mA and
0.1 mA of 100 Ah (judgement)."""
UNREADABLE_SLOPE_V = 0.15
"""A flat curve that climbs less near a place hides what a cell lost there [V per unit of charge] (judgement)."""
LEAST_SLOPE_V = 1e-3
"""No cell passed through less of a slope [V per unit of charge] (judgement)."""


@dataclass(frozen=True)
class LeakKnown:
    """Leak of every cell against the median.

    Attributes
    ----------
    amps, half
        (cells,) leak [A], positive: loses more than the median cell; 95 % half width [A].
    most
        Half width above which it is not said [A].
    conditions
        What it was told under.
    why
        What limits the widths.
    """

    amps: Floats
    half: Floats
    most: float
    conditions: dict[str, Any]
    why: str


def leaks(
    found: parked.Drift, level_V: float, curve: OcvCurve, capacity: float, trusted: Bools, degc: float | None
) -> LeakKnown | Refusal:
    """Return the leaks, or that the place on a flat curve hides them.

    Parameters
    ----------
    found
        Drifts over the time parked.
    level_V
        Mean voltage there [V].
    curve, capacity
        Open-circuit table; nominal capacity [Ah].
    trusted
        (cells,) True where the readings count.
    degc
        Mean temperature [degC]; None where not known.
    """
    z = float(curve.inverse(np.array([level_V]))[0])
    slope, place_error = parked.usual_slope(curve, z)
    slope = found.straight or slope
    percent = percent_of_a_millivolt(slope, LEAST_SLOPE_V)
    if curve.flat and curve.least_slope(z) < UNREADABLE_SLOPE_V:
        return Refusal(
            f"the pack was parked on the flat of its curve, where 1 mV is {percent:.2g} % of charge: "
            "what a cell lost does not show in its voltage"
        )
    # a cell that loses much goes through many slopes of the curve
    per_volt_hour = capacity / np.maximum(parked.slope_passed(found, level_V, curve, slope), LEAST_SLOPE_V)
    told = trusted & np.isfinite(found.slope)  # cells that were bled all the while are not
    trend, _ = parked.by_level(found, told)
    amps = -(found.slope - trend) * per_volt_hour
    half = _half_width(found, told, curve, place_error, amps, per_volt_hour)
    return LeakKnown(
        amps,
        np.maximum(half, LEAST_C_RATE * capacity),
        MOST_C_RATE * capacity,
        conditions_of((z, z), degc) | {"hours": found.hours},
        f"the voltages drift too little to tell: 1 mV is {percent:.2g} % of charge here",
    )


def _half_width(
    found: parked.Drift, told: Bools, curve: OcvCurve, place_error: float, amps: Floats, per_volt_hour: Floats
) -> Floats:
    """Return (cells,) 95 % half widths [A]: blocks, what lasts all along, and the slope of the curve."""
    day_mV = FLAT_LASTING_MV_A_DAY if curve.flat else LASTING_MV_A_DAY
    lasting = day_mV * 1e-3 / 24.0 + parked.settling(found.hours)
    shared = np.hypot(lasting, parked.unlike_slopes(found, told)) * per_volt_hour
    table = max(place_error, OWN_SLOPE_ERROR if curve.own else BOOK_SLOPE_ERROR)
    off = np.minimum(np.hypot(table, Z95 * parked.slope_ratio_sd(found, told)), max(table, MOST_SLOPE_ERROR))
    blocks = parked.half_width(found.se, found.blocks) * per_volt_hour
    return np.asarray(np.sqrt(blocks**2 + (Z95 * shared) ** 2 + (off * amps) ** 2), float)
