"""What the current sensor reads at rest.

The reading is the median at rest; its half width comes from the means of equal runs of the readings, from their
rounding, and from what no run shows: the BMS itself draws current while the pack rests.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.models.standing_load import Standing
from bmslogs.analysis.regression import BLOCKS, Z95, equal_blocks, t_factor
from bmslogs.analysis.rounding import mean_error, step_of

Floats = npt.NDArray[np.float64]

LEAST_REST_S, LEAST_READINGS = 60.0, 10
"""Rests that are shorter in all [s], or hold fewer readings, tell no zero (choice)."""
LEAST_HALF_A = 0.01
"""No zero is told better [A] (judgement)."""
DRAWN_C_RATE = 0.00012
"""How well a rest tells the zero of a current sensor, as a share of the capacity per hour: what the BMS itself
draws, 12 mA of 100 Ah (common practice, no source)."""


class ZeroKnown(NamedTuple):
    """Reading of the current at rest [A], positive as in discharge, its half width [A], time at rest [s]."""

    amps: float
    half: float
    rest_s: float


def zero_at_rest(
    readings: Floats, rest_s: float, zero_A: float, capacity: float, load: Standing | None
) -> ZeroKnown | Refusal:
    """Return the reading at rest with its half width.

    Parameters
    ----------
    readings
        (n,) readings of the current at rest, as logged [A].
    rest_s
        Time at rest [s].
    zero_A
        The reading at rest that the log's charge is counted from [A].
    capacity
        Nominal capacity [Ah].
    load
        A current that stands for long and flows; None where there is none.
    """
    if not len(readings):
        return _never_rests(load)
    if rest_s < LEAST_REST_S or len(readings) < LEAST_READINGS:
        return Refusal("the pack rests for less than a minute in this log")
    parts = equal_blocks(len(readings), BLOCKS)
    means = np.bincount(parts, readings) / np.bincount(parts)
    scatter = t_factor(BLOCKS) * float(means.std(ddof=1)) / np.sqrt(BLOCKS)
    least = step_of(readings)
    rounded = float(mean_error(readings[:, None], least)[0]) if np.isfinite(least) else 0.0
    half = float(np.hypot(max(LEAST_HALF_A, scatter, DRAWN_C_RATE * capacity), Z95 * rounded))
    return ZeroKnown(zero_A, half, rest_s)


def _never_rests(load: Standing | None) -> Refusal:
    why = "the pack never rests in this log"
    if load is not None:
        why += f": {load.amps:+.2f} A stand for long, and flow: {load.evidence()}"
    return Refusal(why)
