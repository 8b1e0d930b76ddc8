"""The resistance of every cell by the loads of drives and charges.

Ohms and ratios are the load fit's. Their half widths join the scatter of blocks with what no block shows (in squares,
as fractions): the shape of the course with time, its fall with the load, the gain of the current sensor, unlike charge.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance
from bmslogs.analysis.known.excess import change_share, scale_share
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.known.resistance import Circumstances, ResistanceKnown, ratio_sd, shape_sd
from bmslogs.analysis.regression import Z95, jackknife_se, t_factor
from bmslogs.analysis.resistance import LoadFit
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]

STEPS_FLOOR = 0.06
"""How well the ohms are known where the current only changed a few times, as in a charge, as a fraction (choice, one
sd)."""
CLOSE_S, FARTHER_SHARE = 1.0, 0.5
"""Readings further apart than that [s] tell the shape worse, by that share of it for each second (choice)."""
BEND_ERROR, FLAT_BEND_ERROR = 0.1, 0.3
"""How well one column tells the fall of resistance with the load, as a fraction of that fall (choice, one sd). On a
flat curve an electrode that steps changes the resistance within a few per cent of charge as well, the more the more of
it falls with the load: a pulse at the mean charge of a drive is not the mean of the drive."""


def by_load(
    load: LoadFit,
    linear: LoadFit,
    ratio: tuple[Floats, Floats],
    under: Circumstances,
    rms_A: float,
    conditions: dict[str, Any],
) -> ResistanceKnown | Refusal:
    """Return the resistances off the load fit, or that its blocks disagree.

    Parameters
    ----------
    load, linear
        The fit, and the same without the fall of resistance with the load.
    ratio
        (cells,) resistance over the median cell's, and its standard error.
    under
        What they are told under.
    rms_A
        Root mean square of the current over the samples of the fit [A].
    conditions
        The same as estimates say it.
    """
    ohm, without = load.resistance()
    middle = float(median(ohm[under.trusted]))
    middles = median(without[:, under.trusted], axis=1)
    if not middle > 0 or not np.all(middles > 0):
        return Refusal(
            "the readings show no drop that follows the current: parts of the log disagree even on its sign"
        )
    relative, se = ratio
    half_relative = resistance.half_width(
        se, load.fit.blocks, ratio_sd(relative, se, under, drop_V=rms_A * middle) * np.abs(relative)
    )
    common = np.hypot(_common_sd(load, middle, middles, under), under.gain_sd)
    return ResistanceKnown(
        ohm,
        np.abs(ohm) * np.hypot(Z95 * common, half_relative / np.abs(relative)),
        relative,
        half_relative,
        middle,
        *scale_share(linear, relative, under.trusted),
        conditions,
        under.warmth,
        change_share(load, relative, under.trusted),
        _width(rms_A * middle, float(median(half_relative[under.trusted]))),
    )


def _common_sd(load: LoadFit, middle: float, middles: Floats, under: Circumstances) -> float:
    """Return what all cells share of the error of their ohms but for the sensor's gain: fraction, one sd.

    Parameters
    ----------
    load
        The fit.
    middle, middles
        Resistance of the median cell, and (blocks,) with a block left out [ohm].
    under
        What it is told under.
    """
    slow = shape_sd(under.degc) * (1.0 + FARTHER_SHARE * max(load.period_s - CLOSE_S, 0.0))
    if not under.drove:
        slow = max(slow, STEPS_FLOOR)
    unsure = FLAT_BEND_ERROR if under.flat else BEND_ERROR
    bend = unsure * abs(float(median(load.bend()[under.trusted]))) / middle
    blocks = float(jackknife_se(middles[:, None])[0]) / middle * t_factor(len(middles)) / Z95
    return float(np.sqrt(slow**2 + bend**2 + blocks**2))


def _width(drop_V: float, half: float) -> str:
    """Return what limits a resistance from a load: what it takes off a cell [V], how far cells are told apart."""
    return (
        f"the load takes {drop_V * 1e3:.0f} mV off a cell (rms), and parts of the log tell the cells apart to "
        f"+-{half * 100:.2g} % only"
    )
