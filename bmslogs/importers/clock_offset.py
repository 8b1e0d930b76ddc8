"""Two clocks brought together: the current of one file against the voltages of another."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Int64s = npt.NDArray[np.int64]
CLEAR = 8.0
"""Choice: the peak of the correlation must stand this many standard deviations above the rest."""
ALONE = 1.3
"""Choice: and be this many times any other that is not beside it."""
SEGMENTS = 6
MOST_POINTS = 1 << 20


@dataclass(frozen=True)
class Alignment:
    """How the clock of the current is to be moved.

    Attributes
    ----------
    shift_s, uncertainty_s
        To be added to its stamps [s], with half the 95 % interval; None where nothing moves that would tell.
    falls
        Whether the voltage falls with the logger's current (positive is discharge).
    """

    shift_s: float | None
    uncertainty_s: float
    falls: bool
    clearness: float


def align(time_v: Int64s, voltage: Floats, time_i: Int64s, current: Floats) -> Alignment:
    """Find the shift of the current's clock at which steps of current and voltage meet.

    Parameters
    ----------
    time_v, voltage
        Stamps [us] and mean cell voltage [V].
    time_i, current
        Stamps [us] and current [A] of the other file.

    Notes
    -----
    The voltage answers a step of current at once (ohmic part), so the differences of both series, on one grid, have
    their largest cross-correlation at the shift. The scatter over segments of the log gives the uncertainty.
    """
    v, i = _finite(time_v, voltage), _finite(time_i, current)
    if len(v[0]) < 30 or len(i[0]) < 30:
        return Alignment(None, float("inf"), True, 0.0)
    step = max(float(np.median(np.diff(v[0]))), float(np.median(np.diff(i[0]))), 1e4)
    step = max(step, max(np.ptp(v[0]), np.ptp(i[0])) / MOST_POINTS)
    dv, di = _steps(*v, step), _steps(*i, step)
    if not dv.any() or not di.any():
        return Alignment(None, float("inf"), True, 0.0)
    size = 1 << int(np.ceil(np.log2(len(dv) + len(di))))
    product = np.fft.irfft(np.fft.rfft(dv, size) * np.conj(np.fft.rfft(di, size)), size)
    peak = int(np.argmax(np.abs(product)))
    away = np.abs((np.arange(size) - peak + size // 2) % size - size // 2) > 8
    clearness = float(np.abs(product[peak]) / (np.std(product[away]) + 1e-30))
    alone = float(np.abs(product[peak]) / (np.max(np.abs(product[away])) + 1e-30))
    if clearness < CLEAR or alone < ALONE:
        return Alignment(None, float("inf"), bool(product[peak] < 0), clearness)
    lag = peak if peak < len(dv) else peak - size
    coarse = (lag + _between(np.abs(product), peak, size)) * step + float(v[0][0] - i[0][0])
    shift, spread = _refined(v, i, coarse, step, float(np.sign(product[peak])))
    return Alignment(shift * 1e-6, spread * 1e-6, bool(product[peak] < 0), clearness)


def _finite(time: Int64s, values: Floats) -> tuple[Int64s, Floats]:
    good = np.isfinite(values)
    return time[good], values[good]


def _steps(time: Int64s, values: Floats, step: float) -> Floats:
    """Return differences on an even grid; a step larger than eight times the usual counts as that."""
    grid = np.arange(float(time[0]), float(time[-1]) + 0.5 * step, step)
    change = np.diff(np.interp(grid, time.astype(float), values))
    limit = 8 * np.sqrt(np.mean(change**2))
    return np.asarray(np.clip(change, -limit, limit), dtype=np.float64)


def _between(height: Floats, peak: int, size: int) -> float:
    """Return by how much of a step the top of a parabola through three points is off the middle one."""
    a, b, c = height[(peak - 1) % size], height[peak], height[(peak + 1) % size]
    curve = a - 2 * b + c
    return float(np.clip(0.5 * (a - c) / curve, -0.5, 0.5)) if curve < 0 else 0.0


def _refined(
    v: tuple[Int64s, Floats], i: tuple[Int64s, Floats], coarse: float, step: float, sign: float
) -> tuple[float, float]:
    """Refine a shift segment by segment; return the mean and half the 95 % interval, all in us."""
    edges = np.linspace(v[0][0], v[0][-1], SEGMENTS + 1)
    shifts = []
    for first, last in itertools.pairwise(edges):
        here = (v[0] >= first) & (v[0] <= last)
        if here.sum() < 20:
            continue
        grid = np.arange(first, last, step)
        dv = np.diff(np.interp(grid, v[0][here].astype(float), v[1][here]))
        if not dv.any():
            continue
        tried = np.arange(-3, 3.01, 0.25) * step
        scores = []
        for t in tried:
            di = np.diff(np.interp(grid, i[0].astype(float) + coarse + t, i[1]))
            norm = np.sqrt(float(di @ di) * float(dv @ dv))
            scores.append(sign * float(dv @ di) / norm if norm > 0 else 0.0)
        best = int(np.argmax(scores))
        if scores[best] > 0.3 and 0 < best < len(tried) - 1:
            shifts.append(tried[best] + _between(np.array(scores), best, len(scores)) * 0.25 * step)
    if len(shifts) < 3:
        return coarse, step
    from scipy.special import stdtrit

    half = float(stdtrit(len(shifts) - 1, 0.975) * np.std(shifts, ddof=1) / np.sqrt(len(shifts)))
    return coarse + float(np.mean(shifts)), max(half, 0.1 * step)


def nearest(time: Int64s, other: Int64s, tolerance: int) -> Int64s:
    """Return for each stamp the index of the nearest of others, -1 where none is within the tolerance [us]."""
    at = np.clip(np.searchsorted(other, time), 1, max(len(other) - 1, 1))
    left = np.clip(at - 1, 0, len(other) - 1)
    at = np.clip(at, 0, len(other) - 1)
    pick = np.where(np.abs(other[left] - time) <= np.abs(other[at] - time), left, at)
    return np.asarray(np.where(np.abs(other[pick] - time) <= tolerance, pick, -1), dtype=np.int64)
