"""What the pictures of a log are drawn from: deviations, charge moved, stretches; and thinning for the screen."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from tsdownsample import MinMaxLTTBDownsampler

from bmslogs.analysis.polarisation import charge_drawn, low_pass
from bmslogs.analysis.sampling import fill_short, sections
from bmslogs.analysis.stretches import Stretch, current_at_rest, stretches
from bmslogs.base.nan_statistics import nanmean
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
_THINNER = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]
POINTS = 1500  # of one line: about one a pixel of a wide figure (choice)


def mean_cell(log: Log) -> Floats:
    """Return (rows,) mean of the cells [V]."""
    return np.asarray(nanmean(log.cell_voltage, axis=1), float)


def deviation(log: Log, cell: int, *, others: bool = False) -> Floats:
    """Return (rows,) deviation of one cell from the mean of all [mV]; of the others alone with `others`."""
    column = log.cell_voltage[:, log.cells.index(cell)]
    n = log.cell_voltage.shape[1]
    mean = mean_cell(log)
    if others and n > 1:
        mean = (mean * n - column) / (n - 1)
    return np.asarray((column - mean) * 1e3, float)


def steady_current(log: Log) -> Floats | None:
    """Return (rows,) the current without gaps [A], missing readings joined; None where there is none."""
    if log.current is None or np.isnan(log.current).all():
        return None
    filled = fill_short(log.current, log.seconds, np.inf)
    return np.nan_to_num(filled)


def charge_moved(log: Log) -> Floats | None:
    """Return (rows,) charge drawn since the first row [Ah]; None without a current."""
    current = steady_current(log)
    return None if current is None else charge_drawn(current, log.seconds, sections(log.seconds))


def load_filtered(log: Log, tau_s: float, power: int = 1) -> Floats | None:
    """Return (rows,) the current to the given power, low-passed [A, A^2]; None without a current."""
    current = steady_current(log)
    return None if current is None else low_pass(current**power, log.seconds, sections(log.seconds), tau_s)


def stretches_of(log: Log) -> list[Stretch]:
    """Return what the pack was doing; empty where the log has no current."""
    current = steady_current(log)
    if current is None or log.rows < 2:
        return []
    zero, quiet = current_at_rest(current, log.seconds, log.pack.nominal_capacity_Ah)
    return stretches(log.seconds, current - zero, quiet, sections(log.seconds))


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
