"""A minus sign that some loggers put before a cell's voltage as a mark (of bleeding, mostly), not as a value.

A swapped tap reads negative too: then a neighbour reads about two cells at once, or all that its converter shows.
A mark leaves the neighbours as they are, and behind the sign stands a cell's voltage like all others in the row.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.importers.reading.fills import FULL_SCALE_MV, LEAST_MV

Floats = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
ALIKE, ALIKE_WHERE_RARE = 0.25, 0.08
"""Choice: behind a mark stands the row's median cell, to within this share; a lone sign may be damage."""
RARE = 0.02
"""Choice: fewer readings of a cell than this share with a sign are no habit of the logger."""
USUAL = 0.5
"""Choice: and what cells of the block read otherwise, to within this share: flags stand in all cells of a row."""
SAMPLED = 1000
"""Choice: as many rows of a block tell what cells read otherwise."""
NEIGHBOUR_LEAST, NEIGHBOUR_DOUBLED = 1.15, 1.5
"""Choice: a neighbour that reads so many times the median has taken up what a swapped tap lacks."""


def minus_marks(cells: Floats, low: float) -> Bools | None:
    """Return which readings have a minus sign for a mark, None where none has.

    Parameters
    ----------
    cells
        (cells, rows) [mV] as read.
    low
        Their least [mV].
    """
    if not low < LEAST_MV:
        return None
    with np.errstate(invalid="ignore"):
        negative = cells < LEAST_MV
    rows = np.flatnonzero(negative.any(axis=0))
    some = np.abs(cells[:, rows])
    with np.errstate(all="ignore"):
        middle = np.nanmedian(some, axis=0)
        high = some > np.maximum(
            NEIGHBOUR_LEAST * middle, np.minimum(NEIGHBOUR_DOUBLED * middle, FULL_SCALE_MV)
        )
        rare = negative.mean(axis=1) < RARE
        alike = np.abs(some - middle) < np.where(rare, ALIKE_WHERE_RARE, ALIKE)[:, None] * middle
        usual = float(np.nanmedian(np.abs(cells[:, :: max(cells.shape[1] // SAMPLED, 1)])))
        alike &= np.abs(some - usual) < USUAL * usual
    beside = np.zeros_like(high)
    beside[1:] |= high[:-1]
    beside[:-1] |= high[1:]
    here = negative[:, rows]
    # a swapped tap stays so: a row in which its neighbour is missing must not turn it
    swapped = (here & beside).sum(axis=1) > 0.5 * np.maximum(here.sum(axis=1), 1)
    marked = here & alike & ~beside & ~swapped[:, None]
    if not marked.any():
        return None
    out = np.zeros(cells.shape, dtype=bool)
    out[:, rows] = marked
    return out
