"""Does bleeding work? What each cell lost while resting against what was commanded.

While the pack rests a bled cell's voltage leaves the others by u'(z) / Q for every ampere-hour bled. Effectiveness is
the observed loss over the commanded one, ideally one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import equal_blocks, t_factor
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SLOPE_ERROR = 0.15
"""How well the slope of the open-circuit curve is known at a rest (choice, one sd, as a fraction)."""
LEAST_AH = 0.1
LEAST_HOURS, SETTLES_H = 1.0, 0.5
AFTERWARDS = 0.25
"""After the last command a rest is followed for this share of the time before (choice)."""
LEAST_BETWEEN = 0.3
"""Less of what was commanded between the levels that are compared tells no effect (choice)."""


@dataclass(frozen=True)
class BleedEffect:
    """What each cell lost over a rest with bleeding [Ah].

    Attributes
    ----------
    commanded
        (cells,) by the flags.
    lost, half_width
        (cells,) by the voltage, with its 95 % half width; most cells are taken to lose what was commanded.
    hours
        Length of the rest [h].
    drop_V
        (cells,) by how much what was commanded should have moved the reading, by the table [V].
    """

    commanded: Floats
    lost: Floats
    half_width: Floats
    hours: float
    drop_V: Floats


@dataclass(frozen=True)
class BleedFalls:
    """By how much each reading fell over a rest with bleeding against the cells that were not bled: no curve is used.

    Attributes
    ----------
    commanded
        (cells,) charge by the flags [Ah].
    fell_V
        (cells,) fall against the middle one of the cells without a command [V].
    scatter_V
        How far those without a command scatter about their middle, one sd [V].
    hours
        Length of the rest [h].
    """

    commanded: Floats
    fell_V: Floats
    scatter_V: float
    hours: float


def bleed_falls(volts: Floats, bled: Floats, seconds: Floats, trusted: Bools, step_V: float) -> BleedFalls:
    """Compare the falls of cells that were commanded to bleed with those of the others.

    Parameters as of `bleed_effect`; `step_V` is the step of the readings [V].

    Raises
    ------
    NotEnoughData
        Too short, or too few cells without a command.
    """
    hours = (seconds - seconds[0]) / 3600.0
    commanded = bled[-1] - bled[0]
    left = trusted & (commanded <= NO_COMMAND * commanded.max())
    if hours[-1] < LEAST_HOURS or left.sum() < LEAST_LEFT:
        raise NotEnoughData(f"{left.sum()} cells without a command over {hours[-1]:.1f} h tell no scatter")
    ends = max(len(volts) // 20, 5)
    fell = median(volts[:ends], axis=0) - median(volts[-ends:], axis=0)
    fell = fell - float(median(fell[left]))
    scatter = max(1.4826 * float(median(np.abs(fell[left]))), step_V / np.sqrt(6.0))
    return BleedFalls(commanded, fell, scatter, float(hours[-1]))


NO_COMMAND, LEAST_LEFT = 0.02, 6
"""Up to this share of the most that was commanded a cell counts as left alone, and so many of these are needed
(choice)."""


def bleed_effect(
    volts: Floats, bled: Floats, bleed: Bools, seconds: Floats, trusted: Bools, volt_per_ah: float
) -> BleedEffect:
    """Compare what was commanded with what the voltages lost over one rest.

    Parameters
    ----------
    volts
        (rows, cells) [V], drops in the sense wires taken out; no NaN in trusted columns.
    bled
        (rows, cells) charge commanded away so far [Ah].
    bleed
        (rows, cells) flags.
    seconds, trusted
        (rows,) [s]; (cells,).
    volt_per_ah
        Slope of the open-circuit curve of one cell [V/Ah].

    Raises
    ------
    NotEnoughData
        Too short, or nothing worth measuring was bled.
    """
    hours = (seconds - seconds[0]) / 3600.0
    # a rest that goes on for days after the bleeding tells no more of it
    over = float(hours[np.flatnonzero(bleed.any(axis=1))[-1]]) if bleed.any() else float(hours[-1])
    kept = hours <= max(over + AFTERWARDS * over, LEAST_HOURS + SETTLES_H)
    volts, bled, hours = volts[kept], bled[kept], hours[kept]
    settled = hours >= min(SETTLES_H, 0.2 * hours[-1])
    h = hours[settled]
    if h[-1] - h[0] < LEAST_HOURS or settled.sum() < 40:
        raise NotEnoughData(f"a rest with bleeding of {hours[-1]:.1f} h only")
    commanded = bled[settled][-1] - bled[settled][0]
    if commanded.max() < LEAST_AH:
        raise NotEnoughData(f"no more than {commanded.max():.2g} Ah was bled from any cell at rest")
    if trusted.sum() < 4:
        raise NotEnoughData("too few cells to tell one from the others")
    v = volts[settled]
    away = v - median(v[:, trusted], axis=1, keepdims=True)
    step = max(1, len(h) // 1200)
    pick = slice(None, None, step)
    blocks = equal_blocks(len(h[pick]), 6)
    drop = -_later(away[pick], blocks)
    # as much of what was commanded lies between the blocks that tell the fall, bled evenly or not
    between = _later(bled[settled][pick], blocks)
    share = between[int(np.argmax(commanded))] / commanded.max()
    if share < LEAST_BETWEEN:
        raise NotEnoughData("what was bled was bled before the levels that would tell of it")
    lost = drop / volt_per_ah / share
    commanded = between / share
    # most cells lose what is commanded: that sets the level which the voltages alone leave open
    level_ah = median((lost - commanded)[trusted])
    lost = lost - level_ah
    # of an even number the lower of the two: two leads that changed places make four cells of eight odd
    apart = np.sort(np.abs((lost - commanded)[trusted]))
    spread = 1.4826 * float(apart[(len(apart) - 1) // 2])
    scatter = t_factor(max(int(trusted.sum()) - 1, 4)) * max(spread, 0.0005 / volt_per_ah)
    half = np.hypot(scatter, 1.96 * SLOPE_ERROR * lost)
    return BleedEffect(commanded, lost, half, float(h[-1] - h[0]), commanded * volt_per_ah)


def _later(values: Floats, blocks: npt.NDArray[np.int64]) -> Floats:
    """Return (cells,) by how much the last two of six blocks stand above the first two, by their medians."""
    first, second, fifth, last = (np.median(values[blocks == b], axis=0) for b in (0, 1, 4, 5))
    return np.asarray((fifth + last - first - second) / 2.0, float)
