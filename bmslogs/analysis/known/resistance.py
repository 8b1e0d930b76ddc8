"""The resistance of every cell as it is told, and what neither blocks nor steps show of its error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.statistics import robust_scale

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

RELATIVE_FLOOR, CHARGE_SHARE = 0.003, 1.7
"""How far the ratio of two sound cells at one charge differs from that over a log, and by how much more for each unit
of charge that they lie apart: within the stages of a graphite electrode the resistance of a first-principles cell
changes by 1 to 4 % over 1 % of charge (choice, one sd)."""
EMPTY_SHARE, EMPTIEST = 0.5, 0.02
"""A cell near empty resists more the less charge it has: the exchange current goes with the square root of what is left
in the electrode (Butler and Volmer's law with the usual symmetric coefficients), so that d ln R / dz is up to 0.5 / z;
z counts from the second, below which cells are not logged (choice)."""
UNLIKE_V = 0.0003
"""How far cells part from one curve while a charge ends, as its current falls [V] (choice, one sd): to a load that
takes hardly more off a cell it looks like a resistance."""
UNKNOWN_OFFSET, MOST_OFFSET = 0.004, 0.05
"""How far the charges of the cells of a string lie apart where the log does not say, and from where on it makes no more
of a difference, as shares of the capacity (choice, one sd)."""
ABSOLUTE_FLOOR, FLOOR_WARM_DEGC, FLOOR_SCALE_K, UNKNOWN_DEGC = 0.015, 25.0, 15.0, 10.0
"""How well a few filters tell the resistance at 10 s of a cell that is not linear, as a fraction at 25 degC. What is
not linear grows as the kinetics slow down in the cold: by e over 15 K (activation energies of 40 to 50 kJ/mol, from
memory; choice, one sd). Where no sensor tells it, the pack is taken to be cold."""
MOST_COLDER_K = 45.0
"""Colder than that it grows no further [K] (choice: no cell is charged or driven there)."""
STEPS_RELATIVE_FLOOR, STEPS_LOT_SD, LOT_CELLS = 0.01, 0.04, 4
"""The floor of ratios where the current only changed a few times, as in a charge, and how far cells of one string lie
apart: a scatter beyond that is the charge's, not the cells' (choice, one sd). Fewer cells show no scatter."""


@dataclass(frozen=True)
class ResistanceKnown:
    """Resistance of every cell: ohms and ratio to the median with their half widths.

    `scale_share` is the part of a cell's excess that grows with time into the load as an aged cell's does: one for a
    cell, nought for a joint. Only a high one says anything: sluggish kinetics or a film add ohms that do not grow.
    `warmth` is each cell's temperature by its nearest sensor [degC], NaN where none tells it.
    `changes` are the part of the excess that changes with load, charge and warmth within the log as the string's
    resistance does, its half width, and both for charge and warmth alone; None where not known.
    `why` says what limits the widths.
    """

    ohm: Floats
    half_ohm: Floats
    relative: Floats
    half_relative: Floats
    middle: float
    scale_share: Floats
    half_scale_share: Floats
    conditions: dict[str, Any]
    warmth: Floats | None = None
    changes: tuple[Floats, Floats, Floats, Floats] | None = None
    why: str = ""


@dataclass(frozen=True)
class Circumstances:
    """What a log's resistances are told under.

    Attributes
    ----------
    trusted
        (cells,) True where the readings count.
    offset
        (cells,) charge offsets, as shares of the capacity; None where not known.
    degc
        Temperature of the pack [degC]; None where no sensor tells it.
    warmth
        (cells,) temperature of each cell [degC], NaN where not known.
    drove
        True where the log has drives: their current changes all the time.
    flat
        True where the curve has a plateau.
    gain_sd
        Gain error of the current sensor, as a fraction, one sd.
    """

    trusted: Bools
    offset: Floats | None
    degc: float | None
    warmth: Floats
    drove: bool
    flat: bool
    gain_sd: float


def shape_sd(degc: float | None) -> float:
    """Return how well filters tell the resistance at 10 s in a pack so warm [degC]: fraction, one sd."""
    colder = FLOOR_WARM_DEGC - (UNKNOWN_DEGC if degc is None else degc)
    return ABSOLUTE_FLOOR * float(np.exp(np.clip(colder, 0.0, MOST_COLDER_K) / FLOOR_SCALE_K))


def ratio_sd(
    relative: Floats,
    se: Floats,
    under: Circumstances,
    lowest_soc: float | None = None,
    drop_V: float | None = None,
) -> Floats:
    """Return (cells,) what neither blocks nor steps show of a ratio of resistances: fraction, one sd.

    Parameters
    ----------
    relative, se
        (cells,) ratio to the median cell and its standard error.
    under
        What it was told under.
    lowest_soc
        State of charge at the lowest step; None where the load moved through the charges.
    drop_V
        What the load takes off the median cell (rms) [V]; None where single steps tell.
    """
    away = np.full(len(relative), UNKNOWN_OFFSET)
    if under.offset is not None:
        away = np.where(np.isfinite(under.offset), np.abs(under.offset), away)
    floor = RELATIVE_FLOOR
    if not under.drove:
        # an electrode's stage or a knee that the cells pass one after the other looks like a resistance
        own = under.trusted
        scatter = robust_scale(relative[own]) if own.sum() >= LOT_CELLS else 0.0
        beyond = scatter**2 - float(np.median(se[own])) ** 2 - STEPS_LOT_SD**2
        floor = float(np.hypot(STEPS_RELATIVE_FLOOR, np.sqrt(max(beyond, 0.0))))
        if drop_V is not None:
            floor = float(np.hypot(floor, UNLIKE_V / drop_V))
    steep = CHARGE_SHARE
    if lowest_soc is not None:
        steep = float(np.hypot(steep, EMPTY_SHARE / max(lowest_soc, EMPTIEST)))
    return np.asarray(np.hypot(floor, steep * np.minimum(away, MOST_OFFSET)), float)
