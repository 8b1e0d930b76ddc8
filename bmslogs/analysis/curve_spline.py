"""The string's open-circuit voltage over the charge drawn as a cubic spline: knots, values, slopes, smoothness."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline

Floats = npt.NDArray[np.float64]


def curve_value(knots: Floats, coef: Floats, x: Floats) -> Floats:
    """Return the spline's voltage [V] at `x` [Ah], going on straight beyond its knots."""
    inside = np.clip(x, knots[0], knots[-1])
    return np.asarray(BSpline(knots, coef, 3)(inside) + (x - inside) * curve_slope(knots, coef, inside), float)


def curve_slope(knots: Floats, coef: Floats, x: Floats) -> Floats:
    """Return the spline's slope [V/Ah] at `x` [Ah], held beyond its knots."""
    inside = np.clip(x, knots[0], knots[-1])
    return np.asarray(BSpline(knots, coef, 3).derivative()(inside), float)


def knots_over(x: Floats, y: Floats, capacity: float) -> Floats:
    """Knots, even in a measure that counts both the charge covered and the voltage climbed, with room beyond."""
    bins = np.linspace(x.min(), x.max(), 201)
    middle = _binned(x, y, bins)
    measure = np.abs(np.diff(bins)) / (0.025 * capacity) + np.abs(np.diff(middle)) / 0.02
    total = np.concatenate([[0.0], np.cumsum(measure)])
    pieces = int(np.clip(np.ceil(total[-1]), 2, 70))
    inner = np.interp(np.linspace(0, total[-1], pieces + 1), total, bins)
    beyond = 0.02 * capacity * np.arange(1, 4)
    inner = np.concatenate([inner[0] - beyond[::-1], inner, inner[-1] + beyond])
    return np.asarray(np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3]), float)


def _binned(x: Floats, y: Floats, bins: Floats) -> Floats:
    where = np.clip(np.searchsorted(bins, x), 0, len(bins) - 1)
    count = np.bincount(where, minlength=len(bins))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(where, y, minlength=len(bins)) / count
    good = count > 0
    return np.asarray(np.interp(bins, bins[good], mean[good]), float)


def roughness_rows(knots: Floats) -> Floats:
    """Rows that measure how much the slope of a spline changes from knot to knot [V per knot step]."""
    count = len(knots) - 4
    centres = np.array([knots[j + 1 : j + 4].mean() for j in range(count)])
    rows = np.zeros((count - 2, count))
    for j in range(count - 2):
        before, after = centres[j + 1] - centres[j], centres[j + 2] - centres[j + 1]
        mean = 0.5 * (before + after)
        rows[j, j : j + 3] = np.array([1 / before, -1 / before - 1 / after, 1 / after]) * mean
    return rows


def knot_sites(knots: Floats) -> Floats:
    """Where each coefficient of a cubic spline acts most."""
    return np.array([knots[j + 1 : j + 4].mean() for j in range(len(knots) - 4)]).clip(knots[0], knots[-1])


def curve_coefficients(knots: Floats, values: Floats) -> Floats:
    """Return the coefficients of the spline through `values` at `knot_sites`."""
    return np.asarray(np.linalg.solve(BSpline.design_matrix(knot_sites(knots), knots, 3).toarray(), values), float)
