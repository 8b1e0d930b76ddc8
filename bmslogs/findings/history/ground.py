"""The pack's middle taken out of its cells' values, log by log, so that what all cells share moves none of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.findings.history.gathered import middle

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

FEWEST = 3  # cells below which none can be told from the middle of the others
LEAST_SHARE = 1.0 / 3.0  # of the cells that a log must tell, or its middle is that of other cells (choice)
ROUNDS = 2


def common_part(y: Floats, part: Ints) -> Floats:
    """Return (logs,) what the cells have in common in each log; NaN where a log tells too few of them.

    The median over the cells of the distance from each one's own level: a cell that is missing from a log, or that
    work changed, does not move the others.

    Parameters
    ----------
    y
        (logs, cells).
    part
        (logs, cells) number of the stretch between two works on a cell; each has a level of its own.
    """
    enough = np.isfinite(y).sum(axis=1) >= max(FEWEST, LEAST_SHARE * y.shape[1])
    out = np.full(len(y), np.nan)
    if not enough.any():
        return out
    y, part = y[enough], part[enough]
    stretches = np.concatenate([np.where(part == k, y, np.nan) for k in np.unique(part)], axis=1)
    stretches = stretches[:, np.isfinite(stretches).any(axis=0)]
    common = np.zeros(len(y))
    for _ in range(ROUNDS):
        own = middle(stretches - common[:, None], 0)
        common = middle(stretches - own, 1)
    out[enough] = common
    return out


def against_the_pack(y: Floats, part: Ints) -> Floats:
    """Return (logs, cells) the values less what all cells share; the pack's middle cell lies at nought.

    Parameters
    ----------
    y, part
        As in `common_part`.
    """
    if y.shape[1] < FEWEST or not np.isfinite(y).any():
        return np.full(y.shape, np.nan)
    rest = y - common_part(y, part)[:, None]
    return np.asarray(rest - middle(middle(rest, 0), 0))
