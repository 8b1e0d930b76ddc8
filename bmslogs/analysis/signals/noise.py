"""Noise of readings, by how they change from one to the next."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MAD_TO_SD = 1.4826
"""Standard deviation of normal values over the median of their sizes: 1 / Phi^-1(0.75)."""
UNIFORM = 12.0
"""A value within a step, all alike likely, has this part of the step's square for its variance (uniform law)."""


def noise_by_changes(values: Floats) -> float:
    """Return the standard deviation of one reading, by the median change from one to the next: what is slow is none.

    Parameters
    ----------
    values
        (samples, channels) readings, no NaN, two samples or more.
    """
    return float(MAD_TO_SD * float(np.median(np.abs(np.diff(values, axis=0)))) / np.sqrt(2.0))


def rounding_sd(step: float) -> float:
    """Return the standard deviation of what rounding to a step takes off."""
    return float(step / np.sqrt(UNIFORM))
