"""Straight lines where both axes carry errors: capacity as charge over change of state of charge."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

Floats = npt.NDArray[np.float64]


class Slope(NamedTuple):
    """A slope through the origin with its interval and standard error [unit of y per unit of x]."""

    value: float
    low: float
    high: float
    se: float


class Line(NamedTuple):
    """A straight line a + b x: values, standard errors, and chi squared per degree of freedom."""

    a: float
    b: float
    se_a: float
    se_b: float
    chi2: float


def slope_through_origin(
    x: npt.ArrayLike, y: npt.ArrayLike, sx: npt.ArrayLike, sy: npt.ArrayLike, level: float = 0.95
) -> Slope:
    """Fit y = Q x by weighted total least squares, exactly.

    Minimises J(Q) = sum (y - Q x)^2 / (Q^2 sx^2 + sy^2) by a search in the angle of the line, where the least
    value lies in a bounded interval; the interval of Q holds every slope whose J is within the chi-squared
    quantile of the least.

    Parameters
    ----------
    x
        Change of state of charge between two rests (fraction); positive and negative as it comes.
    y
        Charge between them [Ah], same sign.
    sx, sy
        Standard deviations of both.
    level
        Confidence of the interval.

    Raises
    ------
    ValueError
        No point, or an error that is not positive.

    Notes
    -----
    G. L. Plett, J. Power Sources 196 (2011) 2319, solves an approximation of the same problem recursively;
    for a file at hand there is no reason to approximate.
    """
    x, y, sx, sy = (np.asarray(v, dtype=float) for v in np.broadcast_arrays(x, y, sx, sy))
    if x.size == 0 or not (np.all(sx > 0) and np.all(sy > 0)):
        raise ValueError("at least one point, and errors above nought")
    unit = float(np.sqrt(np.sum(y**2) / np.sum(x**2)))  # puts the line near 45 degrees

    def cost(angle: float) -> float:
        c, s = np.cos(angle), np.sin(angle) * unit
        return float(np.sum((c * y - s * x) ** 2 / (s * s * sx**2 + c * c * sy**2)))

    grid = np.linspace(-np.pi / 2, np.pi / 2, 361)[1:-1]
    start = int(np.argmin([cost(a) for a in grid]))
    step = grid[1] - grid[0]
    found = optimize.minimize_scalar(
        cost, bounds=(grid[start] - step, grid[start] + step), method="bounded", options={"xatol": 1e-12}
    )
    best, least = float(found.x), float(found.fun)
    limit = least + float(special.chdtri(1, 1.0 - level))
    edges = [_edge(cost, best, sign * np.pi / 2, limit) for sign in (-1, 1)]
    value = _polished(float(unit * np.tan(best)), x, y, sx, sy)
    low, high = (unit * np.tan(e) if np.isfinite(e) else e for e in edges)
    second = _derivatives(value, x, y, sx, sy)[1]
    se = float(np.sqrt(2.0 / second)) if second > 0.0 else float("inf")
    return Slope(value, float(low), float(high), se)


def _edge(cost: Callable[[float], float], best: float, end: float, limit: float) -> float:
    """Return the angle towards `end` where the cost first passes `limit`; infinite where it never does."""
    path = best + (end - best) * np.linspace(0.0, 1.0, 2001)[1:] ** 3  # dense near the best slope
    inside = best
    for angle in path:
        if cost(float(angle)) > limit:
            return float(optimize.brentq(lambda a: cost(a) - limit, inside, float(angle), xtol=1e-14))
        inside = float(angle)
    return float(np.copysign(np.inf, end))


def _derivatives(q: float, x: Floats, y: Floats, sx: Floats, sy: Floats) -> tuple[float, float]:
    """Return the first and second derivative of the cost by the slope."""
    r, d = y - q * x, q * q * sx**2 + sy**2
    r1, d1, d2 = -x, 2 * q * sx**2, 2 * sx**2
    first = 2 * r * r1 / d - r**2 * d1 / d**2
    second = 2 * r1**2 / d - 4 * r * r1 * d1 / d**2 - r**2 * d2 / d**2 + 2 * r**2 * d1**2 / d**3
    return float(first.sum()), float(second.sum())


def _polished(q: float, x: Floats, y: Floats, sx: Floats, sy: Floats) -> float:
    """Return the slope after Newton's steps: a search by values alone is right to half the digits only."""
    for _ in range(3):
        first, second = _derivatives(q, x, y, sx, sy)
        if second <= 0.0 or abs(first / second) > 1e-3 * abs(q):
            break
        q -= first / second
    return q


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
