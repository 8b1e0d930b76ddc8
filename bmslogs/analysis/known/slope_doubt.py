"""How many times steeper a string's curve came out than is sure.

Over a short span what relaxes or warms while the charge goes by looks like a slope. A voltage difference is then worth
more charge than the curve says: as much as the least slope of the table near there allows.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.common_fit import POLARISATION_ERROR, Split
from bmslogs.analysis.ocv import OcvCurve

Floats = npt.NDArray[np.float64]

POINTS = 60
"""Places along the span at which the slopes are compared (choice)."""
SHAPE_LEAST_V = 0.012
"""A stretch of a flat curve that climbs less is not told from others by its shape (choice)."""
SLOPE_TRUST = 1.3
"""A curve this many times steeper than the table is still believed (choice)."""
DRIFT_SHARE, DRIFT_LEAST_V = 0.15, 0.004
"""What relaxes, or falls as the string warms, while the charge goes by: a share of what the load drops, and a least
[V] (choice)."""
PLACES_SE = np.linspace(-2.0, 2.0, 9)
"""Places on the table that are tried beside the likeliest, in its standard errors (choice)."""


def slope_doubt(split: Split, place: Alignment, curve: OcvCurve, capacity: float) -> float:
    """Return how many times steeper the curve came out than is sure, at least one.

    Parameters
    ----------
    split
        The split with the string's curve.
    place, curve
        Where it lies on the table, and that.
    capacity
        Nominal capacity [Ah].
    """
    q = np.linspace(split.q_low, split.q_high, POINTS)
    options = _slopes_of_table(q, place, curve)
    sure = [np.interp(split.charge, q, option / capacity) for option in options]
    least = min(float((one**2).mean()) for one in sure)
    ratio = float(np.sqrt((split.slope(split.charge) ** 2).mean() / max(least, 1e-12)))
    return float(np.clip(ratio / SLOPE_TRUST, 1.0, max(1.0, _steeper_at_most(split, q))))


def _slopes_of_table(q: Floats, place: Alignment, curve: OcvCurve) -> Floats:
    """Return (options, n) slopes of the table [V per unit of charge] that may be the true ones along `q` [Ah]."""
    z = place.soc(q)
    if curve.flat and np.ptp(curve.voltage(z)) < SHAPE_LEAST_V:
        # nothing but the voltage tells the place, and that only within the hysteresis
        return np.array([[curve.least_slope(float(one)) for one in z]])
    se = np.array([place.soc_se(float(one)) for one in q])
    return np.asarray(curve.slope(np.clip(z + PLACES_SE[:, None] * se, 0.0, 1.0)), float)


def _steeper_at_most(split: Split, q: Floats) -> float:
    """Return how many times steeper what relaxes or warms may have made the string's curve along `q` [Ah]."""
    drop = split.mean_polarisation(q)
    drift = POLARISATION_ERROR * float(np.ptp(drop)) + DRIFT_SHARE * float(np.sqrt((drop**2).mean()))
    climbed = float(np.ptp(split.curve(q)))
    left = climbed - drift - DRIFT_LEAST_V
    return climbed / left if left > 0 else float("inf")
