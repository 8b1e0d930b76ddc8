"""Which share of a cell's excess of resistance behaves as the string's resistance does: a cell's does, a joint's not.

With r the ratio to the median cell, and g the ratio of a cell's growth to the median's (from a second to a minute into
the load, or over the loads, charges and temperatures of the log), the share is

    (g - 1) / (r - 1):

one where the cell itself has aged, nought where copper adds the same ohms at every time. A cell's resistance falls as
it warms (Arrhenius) and as the load grows (Butler-Volmer); copper's does neither.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import jackknife_se, t_factor
from bmslogs.analysis.resistance import LoadFit
from bmslogs.analysis.statistics import robust_scale

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

EARLY_S, EARLY_PERIODS, LATE_S = 1.0, 2.0, 60.0
"""The growth is that from here (no less than so many periods of the readings) to there into the load [s] (choice)."""
SCALE_FLOOR = 0.02
"""What blocks do not show of the growth's ratio, as a fraction (half width, choice)."""
CHANGE_NULLS, CHANGE_FLOOR = 2.5, 0.08
"""Half width of the share of an excess that changes with load and warmth, in scatters of the other cells, and what is
added: a cell of more resistance warms itself (choice)."""
MAD_TO_SD = 1.4826
"""Standard deviation of a normal sample over its median absolute deviation (1 / Phi^-1(0.75), rounded)."""
LEAST_CELLS = 4
"""Fewer trusted cells show no scatter of their changes (choice)."""


def scale_share(linear: LoadFit, relative: Floats, trusted: Bools) -> tuple[Floats, Floats]:
    """Return (cells,) which share of the excess grows with time into the load, and its half width.

    Parameters
    ----------
    linear
        The load fit without the fall of resistance with the load, whose course looks alike.
    relative
        (cells,) resistance over the median cell's.
    trusted
        (cells,) True where the readings count.
    """
    early = max(EARLY_S, EARLY_PERIODS * linear.period_s)
    r_early, without_early = linear.resistance(early)
    r_late, without_late = linear.resistance(LATE_S)
    with np.errstate(all="ignore"):
        scale = _beyond_median(r_late - r_early, trusted)
        blocks = _beyond_median(without_late - without_early, trusted)
        excess = relative - 1.0
        half = t_factor(len(blocks)) * jackknife_se(blocks) + SCALE_FLOOR
        return scale / excess, half / np.abs(excess)


def _beyond_median(growth: Floats, trusted: Bools) -> Floats:
    """Return by how much more than the median cell's a growth (.., cells) [ohm] is, as a fraction."""
    scale = growth / np.median(growth[..., trusted], axis=-1, keepdims=True) - 1.0
    return np.asarray(scale - np.median(scale[..., trusted], axis=-1, keepdims=True), float)


def change_share(
    load: LoadFit, relative: Floats, trusted: Bools
) -> tuple[Floats, Floats, Floats, Floats] | None:
    """Return (cells,) which share of the excess changes with load, charge and warmth as the string's resistance does.

    With its half width; then the same for charge and warmth alone. None where too little is known.
    """
    if load.drifts == 0 or trusted.sum() < LEAST_CELLS:
        return None
    value, without = load.changes()
    slow = slice(len(value) - load.drifts, None)
    return (
        *_share_of(value, without, relative, trusted),
        *_share_of(value[slow], without[:, slow], relative, trusted),
    )


def _share_of(value: Floats, without: Floats, relative: Floats, trusted: Bools) -> tuple[Floats, Floats]:
    """Weigh changes (k, cells) [ohm] by how well the other cells agree on them: their scatter is the null."""
    middle = np.median(value[:, trusted], axis=1)
    weight = np.linalg.pinv(
        _spread_of_blocks(without, trusted) + _scatter_of_cells(value - relative * middle[:, None], trusted)
    )
    strength = float(middle @ weight @ middle)
    if not strength > 0:
        nothing = np.full(len(trusted), np.nan)
        return nothing, nothing
    ratio = (middle @ weight @ value) / strength
    # by how much more than its due each cell's resistance changes, were it all its own
    excess = relative - 1.0
    share = (ratio / np.median(ratio[trusted]) - 1.0) / np.where(excess == 0.0, np.nan, excess)
    null = robust_scale((ratio - relative)[trusted], float(np.sqrt(1.0 / strength)))
    with np.errstate(divide="ignore"):  # the median cell has no excess
        return share, CHANGE_NULLS * null / np.abs(excess) + CHANGE_FLOOR


def _spread_of_blocks(without: Floats, trusted: Bools) -> Floats:
    """Return (k, k) covariance of a usual cell's changes against the median's, by leaving blocks out [ohm^2]."""
    away = without - np.median(without[:, :, trusted], axis=2, keepdims=True)
    away = away - away.mean(axis=0)
    blocks = len(away)
    spread = np.einsum("bic,bjc->cij", away, away)[trusted] * (blocks - 1) / blocks
    return np.asarray(np.median(spread, axis=0), float)


def _scatter_of_cells(beyond: Floats, trusted: Bools) -> Floats:
    """Return (k, k) how far sound cells' changes scatter beyond what their ratio makes of them [ohm^2]."""
    own = beyond[:, trusted]
    away = np.abs(own - np.median(own, axis=1, keepdims=True))
    return np.asarray(np.diag((MAD_TO_SD * np.median(away, axis=1)) ** 2), float)
