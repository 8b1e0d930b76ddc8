"""What is known of a string: values with 95 % half widths, one array entry a cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.worth import Worth

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class TopKnown:
    """Where every cell stood when the charge ended [Ah]."""

    missing: Floats
    half_missing: Floats
    needed: Floats
    half_needed: Floats
    end_volts: float
    most: float
    conditions: dict[str, Any]
    why: str


@dataclass(frozen=True)
class WorthKnown:
    """What balancing and replacing are worth."""

    values: dict[str, Worth]
    weakest_cell: int
    module: str | None
