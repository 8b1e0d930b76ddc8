"""Lines and clouds thinned for the screen: as many points as pixels tell apart, the extremes kept."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from tsdownsample import MinMaxLTTBDownsampler

Floats = npt.NDArray[np.float64]
_THINNER = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]
POINTS = 1500  # of one line: about one a pixel of a wide figure (choice)


def thin(
    x: npt.NDArray[np.generic], y: Floats, points: int = POINTS
) -> tuple[npt.NDArray[np.generic], Floats]:
    """Return about `points` of a line with its extremes kept, and breaks where readings are missing."""
    good = np.flatnonzero(np.isfinite(y))
    if len(good) <= points:
        keep = good
    else:
        keep = good[_THINNER.downsample(np.ascontiguousarray(y[good]), n_out=points)]
    breaks = np.flatnonzero(np.isnan(y))
    if len(breaks):
        first = breaks[np.flatnonzero(np.diff(breaks, prepend=-2) > 1)]
        keep = np.union1d(keep, first[:points])
    return x[keep], y[keep]


def spread_rows(rows: int, points: int = POINTS) -> slice:
    """Return a slice that takes about `points` evenly spread rows, for clouds of points."""
    return slice(None, None, max(1, rows // points))


def box_mean(x: Floats, y: Floats, bins: int = 40) -> tuple[Floats, Floats]:
    """Return the mean of y in `bins` equal parts of x; parts with fewer than three points are left out."""
    good = np.isfinite(x) & np.isfinite(y)
    if good.sum() < 3 or np.ptp(x[good]) == 0:
        return x[good], y[good]
    edges = np.linspace(x[good].min(), x[good].max(), bins + 1)
    place = np.clip(np.digitize(x[good], edges) - 1, 0, bins - 1)
    count = np.bincount(place, minlength=bins)
    mean = np.bincount(place, y[good], minlength=bins) / np.maximum(count, 1)
    keep = count >= 3
    return ((edges[:-1] + edges[1:]) / 2)[keep], mean[keep]


def few_means(x: Floats, y: Floats, parts: int = 400) -> tuple[Floats, Floats]:
    """Return means over equal shares of the points that have a y, at most `parts`."""
    good = np.flatnonzero(np.isfinite(y))
    pieces = [p for p in np.array_split(good, min(parts, max(1, len(good)))) if len(p)]
    return np.array([x[p].mean() for p in pieces]), np.array([y[p].mean() for p in pieces])
