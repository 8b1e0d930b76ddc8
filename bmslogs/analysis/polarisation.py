"""Currents passed through low-pass filters: the columns by which a voltage answers a load.

A voltage that relaxes with several time constants is a sum of first-order filters of the current (lumped-parameter
regression of the PNGV battery test manual, appendix on equivalent circuits; the time constants need not be the
cell's own, only spread over those that matter).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg.lapack import dtbtrs
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]


def low_pass(current: Floats, seconds: Floats, section: npt.NDArray[np.int64], tau_s: float) -> Floats:
    """Return the first-order low-pass of `current` with time constant `tau_s`, from nought in each section.

    Uniformly sampled sections go through one linear filter; others are stepped exactly, the current taken as
    straight between rows.

    Parameters
    ----------
    current, seconds, section
        (rows,) [A], [s], number of the section; no NaN.
    """
    out = np.empty(len(current))
    for number in range(int(section[-1]) + 1):
        rows = slice(*np.searchsorted(section, [number, number + 1]))
        t, i = seconds[rows], current[rows]
        out[rows] = _filtered(i, t, tau_s)
    return out


def _filtered(current: Floats, t: Floats, tau_s: float) -> Floats:
    if len(t) < 2:
        return np.zeros(len(t))
    step = np.diff(t)
    usual = float(np.median(step))
    if np.all(np.abs(step - usual) <= 0.02 * usual):
        return _uniform(current, usual, tau_s)
    return _stepped(current, step / tau_s)


def _stepped(current: Floats, x: Floats) -> Floats:
    """Exact step over unlike intervals `x` (in time constants) for a current that is straight between rows.

    A grid would step over what a logger wrote densely for a moment only. The recursion f[n] - a f[n-1] = .. is a
    triangular system of two diagonals.
    """
    a = np.exp(-x)
    g = np.divide(-np.expm1(-x), x, out=np.ones_like(x), where=x > 0)
    gain = (g - a) * current[:-1] + (1.0 - g) * current[1:]
    diagonals = np.stack([np.ones_like(a), np.append(-a[1:], 0.0)])
    found, _ = dtbtrs(diagonals, gain[:, None], uplo="L", diag="U")
    return np.concatenate([[0.0], found[:, 0]])


def _uniform(current: Floats, step: float, tau_s: float) -> Floats:
    """Exact step for a current that is straight between rows (first-order hold)."""
    x = step / tau_s
    a = np.exp(-x)
    g = (1.0 - a) / x
    # f[n] = a f[n-1] + (g - a) I[n-1] + (1 - g) I[n]
    start = np.array([-(1.0 - g) * current[0]])  # so that the first value is nought
    return np.asarray(lfilter([1.0 - g, g - a], [1.0, -a], current, zi=start)[0], float)


def charge_drawn(current: Floats, seconds: Floats, section: npt.NDArray[np.int64]) -> Floats:
    """Return the charge drawn since the first row [Ah], trapezoidal; nothing is counted across a pause."""
    step = np.diff(seconds, prepend=seconds[:1])
    mean = np.empty(len(current))
    mean[0] = 0.0
    mean[1:] = 0.5 * (current[1:] + current[:-1])
    step[np.diff(section, prepend=section[:1]) != 0] = 0.0
    return np.asarray(np.cumsum(mean * step) / 3600.0, float)


SHIFT_LEAST_S = 0.5
"""Rows closer than this tell the current at four times about a row; others at the two next rows (choice)."""


def shift_times(interval_s: float) -> tuple[float, ...]:
    """Return the times [s] about a row, for rows `interval_s` apart, between which the current is interpolated."""
    if interval_s <= SHIFT_LEAST_S:
        return (-2 * SHIFT_LEAST_S, -SHIFT_LEAST_S, SHIFT_LEAST_S, 2 * SHIFT_LEAST_S)
    return (-interval_s, interval_s)


def shifted_currents(
    current: Floats, seconds: Floats, section: npt.NDArray[np.int64], shifts_s: tuple[float, ...]
) -> Floats:
    """Return the current at other times about each row, less the row's own [A].

    A voltage read a little later or earlier than the current of its row answers the current of that other moment,
    which is interpolated between these times with weights that a fit finds: these columns. They leave a resistance
    alone, which is what a steady current shows.

    Parameters
    ----------
    current, seconds, section
        (rows,) [A], [s], number of the section; no NaN.
    shifts_s
        Times [s], positive: later than the row.

    Returns
    -------
    (rows, times); beyond the ends of a section its first or last current stands.
    """
    out = np.empty((len(current), len(shifts_s)))
    for number in range(int(section[-1]) + 1):
        rows = slice(*np.searchsorted(section, [number, number + 1]))
        t, i = seconds[rows], current[rows]
        for k, shift in enumerate(shifts_s):
            out[rows, k] = np.interp(t + shift, t, i) - i
    return out


def hysteresis_state(
    current: Floats, seconds: Floats, section: npt.NDArray[np.int64], memory_Ah: float
) -> npt.NDArray[np.float64]:
    """Return where a string stands between the branches of its hysteresis, and what is left of where it began.

    The state follows the direction of the current and turns over with the charge moved, not with time:
    dh = (sign(I) - h) |dq| / memory (first-order model of hysteresis; Plett, J. Power Sources 134 (2004) 262, from
    memory).

    Parameters
    ----------
    current, seconds, section
        (rows,) [A], positive on discharge, [s], number of the section; no NaN.
    memory_Ah
        Charge over which a branch is reached [Ah].

    Returns
    -------
    (rows, 2): state from -1 (charge) to 1 (discharge), nought at the first row; exp(-moved / memory).
    """
    drawn = charge_drawn(current, seconds, section)
    moved = charge_drawn(np.abs(current), seconds, section) / memory_Ah
    count = max(int(np.ceil(moved[-1] / 0.02)), 1)
    grid = np.linspace(0.0, max(float(moved[-1]), 1e-9), count + 1)
    distinct = np.concatenate([[True], np.diff(moved) > 0])
    net = np.diff(np.interp(grid, moved[distinct], drawn[distinct])) / (memory_Ah * grid[1])
    keep = np.exp(-grid[1])
    state = np.concatenate([[0.0], lfilter([1.0 - keep], [1.0, -keep], net)])
    return np.stack([np.interp(moved, grid, state), np.exp(-moved)], axis=1)
