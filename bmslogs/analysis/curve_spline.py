"""The string's open-circuit voltage over the charge drawn as a cubic spline: knots, values, slopes, smoothness."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline

Floats = npt.NDArray[np.float64]


def curve_value(knots: Floats, coef: Floats, x: Floats) -> Floats:
    """Return the spline's voltage [V] at `x` [Ah], going on straight beyond its knots."""
    inside = np.clip(x, knots[0], knots[-1])
    value = np.asarray(BSpline(knots, coef, 3)(inside), float)
    beyond = x != inside
    if beyond.any():
        value[beyond] += (x - inside)[beyond] * curve_slope(knots, coef, inside[beyond])
    return value


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
    step = np.diff(_centres(knots))
    before, after = step[:-1], step[1:]
    mean = 0.5 * (before + after)
    at = np.arange(len(mean))
    rows = np.zeros((len(at), len(at) + 2))
    rows[at, at], rows[at, at + 1] = 1 / before * mean, (-1 / before - 1 / after) * mean
    rows[at, at + 2] = 1 / after * mean
    return rows


def _centres(knots: Floats) -> Floats:
    return np.asarray((knots[1:-3] + knots[2:-2] + knots[3:-1]) / 3.0, float)


def knot_sites(knots: Floats) -> Floats:
    """Where each coefficient of a cubic spline acts most."""
    return _centres(knots).clip(knots[0], knots[-1])


def curve_coefficients(knots: Floats, values: Floats) -> Floats:
    """Return the coefficients of the spline through `values` at `knot_sites`."""
    return np.asarray(
        np.linalg.solve(BSpline.design_matrix(knot_sites(knots), knots, 3).toarray(), values), float
    )
