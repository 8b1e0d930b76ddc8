"""The end of a charge: how far it was counted, and how the cells stood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.known.refusal import Refusal

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class ChargeEnd:
    """The end of a charge.

    Attributes
    ----------
    drawn
        Charge drawn from the string since the split's first row [Ah], negative: taken in.
    bled
        (cells,) what was bled from each cell alone since then [Ah].
    volts
        Median voltage [V].
    below_knee
        (cells,) True where a cell of a flat curve had not left the plateau.
    """

    drawn: float
    bled: Floats
    volts: float
    below_knee: Bools


def sample_at_end(last_row: int, rows: Ints) -> int | Refusal:
    """Return the index of the sample at the end of a charge, or that charge was not counted up to it.

    Parameters
    ----------
    last_row
        Last row of the charge.
    rows
        (samples,) rows of the samples over which the charge was counted, rising.
    """
    if not rows[0] <= last_row <= rows[-1] + 1:
        return Refusal(
            "the charge lies in a part of the log where current or bleeding before it was not recorded"
        )
    return min(int(np.searchsorted(rows, last_row, side="right")) - 1, len(rows) - 1)
