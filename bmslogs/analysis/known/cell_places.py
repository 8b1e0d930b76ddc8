"""Where every cell stands beside the median one: offset and lack of capacity off the split, with their errors.

A cell at q drawn from the string stands where the median cell does at q (1 + b) - a: it is ahead (fuller) by a - b q.
Its capacity is that of the median cell over 1 + b.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LOT_CAPACITY_SD = 0.012
"""How far the capacities of sound cells of a lot lie apart (choice, one sd): stands in where a log cannot say."""
WEAK_SHARE = 0.25
"""From this share of a lot's variance on, what a log says of a capacity is joined with what a lot says (choice)."""


@dataclass(frozen=True)
class Spread:
    """Variances of a [Ah^2] and b, and their covariance [Ah], (cells,) each."""

    a: Floats
    b: Floats
    ab: Floats

    def of(self, q: float | Floats) -> Floats:
        """Return the variance of the offset a - b q [Ah^2]."""
        return np.asarray(np.maximum(self.a + q**2 * self.b - 2 * q * self.ab, 0.0), float)


@dataclass(frozen=True)
class CellPlaces:
    """The cells beside the median one.

    Attributes
    ----------
    a, b
        (cells,) offset at the first row [Ah], positive: fuller; lack of capacity, positive: smaller.
    model, blocks
        Their errors by the model's residuals and by leaving out blocks; what lasts all log long is in both.
    trusted
        (cells,) True where the readings count.
    capacity
        Capacity of the median cell [Ah]: nominal, unless the log knows better.
    slope_error
        Half width of the slope of the string's curve, as a fraction: what is read through it errs by as much.
    """

    a: Floats
    b: Floats
    model: Spread
    blocks: Spread
    trusted: Bools
    capacity: float
    slope_error: float

    def at(self, q: float) -> tuple[Floats, Floats, Floats]:
        """Return (cells,) a [Ah], b and the variance of a - b q [Ah^2] where `q` [Ah] was drawn.

        By whichever of the two errors is the wider there.
        """
        (a0, b0, model), (a1, b1, blocks) = (sharpened(self.a, self.b, e) for e in (self.model, self.blocks))
        v0, v1 = model.of(q), blocks.of(q)
        wider = v1 > v0
        return np.where(wider, a1, a0), np.where(wider, b1, b0), np.where(wider, v1, v0)


def sharpened(a: Floats, b: Floats, e: Spread) -> tuple[Floats, Floats, Spread]:
    """Return a, b and their spread; where b is hardly known, a lot's spread of capacities is joined with it.

    Two normal statements on b, of variances e.b and that of a lot about nought, joined; a follows by their covariance.
    """
    lot = LOT_CAPACITY_SD**2
    weak = e.b > WEAK_SHARE * lot
    share = e.ab / (e.b + lot)
    sharp = Spread(
        np.where(weak, e.a - share * e.ab, e.a),
        np.where(weak, e.b * lot / (e.b + lot), e.b),
        np.where(weak, e.ab * lot / (e.b + lot), e.ab),
    )
    return np.where(weak, a - share * b, a), np.where(weak, b * lot / (e.b + lot), b), sharp
