"""What the current reads while nothing flows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.flow import Flow

Floats = npt.NDArray[np.float64]


def rest_current(flow: Flow) -> Floats:
    """Return (rows,) the current as it was read where the pack rests [A], NaN elsewhere.

    Its rows are those from which the sensor's zero is told.
    """
    return np.where(flow.quiet, flow.read_current, np.nan)
