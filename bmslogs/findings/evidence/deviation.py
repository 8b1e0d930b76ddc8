"""How far cells stand from the median of the string, row by row."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.sampling import row_medians

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def from_median(volts: Floats, reference: Bools | None = None) -> Floats:
    """Return (rows, cells) each reading less the median of its row [V].

    All cells carry one current, so what is common to them (load, charge, warmth) leaves the difference; a median, so
    that one cell far off moves none of the others.

    Parameters
    ----------
    volts
        (rows, cells) [V], NaN where missing.
    reference
        (cells,) True where a reading may count to the median; None for all.
    """
    of = volts if reference is None or not reference.any() else volts[:, reference]
    return np.asarray(volts - row_medians(of)[:, None], float)
