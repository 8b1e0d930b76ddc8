"""Cells whose offsets and lacks are known to a chosen width."""

import numpy as np

from bmslogs.analysis.known.cell_places import CellPlaces, Spread
from bmslogs.analysis.known.reading_of_curve import ReadingOfCurve


def cells(a_Ah, b, sd_Ah=0.05, sd_b=0.001, capacity=100.0, slope_error=0.0):
    """Return cells of one width each, the model's and blocks' errors alike and without covariance."""
    a_Ah, b = np.broadcast_arrays(np.asarray(a_Ah, float), np.asarray(b, float))
    nought = np.zeros(len(a_Ah))
    spread = Spread(nought + sd_Ah**2, nought + sd_b**2, nought)
    return CellPlaces(a_Ah, b, spread, spread, np.ones(len(a_Ah), bool), capacity, slope_error)


def reading(number, swing_V=0.5, slope_V=1.0):
    """Return that charges were read through a curve of 1 V from empty to full."""
    return ReadingOfCurve(swing_V, slope_V, np.ones(number, bool))
