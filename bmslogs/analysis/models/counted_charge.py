"""Charge that is counted: taken by bleeding resistors, without a break in the counting, up to a rest."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import rests
from bmslogs.analysis.stretches import Stretch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

MOST_CELL_V = 5.0
"""A resistor is never taken to lie at more than this: what reads more is none of a cell (judgement)."""


def bled_charge(volts: Floats, flags: Bools, seconds: Floats, section: Ints, resistor: float) -> Floats:
    """Return (rows, cells) charge that commanded bleeding took from each cell before each row [Ah], by Ohm's law.

    Parameters
    ----------
    volts, flags
        (rows, cells) readings [V], NaN where missing, and whether each cell is told to bleed.
    seconds, section
        (rows,) [s], number of the section: nothing is counted over pauses.
    resistor
        [ohm].
    """
    step = np.diff(seconds, append=seconds[-1])
    step[np.diff(section, append=section[-1]) != 0] = 0.0
    amps = np.where(flags, np.clip(np.nan_to_num(volts), 0.0, MOST_CELL_V), 0.0) / resistor
    total = np.cumsum(amps * step[:, None], axis=0) / 3600.0
    return np.asarray(np.vstack([np.zeros(total.shape[1]), total[:-1]]), float)


def longest_count(charge: Floats, section: Ints, at_rest: Bools, parked: Bools) -> Ints:
    """Return the samples over which charge is counted without a break and most charge moved.

    A pause between two rests breaks nothing: what flowed in it shows in neither. Times parked do.

    Parameters
    ----------
    charge, section, at_rest, parked
        (samples,) charge drawn [Ah], number of the section, True where nothing flows, True while parked.
    """
    broken = parked.copy()
    after = np.flatnonzero(np.diff(section)) + 1
    broken[after] |= ~(at_rest[after - 1] & at_rest[after])
    number = np.cumsum(broken)
    counted = np.flatnonzero(~parked)
    best: Ints = np.arange(0)
    most = -1.0
    for part in np.split(counted, np.flatnonzero(np.diff(number[counted])) + 1):
        if len(part) > 1 and np.ptp(charge[part]) > most:
            most, best = float(np.ptp(charge[part])), part
    return best


def settling_rows(part: Stretch, seconds: Floats, before: bool) -> Ints:
    """Return the rows of a rest that tell its level: all of a short one, the near end of a long one, none of a shorter.

    Parameters
    ----------
    seconds
        (rows,) of the log [s].
    before
        Whether the rest lies before what is counted, so that its end is the near one.
    """
    first, last = seconds[part.first], seconds[part.last]
    if part.kind not in ("rest", "parked") or last - first < rests.LEAST_S:
        return np.arange(0)
    rows = np.arange(part.first, part.last + 1)
    near = (
        seconds[rows] >= last - rests.START_LEVEL_S
        if before
        else seconds[rows] <= first + rests.START_LEVEL_S
    )
    return np.asarray(rows[near], np.int64)
