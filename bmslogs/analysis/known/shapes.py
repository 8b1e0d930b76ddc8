"""What is known of a string: values with 95 % half widths, one array entry a cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.worth import Worth

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Spread:
    """Variances of a and b and their covariance, per cell."""

    a: Floats
    b: Floats
    ab: Floats

    def of(self, q: float | Floats) -> Floats:
        """Return the variance of the offset a - b q [Ah^2]."""
        return np.asarray(np.maximum(self.a + q**2 * self.b - 2 * q * self.ab, 0.0), float)


@dataclass(frozen=True)
class OffsetKnown:
    """Charge offset of every cell as a fraction, at the first row."""

    value: Floats
    half: Floats
    conditions: dict[str, Any]
    why: str


@dataclass(frozen=True)
class CapacityKnown:
    """Capacity of every cell, relative and in Ah."""

    relative: Floats
    half_relative: Floats
    ampere_hours: Floats
    half_ampere_hours: Floats
    absolute_known: bool
    why_absolute: str
    conditions: dict[str, Any]
    why: str


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


@dataclass(frozen=True)
class Remaining:
    """What stays of the offsets at full charge, capacities allowed for: the part that balancing mends."""

    value: Floats
    half: Floats
