"""Rests as anchors: the voltage a string settles to, extrapolated, and how far it may still be from there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LEAST_S = 240.0
"""A shorter rest settles nothing (choice)."""
START_LEVEL_S = 8 * 3600.0
"""Of a pack parked for long no more than this counts: later it has leaked (choice)."""
READING_SD_V = 0.0005
"""How well the middle of a string's readings is known [V] (choice, one sd)."""

CHANNEL_SD_V = 0.0005
"""How far two channels of one board read apart at rest [V] (choice, one sd)."""


@dataclass(frozen=True)
class Anchors:
    """Places where the string's open-circuit voltage was seen.

    Attributes
    ----------
    charge, volt, sd
        (rests,) charge drawn [Ah], settled voltage of the middle cell [V], its standard deviation [V].
    """

    charge: Floats
    volt: Floats
    sd: Floats


NONE = Anchors(np.zeros(0), np.zeros(0), np.zeros(0))


def settled_level(seconds: Floats, volt: Floats) -> tuple[float, float]:
    """Return the voltage that a rest tends to and the standard deviation of that [V].

    What diffuses settles as one over the square root of time, so from a quarter of the rest to its end it moves as
    much as it still has to go; what settles exponentially has less to go. The truth is taken to be half way.

    Parameters
    ----------
    seconds, volt
        (rows,) time [s] and voltage [V] over the rest, no NaN, at least four rows.
    """
    length = seconds[-1] - seconds[0]
    end = volt[seconds >= seconds[-1] - 0.1 * length]
    begin = seconds[0] + 0.2 * length
    early = volt[(seconds >= begin) & (seconds <= begin + 0.1 * length)]
    level = float(end.mean())
    moved = level - float(early.mean()) if len(early) else 0.0
    return level + 0.5 * moved, float(np.hypot(0.5 * moved, READING_SD_V))


def merged(found: Anchors, within: float) -> Anchors:
    """Return anchors of which no two lie within `within` [Ah], the surest first: a table's error there is one."""
    kept: list[int] = []
    for i in np.lexsort((found.charge, found.sd)).tolist():
        if all(abs(found.charge[i] - found.charge[k]) >= within for k in kept):
            kept.append(i)
    kept.sort(key=lambda i: float(found.charge[i]))
    return Anchors(found.charge[kept], found.volt[kept], found.sd[kept])
