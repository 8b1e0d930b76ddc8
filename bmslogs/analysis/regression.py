"""One least-squares fit for all cells at once, with intervals from leaving out one block of the log at a time.

Residuals of a voltage regression hang together over minutes, so the textbook standard error is far too small. The
delete-one-block jackknife (Quenouille 1956, Tukey 1958; Efron & Tibshirani, An Introduction to the Bootstrap, 1993,
ch. 11) needs only that the blocks be nearly independent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.special import stdtrit

from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BLOCKS = 8
"""Into so many blocks a log is cut for its intervals (choice: few enough to be nearly independent)."""
Z95 = 1.96
"""Half width of the 95 % interval of a normal error, in standard deviations."""


@dataclass(frozen=True)
class BlockFit:
    """Coefficients of a common design for every cell.

    Attributes
    ----------
    coef
        (columns, cells) least-squares coefficients.
    without
        (blocks, columns, cells) the same with one block left out.
    pseudo_inverse
        (columns, rows) what maps a column of readings onto its coefficients.
    residual_sd
        (cells,) standard deviation of the residuals, in units of the readings.
    """

    coef: Floats
    without: Floats
    pseudo_inverse: Floats
    residual_sd: Floats

    @property
    def blocks(self) -> int:
        """Number of blocks."""
        return len(self.without)


def block_fit(columns: Floats, readings: Floats, block: Ints, *, wanted: int | None = None) -> BlockFit:
    """Fit `readings` by `columns` for all cells in one factorisation.

    Parameters
    ----------
    columns
        (rows, p) design matrix, the same for every cell.
    readings
        (rows, cells), no NaN.
    block
        (rows,) number 0..k-1 of the block of each row.
    wanted
        How many leading columns carry the answer; None = all. The others may hang on one block alone.

    Raises
    ------
    NotEnoughData
        Columns that the log cannot tell apart, also when one block is left out.
    """
    rows, p = columns.shape
    if rows < 3 * p:
        raise NotEnoughData(f"{rows} samples for {p} columns")
    size = np.sqrt((columns**2).mean(axis=0))
    if not np.all(size > 0):
        raise NotEnoughData("a column that never moves")
    q, r = np.linalg.qr(columns / size)
    if np.min(np.abs(np.diag(r))) < 1e-7 * np.max(np.abs(np.diag(r))):
        raise NotEnoughData("columns that this log cannot tell apart")
    number = int(block.max()) + 1
    gram = np.empty((number, p, p))
    moment = np.empty((number, p, readings.shape[1]))
    for b in range(number):
        part = block == b
        gram[b] = q[part].T @ q[part]
        moment[b] = q[part].T @ readings[part]
    whole = moment.sum(axis=0)
    left = np.eye(p) - gram
    without = np.stack(
        [_solved(g, w, r, p if wanted is None else wanted) for g, w in zip(left, whole - moment, strict=True)]
    )
    inverse = solve_triangular(r, q.T) / size[:, None]
    residual = readings - q @ whole
    return BlockFit(
        coef=solve_triangular(r, whole) / size[:, None],
        without=np.stack([solve_triangular(r, w) / size[:, None] for w in without]),
        pseudo_inverse=np.asarray(inverse, float),
        residual_sd=np.sqrt((residual**2).sum(axis=0) / max(rows - p, 1)),
    )


def _solved(gram: Floats, moment: Floats, r: Floats, wanted: int) -> Floats:
    """Solve for what a block left over; directions that went with it count as nought where nobody wants them."""
    size, direction = np.linalg.eigh(gram)
    gone = size < 1e-6
    lost = solve_triangular(r, direction[:, gone])
    if gone.any() and np.max(np.abs(lost[:wanted]).max(axis=0) / np.abs(lost).max(axis=0)) > 1e-2:
        raise NotEnoughData("the current hardly varies but in one part of the log")
    inverse = np.where(gone, 0.0, 1.0 / np.where(gone, 1.0, size))
    return np.asarray(direction @ (inverse[:, None] * (direction.T @ moment)), float)


def jackknife_se(without: Floats) -> Floats:
    """Return the standard error of an estimate from its delete-one-block values, blocks along the first axis."""
    k = len(without)
    return np.asarray(np.sqrt((k - 1) / k * ((without - without.mean(axis=0)) ** 2).sum(axis=0)), float)


def t_factor(blocks: int, level: float = 0.95) -> float:
    """Return the half width of a `level` interval in standard errors, for that many blocks."""
    return float(stdtrit(max(blocks - 1, 1), 0.5 + level / 2))


def equal_blocks(rows: int, number: int) -> Ints:
    """Return (rows,) block numbers of `number` runs of about equal length."""
    return np.minimum(np.arange(rows) * number // max(rows, 1), number - 1).astype(np.int64)


def spline_columns(x: Floats, knot_every: float, *, most: int = 14) -> tuple[Floats, Floats]:
    """Return cubic B-spline columns over `x` and their derivatives with respect to `x`.

    Knots stand at even steps of about `knot_every` between the least and the largest `x`; one piece (a plain cubic)
    where `x` spans less than that.

    Returns
    -------
    columns, slopes
        (rows, pieces + 3) each; the columns sum to one in every row.
    """
    from scipy.interpolate import BSpline

    low, high = float(x.min()), float(x.max())
    pieces = int(np.clip(round((high - low) / knot_every), 1, most))
    inner = np.linspace(low, high, pieces + 1)
    knots = np.concatenate([[low] * 3, inner, [high] * 3])
    inside = np.clip(x, low, high)
    columns = BSpline.design_matrix(inside, knots, 3).toarray()
    count = columns.shape[1]
    slopes = np.stack(
        [BSpline(knots, np.eye(count)[j], 3).derivative()(inside) for j in range(count)], axis=1
    )
    return columns, slopes
