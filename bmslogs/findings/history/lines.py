"""Straight lines through months of values, one a cell: slope, interval and what one bad log could do to them.

All functions take plain arrays, one row a line (cell), one column a time; NaN is a value that is not there.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from bmslogs.base.nan_statistics import nanmax, nanmean
from bmslogs.findings.history.gathered import middle

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_DATES = 4
LEAST_DAYS = 85.0
"""Least data of a slope: four dates over three months, some days short (judgement: common practice, no source)."""
MONTH_DAYS = 365.25 / 12
MOST_PERIODS = 24
"""Logs are drawn together to one value a period: what neighbours in time have in common then counts once (choice)."""
BISQUARE = 4.685
"""Tuning constant of Tukey's bisquare for 95 % efficiency (Holland & Welsch, Commun. Stat. A6 (1977) 813)."""
ROUNDS = 12
FEWEST_POOLED = 6  # lines below which their scatter is not drawn together (choice, as for one of N)
MOST_PRIOR = 30.0  # degrees of freedom that the pack's scatter lends to one line (choice)
MAD_TO_SD = 1.482602218505602  # 1 / Phi^-1(0.75)


class Lines(NamedTuple):
    """Fitted lines, (lines,) each; NaN below the least data.

    Attributes
    ----------
    slope, half
        Per month, with the half width of the 95 % interval.
    centre, level
        Height in the middle of the times, and at the last one.
    p
        Two-sided chance of such a slope where there is none.
    steady
        Whether the slope stays on its side, with its interval, whichever single period is left out.
    """

    slope: Floats
    half: Floats
    centre: Floats
    level: Floats
    p: Floats
    steady: Bools


def enough(days: Floats, known: Bools) -> Bools:
    """Return (lines,) which lines have the least data: four dates over three months.

    Parameters
    ----------
    days
        (times,) [d].
    known
        (lines, times) which values are there.
    """
    dates = np.floor(days)
    out = np.zeros(len(known), bool)
    for i, row in enumerate(known):
        if row.any():
            out[i] = len(np.unique(dates[row])) >= LEAST_DATES and np.ptp(days[row]) >= LEAST_DAYS
    return out


def periods(days: Floats, most: int = MOST_PERIODS) -> npt.NDArray[np.intp]:
    """Return (times,) the period of each time: its date; of more than `most` dates, one of so many equal parts."""
    dates, place = np.unique(np.floor(days), return_inverse=True)
    if len(dates) <= most:
        return np.asarray(place, np.intp)
    span = days.max() - days.min()
    return np.asarray(np.minimum((days - days.min()) / span * most, most - 1), np.intp)


def drawn_together(x: Floats, period: npt.NDArray[np.intp]) -> Floats:
    """Return (lines, periods) the median of what each period holds; NaN where it holds nothing."""
    return np.stack([middle(x[:, period == k], 1) for k in range(int(period.max()) + 1)], axis=1)


def mean_of(x: Floats, known: Bools, period: npt.NDArray[np.intp]) -> Floats:
    """Return (lines, periods) the mean of `x` where values are known; NaN where a period holds none."""
    place = np.zeros((len(period), int(period.max()) + 1))
    place[np.arange(len(period)), period] = 1.0
    count = known @ place
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(known, x, 0.0) @ place / np.where(count > 0, count, np.nan))


def weighted_lines(
    t: Floats, y: Floats, weight: Floats, other: Floats | None = None, prior_sd: Floats | None = None
) -> tuple[Floats, Floats, Floats]:
    """Fit y = a + b t (+ c other) by weighted least squares, every line at once.

    Parameters
    ----------
    t, y, weight
        (lines, times); a weight of nought leaves a value out.
    other
        (lines, times) a condition that may move the values, such as the temperature less the reference.
    prior_sd
        (lines,) how large its effect may be, 1 sd [y per unit]: c is held to nought as firmly as that says.

    Returns
    -------
    (lines, parameters) estimates in the order a, b, c; (lines, parameters, parameters) the inverse of the weighted
    normal matrix, the covariance for weights 1/sd^2; (lines, times) residuals.
    """
    columns = [np.ones_like(t), t] + ([] if other is None else [other])
    design = np.stack(columns, axis=-1)
    held = np.where(weight > 0, weight, 0.0)
    filled = np.where(held > 0, y, 0.0)
    design = np.where((held > 0)[..., None], design, 0.0)
    normal = np.einsum("ltp,lt,ltq->lpq", design, held, design)
    if other is not None and prior_sd is not None:
        normal[:, 2, 2] += 1.0 / np.maximum(prior_sd, 1e-12) ** 2
    size = np.einsum("lpp->lp", normal)
    unit = 1.0 / np.sqrt(np.where(size > 0, size, 1.0))
    # scaled to a diagonal of ones; what has too few values is made solvable here and not told later
    scaled = normal * unit[:, :, None] * unit[:, None, :] + 1e-12 * np.eye(normal.shape[1])
    inverse = np.linalg.inv(scaled) * unit[:, :, None] * unit[:, None, :]
    fitted = np.einsum("lpq,ltq,lt->lp", inverse, design, held * filled)
    residual = np.where(held > 0, y - np.einsum("ltp,lp->lt", design, fitted), np.nan)
    return fitted, inverse, residual


def first_lines(t: Floats, y: Floats) -> Floats:
    """Return (lines, times) residuals about the line of median pairwise slope (Theil 1950, Sen 1968)."""
    first, second = np.triu_indices(t.shape[1], 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        pairs = (y[:, second] - y[:, first]) / (t[:, second] - t[:, first])
        slope = middle(np.where(np.isfinite(pairs), pairs, np.nan), 1)
        level = middle(y - slope[:, None] * t, 1)
    return np.asarray(y - level[:, None] - slope[:, None] * t)


def fitted_lines(
    days: Floats, y: Floats, half: Floats, other: Floats | None = None, prior_sd: Floats | None = None
) -> Lines:
    """Fit a robust straight line to every row and say how sure its slope is.

    Parameters
    ----------
    days
        (times,) rising [d].
    y, half
        (lines, times) values and half widths of their 95 % intervals.
    other, prior_sd
        As in `weighted_lines`; `other` (lines, times).

    Returns
    -------
    The interval is the wider of two: what the logs' own intervals allow, a period counting as one log, and what the
    scatter about the line allows (Student's t, the scatter of a line drawn towards that of the pack's other lines).
    The chance `p` is the larger of the two tests. Nothing is told below the least data.
    """
    some = np.isfinite(y).any(axis=0)
    days, y, half = days[some], y[:, some], half[:, some]
    good = np.isfinite(y) & np.isfinite(half) & (half > 0)
    told = enough(days, good)
    if not told.any():
        nothing = np.full(len(y), np.nan)
        return Lines(nothing, nothing, nothing, nothing, nothing, np.zeros(len(y), bool))
    y = np.where(good & told[:, None], y, np.nan)
    known, period = np.isfinite(y), periods(days)
    values = drawn_together(y, period)
    sd, t = (
        mean_of(half, known, period) / 1.96,
        mean_of(np.broadcast_to(days, y.shape), known, period) / MONTH_DAYS,
    )
    beside = None
    if other is not None:
        beside = np.nan_to_num(mean_of(other[:, some], known, period))
    return _robust(t, values, sd, beside, prior_sd, told)


def _robust(
    t: Floats, y: Floats, sd: Floats, other: Floats | None, prior_sd: Floats | None, told: Bools
) -> Lines:
    good = np.isfinite(y)
    base = np.where(good, 1.0 / np.where(good, sd, 1.0) ** 2, 0.0)
    centre = nanmean(t, axis=1, keepdims=True)
    end = nanmax(t - centre, axis=1)
    moved = np.where(good, t - centre, 0.0)
    residual = first_lines(np.where(good, moved, np.nan), y)
    for _ in range(ROUNDS):
        weight = base * _bisquare(residual / sd)
        fitted, inverse, residual = weighted_lines(moved, y, weight, other, prior_sd)
        columns = [np.ones_like(moved), moved] + ([] if other is None else [other])
        model = sum(fitted[:, [k]] * c for k, c in enumerate(columns))
        residual = np.where(good, y - model, np.nan)
    standard = np.where(good, residual / np.where(good, sd, 1.0), np.nan)
    share = np.where(base > 0, weight / np.where(base > 0, base, 1.0), 0.0)
    parameters = 2 + (other is not None)
    scatter, freedom = moderated(standard, share, parameters)
    se = np.sqrt(inverse[:, 1, 1])
    t_factor = stats.t.ppf(0.975, np.maximum(freedom, 1.0))
    half = se * np.maximum(1.96, t_factor * scatter)
    slope = fitted[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):  # lines below the least data have no error
        p = np.maximum(
            2 * special.ndtr(-np.abs(slope) / se),
            2 * stats.t.sf(np.abs(slope) / np.maximum(se * scatter, 1e-300), np.maximum(freedom, 1.0)),
        )
        factor = half / se
    steady = _steady(moved, y, weight, other, prior_sd, slope, factor)
    silent = ~told | ~np.isfinite(slope) | (freedom < 1)
    slope, half, centre, level, p = (
        np.where(silent, np.nan, x) for x in (slope, half, fitted[:, 0], fitted[:, 0] + slope * end, p)
    )
    return Lines(slope, half, centre, level, p, steady & ~silent)


def _bisquare(standard: Floats) -> Floats:
    """Return weights of standardised residuals; their scale is the lines' own or the pack's, never below one."""
    own = MAD_TO_SD * middle(np.abs(standard), 1)
    pack = MAD_TO_SD * middle(np.abs(standard).ravel(), 0)
    scale = np.maximum(np.maximum(np.nan_to_num(own), np.nan_to_num(pack)), 1.0)[:, None]
    u = np.nan_to_num(standard) / (BISQUARE * scale)
    return np.where(np.abs(u) < 1, (1 - u**2) ** 2, 0.0)


def moderated(standard: Floats, share: Floats, parameters: int) -> tuple[Floats, Floats]:
    """Return (lines,) the scatter about each line in units of the logs' own sd, and its degrees of freedom.

    Parameters
    ----------
    standard
        (lines, times) residuals over the sd that each log gives.
    share
        (lines, times) weight of each value between 0 (left out) and 1.
    parameters
        Number of fitted parameters.

    Notes
    -----
    The variance of a line is drawn towards that of all lines as far as their variances agree (G. K. Smyth, Stat.
    Appl. Genet. Mol. Biol. 3 (2004) 3, eqs. 3 to 5: moments of the logarithm of a scaled F variable).
    """
    count = share.sum(axis=1)
    own_freedom = count - parameters
    able = own_freedom > 0.5
    variance = np.where(
        able,
        np.nansum(share * np.nan_to_num(standard) ** 2, axis=1) / np.where(able, own_freedom, 1.0),
        np.nan,
    )
    if able.sum() < FEWEST_POOLED:
        return np.sqrt(variance), np.where(able, own_freedom, 0.0)
    z = np.log(np.maximum(variance[able], 1e-12))
    d = own_freedom[able] / 2
    e = z - special.digamma(d) + np.log(d)
    extra = float(np.var(e, ddof=1)) - float(np.mean(special.polygamma(1, d)))
    lent = min(MOST_PRIOR, 2 * _trigamma_inverse(extra)) if extra > 0 else MOST_PRIOR
    common = float(np.exp(np.mean(e) + special.digamma(lent / 2) - np.log(lent / 2)))
    together = (lent * common + own_freedom * variance) / (lent + own_freedom)
    return np.sqrt(np.where(able, together, np.nan)), np.where(able, own_freedom + lent, 0.0)


def _trigamma_inverse(x: float) -> float:
    """Return y with trigamma(y) = x, by Newton's method on 1/trigamma (Smyth 2004, appendix)."""
    y = 0.5 + 1.0 / x
    for _ in range(50):
        value = float(special.polygamma(1, y))
        step = value * (1 - value / x) / float(special.polygamma(2, y))
        y += step
        if abs(step) < 1e-8 * y:
            break
    return y


def _steady(
    t: Floats,
    y: Floats,
    weight: Floats,
    other: Floats | None,
    prior_sd: Floats | None,
    slope: Floats,
    factor: Floats,
) -> Bools:
    """Return (lines,) whether the slope keeps its side and its interval leaves nought out without any one period."""
    steady = np.ones(len(y), bool)
    for k in range(y.shape[1]):
        without = weight.copy()
        without[:, k] = 0.0
        fitted, inverse, _ = weighted_lines(t, y, without, other, prior_sd)
        left = (without > 0).sum(axis=1) >= 3
        sure = fitted[:, 1] * np.sign(slope) > factor * np.sqrt(inverse[:, 1, 1])
        steady &= sure & left
    return steady
