"""What may move a sound cell against the others while current flows: loads that bursts of a contact stand out of."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

TAUS_S = (4.0, 20.0, 90.0)
"""Time constants of the low-passes of the current that bursts are told from [s] (choice)."""
LEAST_OHM_AH, MOST_OHM_AH = 0.05, 0.5
"""A usual cell's resistance times its capacity lies between these [ohm Ah] (judgement)."""
_AT_ONCE, _SOON = 3, 5
"""Columns of the current itself and of its quickest low-pass."""


def burst_loads(charge: Floats, current: Floats, filtered: Floats, steps: Floats) -> Floats:
    """Return (samples, p) columns: charge and its square, current and its bend, its low-passes, its steps.

    Parameters
    ----------
    charge, current
        (samples,) charge drawn [Ah] and current [A].
    filtered, steps
        (samples, times) low-passes of the current with `TAUS_S`, and the current at other times less its own [A].
    """
    bend = current * np.abs(current)
    return np.column_stack([np.ones(len(current)), charge, charge**2, current, bend, filtered, steps])


def generous_resistance(string: Floats, loads: Floats, capacity: float) -> float:
    """Return a usual cell's resistance, rather too large [ohm]: what a step does to a reading taken a row apart.

    Parameters
    ----------
    string
        (samples,) mean of the believed cells [V].
    loads
        (samples, p) of `burst_loads`.
    capacity
        [Ah].
    """
    size = np.maximum(np.sqrt((loads**2).mean(axis=0)), 1e-12)
    coef = np.linalg.lstsq(loads / size, string, rcond=None)[0]
    usual = max(float(-(coef / size)[[_AT_ONCE, _SOON]].sum()), LEAST_OHM_AH / capacity)
    return min(usual, MOST_OHM_AH / capacity)


def excess_over_the_string(away: Floats, current: Floats, usual: float) -> Floats:
    """Return (cells,) how much more each cell drops than the string, over a usual resistance.

    Parameters
    ----------
    away
        (samples, cells) readings less the string's mean [V].
    current
        (samples,) [A].
    usual
        [ohm].
    """
    drawn = current - current.mean()
    return np.asarray(-(drawn @ away) / max(float(drawn @ drawn), 1e-12) / usual, float)


def near_edges(flags: Bools) -> Bools:
    """Return (samples,) True where any cell's bleeding goes on or off within a row or two; (samples, cells) flags."""
    edge = np.concatenate([[False], (flags[1:] != flags[:-1]).any(axis=1)])
    return np.asarray(edge | np.roll(edge, 1) | np.roll(edge, -1), bool)
