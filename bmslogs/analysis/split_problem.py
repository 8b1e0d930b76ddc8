"""The least-squares problem behind the split: curve, polarisation and cells found together.

Errors of one row are white, wider where the curve is steep, with one part that all cells share; each turn is a damped
Gauss-Newton step (Levenberg 1944, Marquardt 1963).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csc_array, csr_array

from bmslogs.analysis.curve_spline import curve_slope, curve_value, roughness_rows

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

GAUGE = 1e6
LOAD_SHARE, LEVEL_LOAD_SHARE = 0.03, 0.1
"""How well a cell's polarisation follows the string's, and a few filters tell the string's, as shares of it (choice,
one sd). What a share of a steady load drops is as much as a flat curve climbs: there they count as sure."""
FIRM = 1e-4
USUAL_SD = 0.03
"""How far resistances of sound cells of a lot lie apart, as a fraction (choice, one sd)."""
OFFSET_SD, CAPACITY_SD, EXCESS_SD, OHMIC_SD = 0.20, 0.10, 0.15, 0.05
"""Weak priors: how far cells of one string differ before the log speaks, as fractions (choice, one sd)."""
FREE_BEND_SD_V, BEND_SD_V, BEND_SHARE = 0.004, 0.0003, 0.15
"""How much the slope of an open-circuit curve changes from knot to knot [V per knot step]: with no table to go by or on
a flat one, off a table, and as a share of what the table itself bends there (choice, one sd)."""


@dataclass(frozen=True)
class Problem:
    """What stays the same from turn to turn.

    Attributes
    ----------
    volts, charge
        (rows, cells) [V]; charge drawn from each cell [Ah].
    polar, current
        (rows, p) polarisation columns, each of unit size; (rows,) [A].
    grows
        (p,) one where a column grows with a cell's resistance, nought where it does not (hysteresis).
    knots, base
        Knots of the curve [Ah]; coefficients from which its smoothness counts [V].
    sure
        Whether a table says where on its curve the string stands; not on a flat one.
    bend
        (knots - 6,) how much its slope may change from there at each knot [V per knot step].
    scale
        (4, cells) sizes of (a, b, r, rho).
    prior, pull
        (cells, 4, 4) precision and (cells, 4) pull of what is known beforehand, in shares of `scale`.
    noise, level
        Standard deviation of a cell's reading about the mean, and of the mean about the model [V].
    shape
        How well cells follow one curve, sideways [Ah].
    count
        (rows,) how many independent readings each row is worth.
    """

    volts: Floats
    charge: Floats
    polar: Floats
    current: Floats
    grows: Floats
    knots: Floats
    scale: Floats
    prior: Floats
    pull: Floats
    noise: float
    level: float
    shape: float
    count: Floats
    base: Floats
    sure: bool
    bend: Floats


@dataclass(frozen=True)
class Point:
    """Where the search stands: spline, polarisation, (4, cells) parameters in shares of their scale."""

    coef: Floats
    common: Floats
    cells: Floats


def cell_priors(
    scale: Floats, resistance: float, excess: tuple[Floats, Floats] | None
) -> tuple[Floats, Floats]:
    """Return prior precision (cells, 4, 4) and its pull (cells, 4) in shares of the scales."""
    count = scale.shape[1]
    prior = np.broadcast_to(np.eye(4), (count, 4, 4)).copy()
    pull = np.zeros((count, 4))
    if excess is not None:
        both = np.stack([np.zeros(count), np.zeros(count), scale[2], scale[3] / resistance], axis=1)
        good = np.isfinite(excess[0]) & np.isfinite(excess[1])
        trust = np.where(good, 1.0 / np.maximum(np.where(good, excess[1], 1.0), 0.004), 0.0)
        # an excess is the cell's, the link's or shared between them: neither goes far beyond it
        most = np.where(good, USUAL_SD + np.abs(np.where(good, excess[0], 0.0)), np.inf)
        for one, size in ((2, np.ones(count)), (3, np.full(count, resistance))):
            prior[:, one, one] = np.maximum(1.0, scale[one] / (most * size)) ** 2
        prior += trust[:, None, None] ** 2 * both[:, :, None] * both[:, None, :]
        pull += (trust**2 * np.where(good, excess[0], 0.0))[:, None] * both
    return prior, pull


BOOK_BEND_SD_V, BOOK_BEND_SHARE = 0.0010, 0.5
"""The same off a table that stands for a chemistry, whose features lie elsewhere (choice)."""


def bends(knots: Floats, base: Floats, sure: bool, own: bool = True) -> Floats:
    """Return how much the slope of the curve may differ from that of a table at each knot [V per knot step].

    `sure` is False where the table's place is not: on a flat curve, and without a table. `own` is False for a table
    that stands for a chemistry.
    """
    if not sure:
        return np.full(len(base) - 2, FREE_BEND_SD_V)
    climbs = np.abs(roughness_rows(knots) @ base)
    climbs = np.maximum(climbs, np.maximum(np.append(climbs[1:], 0.0), np.insert(climbs[:-1], 0, 0.0)))
    least, share = (BEND_SD_V, BEND_SHARE) if own else (BOOK_BEND_SD_V, BOOK_BEND_SHARE)
    return np.asarray(np.hypot(least, share * climbs), float)


def cell_places(problem: Problem, at: Point) -> Floats:
    """Return (rows, cells) where each cell stands on the string's curve [Ah]."""
    a, b = at.cells[0] * problem.scale[0], at.cells[1] * problem.scale[1]
    return np.asarray(problem.charge * (1 + b) - a, float)


def what_is_left(problem: Problem, at: Point, x: Floats) -> Floats:
    """Return (rows, cells) readings less what the model says [V], with the cells at places `x`."""
    r, rho = at.cells[2] * problem.scale[2], at.cells[3] * problem.scale[3]
    eta, own = problem.polar @ at.common, problem.polar @ (problem.grows * at.common)
    drop = eta[:, None] + own[:, None] * r - rho * problem.current[:, None]
    return np.asarray(problem.volts - curve_value(problem.knots, at.coef, x) - drop, float)


def normal_equations(
    problem: Problem, at: Point, drop: Floats, stage: Floats, rows: Bools | None = None
) -> tuple[Floats, Floats]:
    """Return the normal equations (matrix, right side) at a point, priors included unless `rows` picks a part.

    Errors of one row: white with standard deviation `noise`, wider where the curve is steep, and one part that all
    cells share (`level`); the latter is a rank-one correction of the weights.
    """
    part = slice(None) if rows is None else rows
    x = cell_places(problem, at)[part]
    residual = what_is_left(problem, at, cell_places(problem, at))[part]
    charge, polar, current = problem.charge[part], problem.polar[part], problem.current[part]
    # a voltage that rises as charge is drawn is what relaxes, not the curve: it tells no place
    du = np.minimum(curve_slope(problem.knots, at.coef, x), 0.0)
    eta = polar @ (problem.grows * at.common)
    n, p, cells = len(at.coef), polar.shape[1], x.shape[1]
    weight = row_weights(problem, at)[part]
    size = n + p + 4 * cells
    system = np.zeros((size, size))
    right = np.zeros(size)
    own = np.stack(
        [-du, du * charge, np.repeat(eta[:, None], cells, 1), np.repeat(-current[:, None], cells, 1)]
    )
    own *= problem.scale[:, None, :]
    r = at.cells[2] * problem.scale[2]
    # all cells at once, (cells, rows, p + 4): what belongs to all, then what is each cell's own
    grown = (1 + r[:, None, None] * problem.grows) * polar
    dense = np.concatenate([grown, own.transpose(2, 1, 0)], axis=2)
    w = np.ascontiguousarray(weight.T)
    weighted = dense * w[:, :, None]
    left = np.ascontiguousarray(residual.T)
    basis = _cell_bases(np.clip(x, problem.knots[0], problem.knots[-1]), problem.knots)
    basis_w = csr_array(
        (basis.data * np.repeat(w.ravel(), 4), basis.indices, basis.indptr), shape=basis.shape
    )
    system[:n, :n] = _over_cells(basis.T @ basis_w, n)
    cross = (basis.T @ weighted.reshape(-1, p + 4)).reshape(cells, n, p + 4)
    gram = dense.transpose(0, 2, 1) @ weighted
    common, each = slice(n, n + p), n + p + np.arange(cells) + cells * np.arange(4)[:, None]
    system[:n, common] = cross[:, :, :p].sum(axis=0)
    system[:n, each] = cross[:, :, p:].transpose(1, 2, 0)
    system[common, common] = gram[:, :p, :p].sum(axis=0)
    system[common, each] = gram[:, :p, p:].transpose(1, 2, 0)
    system[each, common] = gram[:, p:, :p].transpose(1, 0, 2)
    system[each[:, None], each[None]] = gram[:, p:, p:].transpose(1, 2, 0)
    system[n:, :n] = system[:n, n:].T
    right[:n] = (basis.T @ (w * left).ravel()).reshape(cells, n).sum(axis=0)
    pull = np.stack([one.T @ residual[:, i] for i, one in enumerate(weighted)])
    right[common] = pull[:, :p].sum(axis=0)
    right[each] = pull[:, p:].T
    shared = np.zeros((len(charge), size))
    place = np.tile(n * np.arange(len(charge)), cells)[:, None] + basis_w.indices.reshape(-1, 4) % n
    shared[:, :n] = np.bincount(place.ravel(), basis_w.data, n * len(charge)).reshape(-1, n)
    shared[:, common] = weighted[:, :, :p].sum(axis=0)
    shared[:, each] = weighted[:, :, p:].transpose(1, 2, 0)
    total = weight.sum(axis=1)
    share = _level_variance(problem, at)[part]
    factor = share / (1.0 + share * total)
    system -= shared.T @ (shared * factor[:, None])
    right -= shared.T @ (factor * (weight * residual).sum(axis=1))
    if rows is None:
        _add_priors(problem, at, drop, stage, system, right)
    return system, right


def _cell_bases(places: Floats, knots: Floats) -> csr_array:
    """Return (cells x rows, cells x splines) the cubic splines at `places` (rows, cells), a block for each cell."""
    rows, cells = places.shape
    one = BSpline.design_matrix(places.T.ravel(), knots, 3)
    count = one.shape[1]
    columns = one.indices + np.repeat(count * np.arange(cells, dtype=one.indices.dtype), 4 * rows)
    return csr_array((one.data, columns, one.indptr), shape=(rows * cells, cells * count))


def _over_cells(blocks: csc_array, count: int) -> Floats:
    """Return the sum (count, count) of the blocks on the diagonal of a sparse matrix."""
    found = blocks.tocoo()
    total = np.bincount(found.row % count * count + found.col % count, found.data, count**2)
    return np.asarray(total, float).reshape(count, count)


def _add_priors(
    problem: Problem, at: Point, drop: Floats, stage: Floats, system: Floats, right: Floats
) -> None:
    n, p, cells = len(at.coef), len(at.common), at.cells.shape[1]
    rough = roughness_rows(problem.knots) / problem.bend[:, None]
    system[:n, :n] += rough.T @ rough
    right[:n] -= rough.T @ (rough @ (at.coef - problem.base))
    system[np.arange(n, n + p), np.arange(n, n + p)] += 1.0 / drop**2
    right[n : n + p] -= at.common / drop**2
    hold = np.diag(1.0 / stage**2 - 1.0)
    for group in range(4):  # what all cells have in common belongs to the curve
        here = slice(n + p + group * cells, n + p + (group + 1) * cells)
        system[here, here] += GAUGE / cells**2
        right[here] -= GAUGE / cells * at.cells[group].mean()
    for i in range(cells):
        here = n + p + i + cells * np.arange(4)
        precision = problem.prior[i] + hold
        system[np.ix_(here, here)] += precision
        right[here] += problem.pull[i] - precision @ at.cells[:, i]


def solve_normal(system: Floats, right: Floats) -> Floats:
    """Solve the normal equations, each parameter in its own size."""
    return solver_of(system)(right)


def solver_of(system: Floats) -> Callable[[Floats], Floats]:
    """Return what solves the normal equations for a right side; the matrix is factored once."""
    size = np.sqrt(np.maximum(np.diag(system), 1e-300))
    scaled = system / size[:, None] / size[None, :]
    scaled[np.diag_indices_from(scaled)] += 1e-11
    try:
        factored = cho_factor(scaled)
    except np.linalg.LinAlgError:
        return lambda right: np.asarray(np.linalg.lstsq(scaled, right / size, rcond=1e-12)[0] / size, float)
    return lambda right: np.asarray(cho_solve(factored, right / size) / size, float)


def damped_turn(
    problem: Problem, at: Point, drop: Floats, stage: Floats, damping: float
) -> tuple[Point, float, tuple[float, float]]:
    """One Levenberg-Marquardt turn: the step is damped until it lowers the cost.

    Returns
    -------
    The new point, the damping for the next turn, and how far the cells moved in a [Ah] and b.
    """
    system, right = normal_equations(problem, at, drop, stage)
    count = at.cells.shape[1]
    weight = row_weights(problem, at)
    before = _cost(problem, at, weight, drop, stage)
    place = np.arange(len(system) - 4 * count, len(system))
    for _ in range(7):
        damped = system.copy()
        damped[place, place] *= 1.0 + damping
        step = solve_normal(damped, right)
        new = _moved(at, step)
        if _cost(problem, new, weight, drop, stage) <= before * (1 + 1e-9) + 1e-9:
            moved = np.abs(step[-4 * count :].reshape(4, count) * problem.scale).max(axis=1)
            return new, max(damping / 10.0, 1e-6), (float(moved[0]), float(moved[1]))
        damping = min(damping * 30.0, 1e6)
    return at, damping, (0.0, 0.0)


def row_weights(problem: Problem, at: Point) -> Floats:
    """Return (rows, cells) weights of the readings [1/V^2], less where the curve is steep."""
    du = curve_slope(problem.knots, at.coef, cell_places(problem, at))
    loaded = LOAD_SHARE * _load_drop(problem, at)
    count = problem.count[:, None]
    return np.asarray(count / (problem.noise**2 + (du * problem.shape) ** 2 + loaded[:, None] ** 2), float)


def _load_drop(problem: Problem, at: Point) -> Floats:
    """Return (rows,) what the load drops [V], hysteresis left out; nought on a flat curve."""
    if not problem.sure:
        return np.zeros(len(problem.polar))
    return np.asarray(problem.polar @ (problem.grows * at.common), float)


def _level_variance(problem: Problem, at: Point) -> Floats:
    """Return (rows,) variance [V^2] of what all cells share and the model does not know: more under load."""
    loaded = LEVEL_LOAD_SHARE * _load_drop(problem, at)
    return np.asarray((problem.level**2 + loaded**2) / problem.count, float)


def _cost(problem: Problem, at: Point, weight: Floats, drop: Floats, stage: Floats) -> float:
    """Return what the generalised least squares minimise, with the weights given."""
    residual = what_is_left(problem, at, cell_places(problem, at))
    share = _level_variance(problem, at)
    shared = (weight * residual).sum(axis=1)
    cost = (weight * residual**2).sum() - (share / (1.0 + share * weight.sum(axis=1)) * shared**2).sum()
    rough = roughness_rows(problem.knots) @ (at.coef - problem.base) / problem.bend
    cost += (rough**2).sum() + ((at.common / drop) ** 2).sum() + GAUGE * (at.cells.mean(axis=1) ** 2).sum()
    hold = 1.0 / stage**2 - 1.0
    cost += np.einsum("ic,cij,jc->", at.cells, problem.prior, at.cells) + (hold[:, None] * at.cells**2).sum()
    return float(cost - 2 * (problem.pull.T * at.cells).sum())


def _moved(at: Point, step: Floats) -> Point:
    n, p = len(at.coef), len(at.common)
    return Point(at.coef + step[:n], at.common + step[n : n + p], at.cells + step[n + p :].reshape(4, -1))
