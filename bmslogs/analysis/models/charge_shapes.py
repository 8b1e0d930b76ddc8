"""What cells of other charge and capacity add to readings, as far as the open-circuit table tells it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.ocv import OcvCurve

Floats = npt.NDArray[np.float64]

APART = 0.02
"""Charge by which a cell is taken to be fuller or emptier than the others, as a share of the capacity (choice): where
the curve bends, the one is not the other's mirror."""


def charge_shapes(level: Floats, drawn: Floats, curve: OcvCurve) -> Floats:
    """Return (samples, 4) how a cell of other charge or capacity parts from the others [V].

    Where the curve is steep, neighbours of which one is fuller and one emptier mirror each other.

    Parameters
    ----------
    level
        (samples,) open-circuit voltage of a cell like the others [V].
    drawn
        (samples,) charge drawn, as a share of the capacity.
    """
    z = curve.inverse(level)
    here = curve.beyond(z)
    fuller, emptier = curve.beyond(z + APART) - here, curve.beyond(z - APART) - here
    return np.column_stack([fuller, emptier, fuller * drawn, emptier * drawn])
