"""Straight lines where both axes carry errors."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class Line(NamedTuple):
    """A straight line a + b x: values, standard errors, and chi squared per degree of freedom."""

    a: float
    b: float
    se_a: float
    se_b: float
    chi2: float


def york_line(
    x: npt.ArrayLike, y: npt.ArrayLike, sx: npt.ArrayLike, sy: npt.ArrayLike, rounds: int = 100
) -> Line:
    """Fit y = a + b x with independent errors in both (York's unified equations).

    Parameters
    ----------
    x, y
        Points, three or more.
    sx, sy
        Standard deviations of both, positive.

    Returns
    -------
    Line with standard errors that are not scaled by the fit's chi squared.

    Notes
    -----
    D. York, N. M. Evensen, M. Lopez Martinez and J. De Basabe Delgado, Am. J. Phys. 72 (2004) 367.
    """
    x, y, sx, sy = (np.asarray(v, dtype=float) for v in np.broadcast_arrays(x, y, sx, sy))
    wx, wy = 1.0 / sx**2, 1.0 / sy**2
    b = float(np.polyfit(x, y, 1)[0])
    for _ in range(rounds):
        w = wx * wy / (wx + b * b * wy)
        u, v = x - (w * x).sum() / w.sum(), y - (w * y).sum() / w.sum()
        beta = w * (u / wy + b * v / wx)
        last, b = b, float((w * beta * v).sum() / (w * beta * u).sum())
        if abs(b - last) <= 1e-15 * abs(b):
            break
    x_mean, y_mean = (w * x).sum() / w.sum(), (w * y).sum() / w.sum()
    a = float(y_mean - b * x_mean)
    adjusted = x_mean + beta
    mean = (w * adjusted).sum() / w.sum()
    se_b = float(np.sqrt(1.0 / (w * (adjusted - mean) ** 2).sum()))
    se_a = float(np.sqrt(1.0 / w.sum() + mean**2 * se_b**2))
    chi2 = float((w * (y - a - b * x) ** 2).sum() / max(x.size - 2, 1))
    return Line(a, b, se_a, se_b, chi2)
