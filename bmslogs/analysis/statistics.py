"""Statistics for "one of N differs" and values of several logs made one.

All functions take and return plain arrays; NaN marks what is not known and is ignored.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MAD_TO_SD = 1.482602218505602  # 1 / Phi^-1(0.75): makes the MAD of a normal sample its standard deviation
LEAST_CELLS = 6  # fewer values carry no statistic of their own (common practice, no source)
MODIFIED_Z_CUT = 3.5  # Iglewicz and Hoaglin, How to Detect and Handle Outliers, 1993


def robust_scale(x: npt.ArrayLike, floor: float = 0.0) -> float:
    """Return the standard deviation of the bulk of `x`: 1.4826 times the MAD, never below `floor`.

    Parameters
    ----------
    x
        Values, any unit.
    floor
        Least scale that a reading can have [unit of x]: its own uncertainty, or its step / sqrt(12). It keeps
        a tight quantised pack (MAD = 0) from having a scale of nought.

    Returns
    -------
    Scale [unit of x]; NaN where `x` has no number.
    """
    x = _numbers(x)
    if x.size == 0:
        return float("nan")
    return max(MAD_TO_SD * float(np.median(np.abs(x - np.median(x)))), floor)


class ExtremeDeviates(NamedTuple):
    """Steps of the generalised ESD test: index removed, its statistic R and its critical value, per step."""

    removed: npt.NDArray[np.intp]
    statistic: Floats
    critical: Floats

    @property
    def found(self) -> int:
        """Number of outliers: the last step whose statistic passes its critical value."""
        above = np.flatnonzero(self.statistic > self.critical)
        return int(above[-1]) + 1 if above.size else 0


def extreme_deviates(x: npt.ArrayLike, most: int, alpha: float = 0.05, floor: float = 0.0) -> ExtremeDeviates:
    """Run the generalised extreme Studentized deviate test, both sides.

    Parameters
    ----------
    x
        Values without NaN.
    most
        Upper bound of the number of outliers.
    alpha
        Level of the test for the whole sample.
    floor
        Least standard deviation [unit of x].

    Notes
    -----
    B. Rosner, Percentage points for a generalized ESD many-outlier procedure, Technometrics 25 (1983) 165.
    """
    values = np.asarray(x, dtype=float)
    left = np.arange(values.size)
    index, statistic, critical = [], [], []
    for _ in range(min(most, values.size - 2)):
        part = values[left]
        away = np.abs(part - part.mean())
        worst = int(np.argmax(away))
        sd = max(float(part.std(ddof=1)), floor)
        m = left.size
        t = special.stdtrit(m - 2, 1.0 - alpha / (2.0 * m))
        index.append(left[worst])
        statistic.append(away[worst] / sd if sd > 0.0 else 0.0)
        critical.append((m - 1) * t / np.sqrt((m - 2 + t * t) * m))
        left = np.delete(left, worst)
    return ExtremeDeviates(np.array(index, dtype=np.intp), np.array(statistic), np.array(critical))


def outliers(
    x: npt.ArrayLike, *, floor: float = 0.0, alpha: float | None = None, most: int | None = None
) -> Bools:
    """Return True where a value does not belong to the others.

    Parameters
    ----------
    x
        One value a cell; NaN is never an outlier and does not count.
    floor
        Uncertainty of one value, 1 sd [unit of x]. Neither does the sample's standard deviation fall below
        it, nor is a value within 3.5 floors of the median ever an outlier: the test stays silent on readings
        that differ by a step of the logger.
    alpha
        Level per sample; None takes 0.05, or 0.03 below 15 values, where the test's true level is higher than
        its nominal one.
    most
        Most outliers looked for; None takes a quarter of the values, at most 3.

    Returns
    -------
    Mask of the shape of `x`; all False below six values.
    """
    x = np.asarray(x, dtype=float)
    mask = np.zeros(x.shape, dtype=bool)
    known = np.flatnonzero(np.isfinite(x))
    n = known.size
    if n < LEAST_CELLS:
        return mask
    values = x[known]
    most = min(3, n // 4) if most is None else most
    alpha = (0.03 if n < 15 else 0.05) if alpha is None else alpha
    result = extreme_deviates(values, most, alpha, floor)
    far = np.abs(values - np.median(values)) > MODIFIED_Z_CUT * floor
    named = result.removed[: result.found]
    mask[known[named[far[named]]]] = True
    return mask


def benjamini_hochberg(p: npt.ArrayLike, level: float = 0.05) -> Bools:
    """Return True where a p-value is a discovery at the false discovery rate `level`; NaN is none.

    Y. Benjamini and Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289.
    """
    p = np.asarray(p, dtype=float)
    mask = np.zeros(p.shape, dtype=bool)
    known = np.isfinite(p)
    if known.any():
        order = np.argsort(p[known])
        below = np.flatnonzero(p[known][order] <= level * np.arange(1, len(order) + 1) / len(order))
        found = np.zeros(len(order), dtype=bool)
        found[order[: below[-1] + 1 if len(below) else 0]] = True
        mask[known] = found
    return mask


class Combined(NamedTuple):
    """Values of several logs made one: value, half width of its interval, scatter between logs (1 sd)."""

    value: Floats
    half_width: Floats
    between: Floats
    logs: npt.NDArray[np.int64]


def weighted_combine(values: npt.ArrayLike, half_widths: npt.ArrayLike, level: float = 0.95) -> Combined:
    """Combine values by inverse variance, allowing for scatter between logs beyond their own intervals.

    The scatter between logs is Paule and Mandel's. The interval's Student factor has the logs' degrees of
    freedom where the scatter between logs makes up the variance, and goes over to the normal one where they
    agree within their own intervals.

    Parameters
    ----------
    values
        (logs,) or (logs, cells) [any unit], NaN where a log gives none.
    half_widths
        Half widths of their `level` intervals, same shape; positive.
    level
        Confidence of intervals in and out.

    Notes
    -----
    On planted values the 95 % interval covers 92 to 97 % with five logs or more, 84 to 96 % with two: two
    logs cannot say much about their scatter.

    R. C. Paule and J. Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377; R. DerSimonian and R. Kacker, Contemp.
    Clin. Trials 28 (2007) 105.
    """
    y, half = np.broadcast_arrays(np.asarray(values, float), np.asarray(half_widths, float))
    y = y.reshape(y.shape[0], -1)
    z = float(special.ndtri(0.5 + level / 2))
    variance = (half.reshape(y.shape) / z) ** 2
    known = np.isfinite(y) & np.isfinite(variance) & (variance > 0.0)
    y, variance = np.where(known, y, 0.0), np.where(known, variance, 1.0)
    k = known.sum(axis=0)
    between = _paule_mandel(y, variance, known)
    weight = known / (variance + between)
    total = weight.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(k > 0, (weight * y).sum(axis=0) / total, np.nan)
        share = np.where(k > 0, (weight * between / (variance + between)).sum(axis=0) / total, 0.0)
        freedom = np.where(share > 0.0, (k - 1) / np.maximum(share, 1e-9), 1e9)
        half_width = special.stdtrit(np.maximum(freedom, 1.0), 0.5 + level / 2) / np.sqrt(total)
    shape = np.shape(values)[1:]
    return Combined(
        value.reshape(shape),
        np.where(k > 0, half_width, np.nan).reshape(shape),
        np.sqrt(between).reshape(shape),
        k.reshape(shape),
    )


def _paule_mandel(y: Floats, variance: Floats, known: Bools) -> Floats:
    """Return the between-log variance per column: weighted squares about the mean equal k - 1.

    The excess falls and is convex in the variance sought, so Newton's steps from nought never overshoot.
    """
    k = known.sum(axis=0)
    between: Floats = np.zeros(y.shape[1])
    for _ in range(100):
        weight = known / (variance + between)
        total = np.maximum(weight.sum(axis=0), 1e-300)
        away = y - (weight * y).sum(axis=0) / total
        excess = (weight * away**2).sum(axis=0) - (k - 1)
        slope = np.maximum((weight**2 * away**2).sum(axis=0), 1e-300)
        step = np.where((excess > 0.0) & (k > 1), excess / slope, 0.0)
        between = between + step
        if np.all(step <= 1e-12 * between):
            break
    return between


def _numbers(x: npt.ArrayLike) -> Floats:
    values: Floats = np.asarray(x, dtype=float).ravel()
    return values[np.isfinite(values)]
