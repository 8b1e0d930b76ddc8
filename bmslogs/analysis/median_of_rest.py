"""The median of every row, and of every row but for one of its columns: one sort answers for all columns."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Middles:
    """What the medians of rows hang on.

    Attributes
    ----------
    known
        (rows,) how many values of the row are not NaN.
    below, at, above
        (rows,) the value of rank ``known // 2`` (counted from 0) and its neighbours in order; NaN where there is none.
    """

    known: Ints
    below: Floats
    at: Floats
    above: Floats

    @cached_property
    def median(self) -> Floats:
        """(rows,) median of each row over what is known; NaN where nothing is."""
        odd = self.known % 2 == 1
        return np.where(odd, self.at, (self.below + self.at) / 2.0)

    def without(self, column: Floats) -> Floats:
        """Return the median of each row without one of its columns.

        Parameters
        ----------
        column
            (rows,) the column that is left out, NaN where it is missing.

        Returns
        -------
        (rows,) NaN where nothing else is known.

        Notes
        -----
        In the ordered row ``a`` less the value ``v``, rank ``j`` holds ``a[j]`` where ``a[j] < v`` and ``a[j + 1]``
        else (where equal values stand, either is the same). An even row less one is odd, and its median has rank
        ``known // 2 - 1``; an odd row less one is even, and its median lies between that rank and the next.
        """
        left = np.where(self.below < column, self.below, self.at)
        right = np.where(self.at < column, self.at, self.above)
        rest = np.where(self.known % 2 == 1, (left + right) / 2.0, left)
        rest = np.where(self.known > 1, rest, np.nan)
        return np.where(np.isnan(column), self.median, rest)


def middles(values: Floats) -> Middles:
    """Return the middle values of each row.

    Parameters
    ----------
    values
        (rows, columns), NaN where missing; at least one column.
    """
    ordered = np.sort(values, axis=1)  # NaN last
    known = values.shape[1] - np.isnan(values).sum(axis=1)
    rows, at = np.arange(len(values)), known // 2

    def ranked(rank: Ints) -> Floats:
        inside = (rank >= 0) & (rank < known)
        found = ordered[rows, np.clip(rank, 0, values.shape[1] - 1)]
        return np.where(inside, found, np.nan)

    return Middles(known, ranked(at - 1), ranked(at), ranked(at + 1))
