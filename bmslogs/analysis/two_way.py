"""Tables of vehicle by position: what belongs to the vehicle, what to the place."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from bmslogs.analysis.statistics import MAD_TO_SD
from bmslogs.base.nan_statistics import nanmax, nanmean, nanmedian

Floats = npt.NDArray[np.float64]

CLIP = 2.5  # scales beyond which one vehicle's entry counts no more (choice)
MAD_EFFICIENCY = (
    0.37  # of the MAD as a scale of normal values: Rousseeuw and Croux, J. Am. Stat. Assoc. 88 (1993) 1273
)
HUBER_EFFICIENCY = 0.95
LENT_FREEDOM = (
    12.0  # most degrees of freedom that the spread within places lends to that between them (choice)
)
LIKE_LEVEL = 0.05  # of the F test that forbids to lend
EACH_SHARE = 0.4  # of the effect that every row must show by itself (choice)
HUBER_K = 1.345  # 95 % efficient for normal errors: P. J. Huber, Robust Statistics, 1981


class TwoWay(NamedTuple):
    """An additive fit of a table, value = overall + vehicle + position + residual.

    Attributes
    ----------
    overall
        Middle of the table [unit of the table].
    vehicle, position
        Effects of rows (about their mean) and columns (about their median); positions shrunk towards nought
        by what is known of them.
    position_raw, position_se
        Position effects before shrinkage, and their standard errors.
    residual
        (vehicles, positions), NaN where the table is.
    scale
        Robust standard deviation of the residuals.
    freedom
        Degrees of freedom of `scale`: those of the table, less what the MAD gives away.
    """

    overall: float
    vehicle: Floats
    position: Floats
    position_raw: Floats
    position_se: Floats
    residual: Floats
    scale: float
    freedom: float


def huber_two_way(table: npt.ArrayLike, rounds: int = 50) -> TwoWay:
    """Fit vehicle and position effects by Huber's estimator, then shrink the position effects.

    One bad module in one vehicle does not drag its position along as it does with means. Shrinkage multiplies
    an effect by t / (t + s^2 / n), t the variance of the effects, s the residual scale, n the vehicles that
    have the place; it moves none by more than one standard error, so that a single large effect among many
    small ones is not taken for chance (B. Efron and C. Morris, J. Am. Stat. Assoc. 67 (1972) 130).

    Parameters
    ----------
    table
        (vehicles, positions), NaN where a vehicle lacks the place; best in logarithms or as ratios to each
        vehicle's median. At least 3 vehicles and 3 positions make sense.

    Raises
    ------
    ValueError
        Too few entries to tell rows from columns.
    """
    y = np.asarray(table, dtype=float)
    rows, columns = y.shape
    known = np.isfinite(y)
    if not (known.any(axis=0).all() and known.any(axis=1).all()) or known.sum() < rows + columns + 1:
        raise ValueError("each row and column needs an entry, and the table more entries than effects")
    design = _design(rows, columns)[known.ravel()]
    target = y[known]
    weight = np.ones(target.size)
    freedom = target.size - (rows + columns - 1)
    for _ in range(rounds):
        root = np.sqrt(weight)
        beta = np.linalg.lstsq(design * root[:, None], target * root, rcond=None)[0]
        away = target - design @ beta
        # the MAD of fitted residuals is small by the degrees of freedom that the effects used up
        scale = MAD_TO_SD * float(np.median(np.abs(away))) * np.sqrt(target.size / max(freedom, 1))
        if scale <= 1e-14 * max(float(np.abs(target).max()), 1e-300):
            break
        new = np.minimum(1.0, HUBER_K * scale / np.maximum(np.abs(away), 1e-300))
        if np.allclose(new, weight, atol=1e-9):
            break
        weight = new
    residual = np.full(y.shape, np.nan)
    residual[known] = target - design @ beta
    overall, vehicle, position = _effects(beta, rows, columns)
    # about the median place, so that one large effect does not push all the others to the other side
    middle = float(np.median(position))
    overall, position = overall + middle, position - middle
    counts = np.zeros(y.shape)
    counts[known] = weight
    n = counts.sum(axis=0)
    raw_se = scale / np.sqrt(np.maximum(n, 1e-9)) * np.sqrt((columns - 1) / columns / HUBER_EFFICIENCY)
    true_variance = max(float(np.var(position, ddof=1)) - float(np.mean(raw_se**2)), 0.0)
    shrink = raw_se**2 / (true_variance + raw_se**2) if scale > 0 else np.zeros(columns)
    shrunk = position - np.clip(shrink * position, -raw_se, raw_se)
    return TwoWay(
        overall, vehicle, shrunk, position, raw_se, residual, scale, max(MAD_EFFICIENCY * freedom, 1.0)
    )


def position_p_values(table: npt.ArrayLike, permutations: int = 1999, seed: int = 0) -> Floats:
    """Return the chance of each position's effect in a table without any, allowing for the number of positions.

    Were there no position effects, the entries of a vehicle could stand in any order. Entries are centred on the
    vehicle's median, clipped at 2.5 scales, and summed over vehicles; a position's p-value is the share of random
    orders, drawn for each vehicle by itself, whose largest sum reaches its own (P. H. Westfall and S. S. Young,
    Resampling-Based Multiple Testing, 1993, single-step maxT).

    Parameters
    ----------
    table
        (vehicles, positions), NaN where a vehicle lacks the place.
    permutations
        Random orders; the least p-value is 1 / (permutations + 1).
    seed
        Of the random orders: the same table always gives the same answer.
    """
    y = np.asarray(table, dtype=float)
    known = np.isfinite(y)
    away = y - nanmedian(y, axis=1, keepdims=True)
    scale = MAD_TO_SD * nanmedian(np.abs(away), axis=1, keepdims=True)
    scale = np.where(scale > 0, scale, np.maximum(nanmax(np.abs(away), axis=1, keepdims=True), 1e-300))
    score = np.clip(np.where(known, away / scale, 0.0), -CLIP, CLIP)
    n = np.sqrt(np.maximum(known.sum(axis=0), 1))
    own = np.abs(score.sum(axis=0)) / n
    rng = np.random.default_rng(seed)
    total = np.zeros((permutations, y.shape[1]))
    for row, here in zip(score, known):
        place = np.flatnonzero(here)
        total[:, place] += rng.permuted(np.tile(row[place], (permutations, 1)), axis=1)
    largest = np.sort((np.abs(total) / n).max(axis=1))
    above = permutations - np.searchsorted(largest, own - 1e-12)
    return np.asarray((1.0 + above) / (permutations + 1.0))


class FewRows(NamedTuple):
    """Position effects over so few vehicles that orders cannot tell them from chance.

    Attributes
    ----------
    effect, half_width
        (positions,) difference from the median of the other positions, and its 95 % half width [unit of the table].
    p_value
        (positions,) chance of an effect as large at any position of a table without any; one where not every vehicle
        shows it.
    """

    effect: Floats
    half_width: Floats
    p_value: Floats


def few_row_positions(
    table: npt.ArrayLike, within_sd: float = float("nan"), within_freedom: float = 0.0
) -> FewRows:
    """Return position effects over three or four vehicles, each weighed against the scatter of the table.

    t = effect / (s sqrt((1 + 1 / (P - 1)) / V)), s^2 the mean square of what vehicle and position leave, (V - 1)
    (P - 1) degrees of freedom. Where the spread within places says how far an entry scatters by itself, it is lent to
    s as in a moderated t (G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3), unless the table scatters more.
    Each row must show the effect by itself, so that one bad entry makes no place.

    Parameters
    ----------
    table
        (vehicles, positions), NaN where a vehicle lacks the place.
    within_sd, within_freedom
        Standard deviation of an entry by the spread within its place, and its degrees of freedom; none given: NaN.
    """
    y = np.asarray(table, dtype=float)
    away = y - nanmedian(y, axis=1, keepdims=True)
    n = np.isfinite(y).sum(axis=0)
    position = nanmean(away, axis=0)
    left = away - position
    left = left - nanmean(left, axis=1, keepdims=True)
    freedom = float(max(np.isfinite(y).sum() - y.shape[0] - y.shape[1] + 1, 1))
    variance = float(np.nansum(left**2)) / freedom
    if np.isfinite(within_sd) and within_freedom > 0 and within_sd > 0:
        lent = within_sd**2
        if variance / lent < special.fdtri(freedom, within_freedom, 1 - LIKE_LEVEL):
            more = min(within_freedom, LENT_FREEDOM)
            variance = (freedom * variance + more * lent) / (freedom + more)
            freedom += more
    others = np.array([nanmedian(np.delete(position, k)) for k in range(len(position))])
    effect = position - others
    se = np.sqrt(variance * (1.0 + 1.0 / max(len(position) - 1, 1)) / np.maximum(n, 1))
    single = 2.0 * special.stdtr(freedom, -np.abs(effect) / np.maximum(se, 1e-12))
    each = np.sign(effect) * (away - others)
    shown = (np.isnan(away) | (each >= EACH_SHARE * np.abs(effect))).all(axis=0)
    p_value = np.where(shown, 1.0 - (1.0 - single) ** len(position), 1.0)
    return FewRows(effect, special.stdtrit(freedom, 0.975) * se, np.asarray(p_value, float))


def _design(rows: int, columns: int) -> Floats:
    """Return (rows * columns, 1 + rows - 1 + columns - 1), effects summing to nought."""

    def contrast(n: int) -> Floats:
        return np.vstack([np.eye(n - 1), -np.ones((1, n - 1))])

    return np.hstack(
        [
            np.ones((rows * columns, 1)),
            np.repeat(contrast(rows), columns, axis=0),
            np.tile(contrast(columns), (rows, 1)),
        ]
    )


def _effects(beta: Floats, rows: int, columns: int) -> tuple[float, Floats, Floats]:
    vehicle = np.append(beta[1:rows], -beta[1:rows].sum())
    position = np.append(beta[rows:], -beta[rows:].sum())
    return float(beta[0]), vehicle, position
