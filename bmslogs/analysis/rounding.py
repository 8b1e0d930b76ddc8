"""What rounding leaves in the mean of many readings of one voltage.

A reading rounded to a step errs by up to half of it; noise of a step or so makes the errors cancel in the mean, noise
far below leaves them as they are (theory of dither: Widrow and Kollar, Quantization Noise, 2008, from memory). For
Gaussian noise s and step D the mean errs by (D / pi) exp(-2 pi^2 s^2 / D^2) sin(2 pi v / D), to the first harmonic.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def lasting_error(scatter: float, step: float) -> float:
    """Return the rms error [V] that the mean of many readings keeps.

    Parameters
    ----------
    scatter
        Standard deviation of the rounded readings about their mean [V].
    step
        Step of the readings [V].
    """
    noise = np.linspace(0.0, 1.5 * step, 200)
    # readings of one voltage scatter by noise and rounding, less what of the rounding is the same in all
    same = _error(noise, step) ** 2
    seen = noise**2 + step**2 / 12.0 - same * (step**2 / 12.0) / same[0]
    return float(_error(np.interp(scatter**2, seen, noise), step))


def _error(noise: npt.ArrayLike, step: float) -> Floats:
    return np.asarray(step / (np.sqrt(2.0) * np.pi) * np.exp(-2.0 * (np.pi * np.asarray(noise) / step) ** 2), float)
