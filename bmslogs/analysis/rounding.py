"""What rounding leaves in sums and means of many readings.

A reading rounded to a step errs by up to half of it; noise of a step or so makes the errors cancel in the mean, noise
far below leaves them as they are (theory of dither: Widrow and Kollar, Quantization Noise, 2008, from memory). For
Gaussian noise s and step D the mean errs by (D / pi) exp(-2 pi^2 s^2 / D^2) sin(2 pi v / D), to the first harmonic.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.base.nan_statistics import nanmedian, nanvar

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
    return np.asarray(
        step / (np.sqrt(2.0) * np.pi) * np.exp(-2.0 * (np.pi * np.asarray(noise) / step) ** 2), float
    )


def step_of(readings: Floats) -> float:
    """Return the least step between different readings (any shape) [V]; infinity where all are the same."""
    apart = np.diff(np.unique(np.round(readings, 6)))
    return max(float(apart.min()), 1e-4) if len(apart) else float("inf")


def share_of_news(volts: Floats, times: float, step: float, noise: float) -> float:
    """Return the share of what it seems to tell that each reading of a level tells: the rest repeats its rounding.

    Parameters
    ----------
    volts
        (rows, channels) readings of levels that hardly move [V], NaN where missing.
    times
        How often a reading is taken to be made anew over the rows.
    step, noise
        Step of the readings and standard deviation of one [V].
    """
    with np.errstate(all="ignore"):
        scatter = float(np.sqrt(nanmedian(nanvar(np.diff(volts, axis=0), axis=0)) / 2.0))
    return float(1.0 / (1.0 + times * (lasting_error(scatter, step) / noise) ** 2))


def weighted_error(weight: Floats, readings: Floats, step: float) -> float:
    """Return what the step of readings does to their sum with these weights, one standard deviation.

    Readings that stay the same from row to row share their rounding error: it does not average out over them. What
    stands still all along may drift under its rounding, so no run counts as longer than half of the rows.

    Parameters
    ----------
    weight, readings
        (rows,) weights, in any unit, and the readings [V] that they multiply.
    step
        Step of the readings [V].
    """
    moved = np.abs(np.diff(readings, prepend=readings[0])) > 0.5 * step
    moved[len(moved) // 2] = True
    run = np.cumsum(moved)
    return float(step / np.sqrt(12.0) * np.sqrt((np.bincount(run, weight) ** 2).sum()))


def mean_error(readings: Floats, step: float) -> Floats:
    """Return (cells,) what rounding leaves in the mean over the rows of `readings` (rows, cells) [V].

    By the noise where there is some, by how long readings stand still where there is not; the larger counts.
    """
    if not step > 0:
        return np.zeros(readings.shape[1])
    equal = np.full(len(readings), 1.0 / len(readings))
    still = np.array([weighted_error(equal, cell, step) for cell in readings.T])
    with np.errstate(all="ignore"):
        scatter = np.sqrt(nanvar(np.diff(readings, axis=0), axis=0) / 2.0)
    kept = np.array([lasting_error(float(one), step) if np.isfinite(one) else 0.0 for one in scatter])
    return np.asarray(np.maximum(still, kept), float)


def middle_error(own: Floats, levels: Floats, step: float) -> float:
    """Return what rounding leaves in the middle cell of several, in the unit of `own`, one standard deviation.

    Cells that stand closer together than a step are all rounded alike; further apart their errors average out.

    Parameters
    ----------
    own, levels
        (cells,) what rounding leaves in each cell, and where each stands [V].
    step
        Step of the readings [V].
    """
    if not step > 0:
        return 0.0
    if not len(own):
        return float("nan")
    alike = lasting_error(float(levels.std()), step) / lasting_error(0.0, step)
    return float(np.median(own) * np.hypot(alike, 1.25 / np.sqrt(len(own))))
