"""How sure offsets and lacks of capacity are: the split's own errors, and what lasts all log long.

A reading error e(q) that lasts moves (a, b) of a cell by

    (D' D)^-1 D' e,   D = [-dU/dq, q dU/dq],

seen through the fit; one level along the span and one part that grows along it stand for all such errors.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.common_fit import Split
from bmslogs.analysis.known.cell_places import Spread
from bmslogs.analysis.regression import BLOCKS, Z95, t_factor

Floats = npt.NDArray[np.float64]

POINTS = 200
"""Places along the span at which a lasting error is followed (choice)."""
RIDGE = 1e-12
"""Keeps the two columns apart where the curve does not climb [V^2/Ah^2, V^2] (numerical)."""
GROWING_SHARE = 0.5
"""How large the part of a lasting error that grows along the span is beside its level (choice)."""
MISFIT_MOST, FAR_MISFIT_MOST = 1.5, 3.0
"""A curve that does not fit a cell makes its parameters less sure by so much at most; where the cell was laid onto it
by itself nothing else held them (choice; the second by a few logs of aged cells, whose intervals it
holds)."""
LOADED_SHARE, FLAT_LOADED_SHARE = 0.03, 0.02
"""How far a sound cell's polarisation parts from the string's all log long, as a share of it: cells warm by unlike
amounts where no sensor is, and their electrodes pass their stages at unlike times; on a flat curve stages are few
(choice, one sd)."""
USUAL_EXCESS, AGED_SHARE = 0.05, 0.4
"""Excess of resistance up to which a cell is as the others, and the share of the slow polarisation that the excess of
an aged cell may miss (choice)."""
FLOWING_C_RATE, DROP_IN_OHMS = 0.02, 1.5
"""A current of more than that share of the capacity per hour flows; a load of minutes takes off a cell up to so many
times what its resistance at 10 s does (choice)."""


def split_errors(
    split: Split,
    reading_sd_V: float,
    most_drop_V: float,
    flat: bool,
    slope_doubt: float,
    most_excess: Floats | None = None,
) -> tuple[Spread, Spread]:
    """Return two spreads of (a, b), by the model and by blocks, lasting reading errors added.

    Parameters
    ----------
    split
        The split.
    reading_sd_V
        How far two channels read apart all log long [V], one sd.
    most_drop_V
        What the loads take off a cell at most [V], rms.
    flat
        True where the curve has a plateau.
    slope_doubt
        How many times steeper the string's curve came out than is sure.
    most_excess
        (cells,) excess of resistance that the loads themselves allow at most; None where they tell none. A charge of
        one current hardly tells a resistance from the curve: what the split calls so may be an emptier cell's.
    """
    q = np.linspace(split.q_low, split.q_high, POINTS)
    drop = float(np.sqrt((split.mean_polarisation(q) ** 2).mean()))
    # an aged cell's excess does not follow the string's slow polarisation as closely as its quick one
    excess = np.abs(np.nan_to_num(split.r))
    if most_excess is not None:
        excess = np.minimum(excess, most_excess)
    aged = np.clip(excess - USUAL_EXCESS, 0.0, None)
    # on a flat curve what is called polarisation may be a level of the curve: the resistance bounds it
    loaded = (FLAT_LOADED_SHARE if flat else LOADED_SHARE) * min(drop, most_drop_V)
    lasting = reading_sd_V**2 + (aged * (AGED_SHARE * drop)) ** 2 + loaded**2
    extra = _moved_by_lasting(split, q)[:, :, None] * lasting * slope_doubt**2
    # where the curve does not fit a cell, its parameters are less sure than they look
    doubted = np.where(split.far, FAR_MISFIT_MOST, MISFIT_MOST)
    misfit = np.clip(np.nan_to_num(split.misfit, nan=1.0), 1.0, doubted) ** 2 * slope_doubt**2
    t = (t_factor(BLOCKS) / Z95) ** 2
    entries = ((0, 0), (1, 1), (0, 1))
    return (
        Spread(*(split.formal[:, i, j] * misfit + extra[i, j] for i, j in entries)),
        Spread(*(split.cluster[:, i, j] * misfit * t + extra[i, j] for i, j in entries)),
    )


def _moved_by_lasting(split: Split, q: Floats) -> Floats:
    """Return (2, 2) the covariance of (a, b) [Ah, 1] for each V^2 of a reading error that lasts."""
    du = np.minimum(split.slope(q), 0.0)
    design = np.stack([-du, du * q], axis=1)
    gram = design.T @ design + np.diag([RIDGE, RIDGE])
    lever = np.linalg.solve(gram, design.T)
    along = (q - q.mean()) / max(np.ptp(q) / 2, 1e-9)
    level, growing = lever @ np.ones_like(q), lever @ along * GROWING_SHARE
    return np.asarray(np.outer(level, level) + np.outer(growing, growing), float)


def most_drop(current: Floats, resistance: float, capacity: float) -> float:
    """Return what a log's loads take off a cell at most [V], rms; infinity where nothing flowed.

    Parameters
    ----------
    current
        (rows,) [A], NaN where not known.
    resistance, capacity
        Usual resistance of a cell [ohm]; nominal capacity [Ah].
    """
    flowing = np.abs(current[np.abs(np.nan_to_num(current)) > FLOWING_C_RATE * capacity])
    if not len(flowing):
        return float("inf")
    return DROP_IN_OHMS * resistance * float(np.sqrt((flowing**2).mean()))
