"""From the rows of a log to samples that a regression may use: sections, real refresh rate, one common mask.

Regressors are computed at the log's full rate and then averaged in the same way as the voltages, so that a linear
model holds for the averages as it holds for the rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from bmslogs.analysis.median_of_rest import middles

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

GAP_FACTOR = 10.0
GAP_LEAST_S = 30.0
"""A pause longer than both this and `GAP_FACTOR` times the usual interval parts the log (choice)."""
AROUND = 9
"""So many steps about one tell the interval there: a logger that writes more seldom while the pack stands makes no
pauses (choice)."""


READ_SHARE, HELD_S = 0.7, 60.0
"""Where less of the rows have any cell's reading, the cells are read more seldom than rows are written; they stand
until the next reading, for so long at most [s] (choice)."""
BAND_STEPS, BAND_CHANGES, BAND_QUANTILE = 1.5, 100, 0.02
"""Changes that are never smaller than so many steps, but for so many of them, over so many changes, are those of a
logger that writes a reading only when it has moved so far (choice)."""
HELD_CELLS = 3
"""Fewer readings repeat by chance (choice)."""
FLOWING_ROWS = 100
"""So many rows under current tell how often a logger writes there (choice)."""


def usual_interval(seconds: Floats, flows: Bools | None = None) -> float:
    """Return the usual interval between rows [s]: where a current flows, for a logger that writes seldom while parked.

    Parameters
    ----------
    seconds
        (rows,) [s].
    flows
        (rows,) True where a current flows; None where that is not known.

    Returns
    -------
    float
        The median interval, or that under current where it is shorter; 1.0 for a log of one row.
    """
    if len(seconds) < 2:
        return 1.0
    step = np.diff(seconds)
    usual = float(np.median(step))
    if flows is None:
        return usual
    driven = step[flows[1:] & flows[:-1]]
    return min(usual, float(np.median(driven))) if len(driven) >= FLOWING_ROWS else usual


def interval_around(seconds: Floats) -> Floats:
    """Return (rows - 1,) the interval between rows as it is about each of them [s]: a running median."""
    step = np.diff(seconds)
    return np.asarray(median_filter(step, size=AROUND, mode="nearest"), float) if len(step) else step


def sections(seconds: Floats, joints: tuple[int, ...] = (), still: Bools | None = None) -> Ints:
    """Return (rows,) number of the section that each row lies in; a long pause starts a new one.

    Parameters
    ----------
    seconds
        (rows,) [s].
    joints
        Rows at which the log begins anew though no time is missing.
    still
        (rows,) True where next to no current flows: between two such rows the interval thereabouts counts as the
        usual one. None where that is not known.
    """
    if len(seconds) < 2:
        return np.zeros(len(seconds), np.int64)
    step = np.diff(seconds)
    usual = np.full(len(step), float(np.median(step)))
    if still is not None:
        usual = np.where(still[1:] & still[:-1], np.maximum(usual, interval_around(seconds)), usual)
    pause = step > np.maximum(GAP_FACTOR * usual, GAP_LEAST_S)
    pause[[row - 1 for row in joints if 0 < row < len(seconds)]] = True
    return np.concatenate([[0], np.cumsum(pause)]).astype(np.int64)


def step_with_band(volts: Floats, step: float) -> float:
    """Return the step of readings [V], wider where the logger writes a reading anew only when it has moved by more.

    A reading that stands until it has moved by d errs by up to d either way, as one rounded to steps of 2 d does.
    """
    with np.errstate(invalid="ignore"):
        moved = np.abs(np.diff(volts, axis=0))
    moved = moved[moved > 0.5 * step] if step > 0 else moved[:0]
    if len(moved) < BAND_CHANGES:
        return step
    band = float(np.quantile(moved, BAND_QUANTILE))
    return 2.0 * band if band > BAND_STEPS * step else step


def rows_between(volts: Floats, seconds: Floats) -> Ints | None:
    """Return (rows,) the row whose readings stand in each row, where a logger writes the current between the cells'.

    Such a log is then as one that repeats the cells' readings until they are read anew. None where rows without any
    cell's reading are few: these miss theirs.
    """
    read = np.asarray(~np.isnan(volts).all(axis=1), bool)
    if not 2 < read.sum() < READ_SHARE * len(read):
        return None
    last = np.maximum.accumulate(np.where(read, np.arange(len(read)), 0))
    stands = seconds - seconds[last] <= HELD_S
    return np.asarray(np.where(stands, last, np.arange(len(read))), np.int64)


def fill_short(values: Floats, seconds: Floats, longest_s: float) -> Floats:
    """Return `values` with NaN runs no longer than `longest_s` filled linearly; longer ones stay NaN."""
    bad = np.isnan(values)
    if not bad.any() or bad.all():
        return values
    good = np.flatnonzero(~bad)
    filled = np.interp(seconds, seconds[good], values[good])
    after = np.searchsorted(good, np.flatnonzero(bad))
    left = seconds[good[np.clip(after - 1, 0, len(good) - 1)]]
    right = seconds[good[np.clip(after, 0, len(good) - 1)]]
    inside = (after > 0) & (after < len(good)) & (right - left <= longest_s)
    out = values.copy()
    rows = np.flatnonzero(bad)[inside]
    out[rows] = filled[rows]
    return out


def fresh_rows(volts: Floats, seconds: Floats, interval: float | None = None) -> tuple[Bools, float]:
    """Find the rows in which the voltages were read anew.

    Parameters
    ----------
    volts
        (rows, cells) [V].
    seconds
        (rows,) [s].
    interval
        Usual interval between rows [s]; None: their median.

    Returns
    -------
    fresh
        (rows,) True where any channel differs from the row before, and on the first row; one that reads nothing in
        either tells nothing.
    period_s
        The real refresh period: the usual interval unless most rows repeat the last one.
    """
    interval = usual_interval(seconds) if interval is None else interval
    if len(seconds) < 3:
        return np.ones(len(seconds), bool), interval
    changed = np.empty(len(seconds), bool)
    changed[0] = True
    changed[1:] = ~_repeated(volts).all(axis=1)
    if changed.mean() > 0.6:
        return np.ones(len(seconds), bool), interval
    # quiet rows repeat by chance where few coarse channels rest; a staircase repeats while the string moves
    middle = row_medians(volts)
    if (np.abs(np.diff(middle, prepend=middle[0])) > 0).sum() < 20:
        return np.ones(len(seconds), bool), interval
    gaps = np.diff(seconds[changed])
    period = float(np.median(gaps)) if len(gaps) else interval
    if period < 1.5 * interval:
        return np.ones(len(seconds), bool), interval
    return changed, period


def row_medians(values: Floats) -> Floats:
    """Return the median of each row (rows,) over what is known; NaN where nothing is.

    One sort with NaN last: numpy's own way with rows of few columns goes through masked arrays, ten times as slow.
    """
    return middles(values).median if values.shape[1] else np.full(len(values), np.nan)


def held_rows(volts: Floats, current: Floats, step: float, usual_resistance: float) -> Bools:
    """Find rows that repeat the voltages of the row before although the current moved.

    Parameters
    ----------
    volts, current
        (rows, cells) [V], (rows,) [A].
    step
        Step of the readings [V].
    usual_resistance
        Rough resistance of a cell [ohm]: a change of current must be worth two steps before equality is odd.

    Returns
    -------
    (rows,) True where all channels repeat and the change of current would have moved them.
    """
    out = np.zeros(len(volts), bool)
    if len(volts) < 3 or volts.shape[1] < HELD_CELLS:
        return out
    same = _repeated(volts).all(axis=1) & ((~np.isnan(volts[1:])).sum(axis=1) >= HELD_CELLS)
    moved = np.abs(np.diff(current)) * usual_resistance > 2.0 * step
    out[1:] = same & moved
    return out


def _repeated(volts: Floats) -> Bools:
    """Return (rows - 1, cells) True where a reading is that of the row before, or there is none in either."""
    return np.asarray((volts[1:] == volts[:-1]) | (np.isnan(volts[1:]) & np.isnan(volts[:-1])), bool)


@dataclass(frozen=True)
class Samples:
    """Rows grouped into samples.

    Attributes
    ----------
    start
        (samples,) first row of each sample.
    rows
        (rows,) which rows belong to a sample at all.
    period_s
        Usual time between samples [s].
    """

    start: Ints
    rows: Ints
    period_s: float

    def mean(self, values: npt.NDArray[np.float64]) -> Floats:
        """Return the mean of `values` (rows, ...) in each sample; NaN where any of its rows is."""
        taken = values if len(self.rows) == len(values) else values[self.rows]
        if len(self.start) == len(taken):
            return np.asarray(taken, float)
        counts = np.diff(np.append(self.start, len(taken)))
        sums = np.add.reduceat(taken, self.start, axis=0)
        return np.asarray(sums / counts.reshape((-1,) + (1,) * (values.ndim - 1)), float)


def group_rows(seconds: Floats, fresh: Bools, period_s: float, *, least_s: float = 1.0) -> Samples:
    """Group rows into samples of about `least_s` where the log is faster than that, else one row a sample.

    Where the voltages are refreshed more slowly than rows are written, only the rows of a new reading count.
    """
    rows = np.flatnonzero(fresh)
    t = seconds[rows]
    if period_s >= 0.75 * least_s or len(rows) < 2:
        return Samples(np.arange(len(rows)), rows, period_s)
    bins = np.floor((t - t[0]) / least_s + 1e-6).astype(np.int64)
    start = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    return Samples(start, rows, least_s)


def renumber(section: Ints) -> Ints:
    """Return section numbers 0, 1, .. without holes."""
    return np.asarray(np.unique(section, return_inverse=True)[1], np.int64)


def means_of(values: Floats, rows: Ints, size: int) -> Floats:
    """Return the means of `values` (n, ...) over groups of `size` of the rows, leaving out the rest at the end."""
    whole = len(rows) - len(rows) % size
    starts = np.arange(0, whole, size)
    return np.asarray(np.add.reduceat(values[rows[:whole]], starts, axis=0) / size, float)
