"""Self-discharge from a parked log: how fast each cell's voltage leaves the others.

I_leak,i - I_leak,middle = -d(V_i - V_middle)/dt Q / u'(z), ordinary least squares after the first half day, when the
voltages have settled. The current is not integrated over a parked log: a sensor's zero would invent charge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import block_fit, equal_blocks, jackknife_se, t_factor
from bmslogs.analysis.rounding import middle_error, weighted_error
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SETTLE_H = 12.0
LEAST_H = 36.0
"""Shorter after settling is refused; three days and more are usual (judgement: common practice, no source)."""
LEAST_READINGS = 12


@dataclass(frozen=True)
class Drift:
    """Drift of each cell against the middle one.

    Attributes
    ----------
    slope, se
        (cells,) [V/h]; NaN where not known.
    blocks
        Blocks behind `se`.
    hours
        Span used [h].
    level, level_se
        (cells,) how far each cell stood above the mean of the trusted ones when the stretch began [V].
    """

    slope: Floats
    se: Floats
    blocks: int
    hours: float
    level: Floats
    level_se: Floats


def drift(
    volts: Floats, seconds: Floats, temperature: Floats | None, trusted: Bools, step_V: float = 0.0
) -> Drift:
    """Fit the drift of every cell against the mean of the trusted ones.

    Parameters
    ----------
    volts
        (rows, cells) [V], rows of one parked stretch, NaN only in columns that are not trusted.
    seconds
        (rows,) [s].
    temperature
        (rows,) mean temperature [degC], whose swing day by day moves cells a little; None where not known.
    trusted
        (cells,) columns to use.
    step_V
        Step of the readings [V].

    Raises
    ------
    NotEnoughData
        Parked too short.
    """
    hours = (seconds - seconds[0]) / 3600.0
    settled = hours >= min(SETTLE_H, 0.25 * hours[-1])
    h = hours[settled]
    if len(h) < LEAST_READINGS or h[-1] - h[0] < LEAST_H:
        raise NotEnoughData(f"parked for {hours[-1]:.0f} h only")
    v = volts[settled]
    away = v - v[:, trusted].mean(axis=1, keepdims=True)
    columns = [np.ones_like(h), h - h.mean()]
    if temperature is not None and np.isfinite(temperature[settled]).all() and np.ptp(temperature[settled]) > 2.0:
        columns.append(temperature[settled] - temperature[settled].mean())
    # what is left of relaxation dies out with a time constant of hours
    columns.append(np.exp(-(h - h[0]) / 8.0))
    blocks = int(np.clip(len(h) // 6, 4, 8))
    fit = block_fit(np.stack(columns, axis=1), np.where(trusted, away, 0.0), equal_blocks(len(h), blocks))
    middle = np.median(fit.coef[1][trusted])
    without = fit.without[:, 1] - np.median(fit.without[:, 1][:, trusted], axis=1, keepdims=True)
    slope = np.where(trusted, fit.coef[1] - middle, np.nan)
    own, of_middle = _rounded(fit.pseudo_inverse[1], v, trusted, step_V)
    # blocks show the rounding of what moves from step to step, and none of what stands still
    se = np.hypot(np.maximum(jackknife_se(without), own), of_middle)
    back = h.mean()
    levels = fit.without[:, 0] - back * fit.without[:, 1]
    own, of_middle = _rounded(fit.pseudo_inverse[0] - back * fit.pseudo_inverse[1], v, trusted, step_V)
    return Drift(
        slope, np.where(trusted, se, np.nan), blocks, float(h[-1] - h[0]), fit.coef[0] - back * fit.coef[1],
        np.hypot(np.maximum(jackknife_se(levels), own), of_middle),
    )


def _rounded(weight: Floats, volts: Floats, trusted: Bools, step_V: float) -> tuple[Floats, float]:
    """Return what rounding does to a sum over the rows of each cell (cells,), and of the middle one, one sd.

    A reading that stands still for days keeps its rounding.
    """
    if not step_V > 0:
        return np.zeros(volts.shape[1]), 0.0
    own = np.array([weighted_error(weight, cell, step_V) for cell in volts.T])
    return own, middle_error(own[trusted], volts[:, trusted].mean(axis=0), step_V)


def half_width(se: Floats, blocks: int) -> Floats:
    """Return the half width of the 95 % interval."""
    return np.asarray(t_factor(blocks) * se, float)
