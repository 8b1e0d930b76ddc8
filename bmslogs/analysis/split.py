"""Emptier or smaller? The deviation of each cell split into charge offset, capacity and resistance.

Every cell follows one open-circuit curve U, that of the string itself, over its own share of charge:

    V_i(t) = U(x_i) + P(t) (1 + r_i) - rho_i I(t) + e(t),      x_i = q (1 + b_i) - a_i

with q the charge drawn [Ah], a_i the charge that cell i has more than the middle one [Ah], b_i = Q/Q_i - 1 its lack
of capacity, P the string's own polarisation, r_i the cell's excess of it, rho_i an ohmic excess, and e(t) what all
cells share and the model does not know. Curve, polarisation and cells are found together by Gauss-Newton steps on
one generalised least-squares problem. The curve is the string's own, so relative statements need no table; where it
is flat nothing about charge is learnt, and the intervals say so.

Lineage: mean-plus-difference models (Plett, EVS24, 2009; Zheng et al., Applied Energy 111, 2013, 571) and the shift
and scale of uniform charging curves (Zheng et al., J. Power Sources 226, 2013, 33), here as one fit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_array

from bmslogs.analysis.alignment import align
from bmslogs.analysis.ocv import OcvCurve
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TAUS_S = (4.0, 20.0, 90.0, 400.0, 1500.0)
"""Time constants [s] of the polarisation here: slower ones than a resistance needs, since what relaxes over a
quarter of an hour would else pass for charge."""
ROUNDS = 14
GAUGE = 1e6
FIRM = 1e-4
STAGES = ((1.0, 1.0, FIRM, FIRM), (1.0, 1.0, 1.0, 1.0))
"""How far (a, b, r, rho) may leave the middle, turn by turn, in shares of their priors: a curve that is still off
sideways must not be explained by resistance."""
OFFSET_SD, CAPACITY_SD, EXCESS_SD, OHMIC_SD = 0.20, 0.10, 0.15, 0.05
"""Weak priors: how far cells of one string differ before the log speaks, as fractions (choice, one sd)."""
SHAPE_SD = 0.0006
"""How well two cells of one lot follow one curve, sideways, as a fraction of capacity (choice)."""
BEND_SD_V = 0.004
"""How much the slope of an open-circuit curve changes from knot to knot [V per knot step] (choice, one sd)."""
LEVEL_SD_V = 0.0015
"""How well one smooth curve and a few filters tell the mean voltage of a string (choice, one sd)."""
MINUTE_S = 60.0


@dataclass(frozen=True)
class Split:
    """The split of all cells over one span of a log.

    Attributes
    ----------
    a, b, r, rho
        (cells,) charge offset at q = 0 [Ah], lack of capacity, excess polarisation (fraction), ohmic excess [ohm],
        each against the median of the reference cells; NaN for cells that are no reference.
    se
        Standard errors by the same names.
    formal, cluster
        (cells, 4, 4) covariances of (a, b, r, rho): by the model, and by leaving out blocks; the wider one counts.
    knots, coef
        Cubic spline of the string's open-circuit voltage [V] over q [Ah].
    polarisation
        (rows,) the string's polarisation P [V], negative under load.
    q_low, q_high
        The span of q that the reference cells cover [Ah].
    misfit
        (cells,) what the model leaves of each cell's deviation, in expected errors, against the usual cell.
    shift, shift_se, shift_odds
        (cells,) shift of a reading [V] if that, and not charge, explains the cell; its standard error; the logarithm
        of the odds of that explanation against one by charge and capacity.
    """

    a: Floats
    b: Floats
    r: Floats
    rho: Floats
    se: dict[str, Floats]
    formal: Floats
    cluster: Floats
    knots: Floats
    coef: Floats
    polarisation: Floats
    q_low: float
    q_high: float
    misfit: Floats
    shift: Floats
    shift_se: Floats
    shift_odds: Floats

    def curve(self, q: npt.ArrayLike) -> Floats:
        """Return the string's open-circuit voltage [V] where `q` [Ah] was drawn; straight beyond what was seen."""
        return _value(self.knots, self.coef, np.asarray(q, float))

    def slope(self, q: npt.ArrayLike) -> Floats:
        """Return dU/dq [V/Ah], negative, where `q` [Ah] was drawn."""
        return _slope(self.knots, self.coef, np.asarray(q, float))


def _value(knots: Floats, coef: Floats, x: Floats) -> Floats:
    inside = np.clip(x, knots[0], knots[-1])
    return np.asarray(BSpline(knots, coef, 3)(inside) + (x - inside) * _slope(knots, coef, inside), float)


def _slope(knots: Floats, coef: Floats, x: Floats) -> Floats:
    inside = np.clip(x, knots[0], knots[-1])
    return np.asarray(BSpline(knots, coef, 3).derivative()(inside), float)


def _knots(x: Floats, y: Floats, capacity: float) -> Floats:
    """Knots, even in a measure that counts both the charge covered and the voltage climbed, with room beyond."""
    bins = np.linspace(x.min(), x.max(), 201)
    middle = _binned(x, y, bins)
    measure = np.abs(np.diff(bins)) / (0.025 * capacity) + np.abs(np.diff(middle)) / 0.02
    total = np.concatenate([[0.0], np.cumsum(measure)])
    pieces = int(np.clip(np.ceil(total[-1]), 2, 70))
    inner = np.interp(np.linspace(0, total[-1], pieces + 1), total, bins)
    beyond = 0.02 * capacity * np.arange(1, 4)
    inner = np.concatenate([inner[0] - beyond[::-1], inner, inner[-1] + beyond])
    return np.asarray(np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3]), float)


def _binned(x: Floats, y: Floats, bins: Floats) -> Floats:
    where = np.clip(np.searchsorted(bins, x), 0, len(bins) - 1)
    count = np.bincount(where, minlength=len(bins))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(where, y, minlength=len(bins)) / count
    good = count > 0
    return np.asarray(np.interp(bins, bins[good], mean[good]), float)


def _roughness(knots: Floats) -> Floats:
    """Rows that measure how much the slope of a spline changes from knot to knot [V per knot step]."""
    count = len(knots) - 4
    centres = np.array([knots[j + 1 : j + 4].mean() for j in range(count)])
    rows = np.zeros((count - 2, count))
    for j in range(count - 2):
        before, after = centres[j + 1] - centres[j], centres[j + 2] - centres[j + 1]
        mean = 0.5 * (before + after)
        rows[j, j : j + 3] = np.array([1 / before, -1 / before - 1 / after, 1 / after]) * mean
    return rows


@dataclass(frozen=True)
class _Problem:
    """What stays the same from turn to turn."""

    volts: Floats
    charge: Floats
    polar: Floats
    current: Floats
    knots: Floats
    scale: Floats
    prior: Floats
    pull: Floats
    noise: float
    level: float
    shape: float
    count: float
    base: Floats


@dataclass(frozen=True)
class _Point:
    """Where the search stands: spline, polarisation, (4, cells) parameters in shares of their scale."""

    coef: Floats
    common: Floats
    cells: Floats


def split(
    volts: Floats, charge: Floats, polar: Floats, current: Floats, block: Ints, reference: Bools, capacity: float,
    resistance: float, noise: float, *, period_s: float, excess: tuple[Floats, Floats] | None = None,
    links: Bools | None = None, table: OcvCurve | None = None,
) -> Split:
    """Split the deviations of all cells over one span of a log.

    Parameters
    ----------
    volts
        (rows, cells) [V], no NaN in the reference cells.
    charge
        (rows, cells) charge drawn from each cell [Ah]: that of the string, and what was bled from the cell alone.
    current
        (rows,) [A].
    polar
        (rows, p) polarisation columns (minus the current, minus the filtered currents, its rate), common to all.
    block
        (rows,) blocks for the intervals.
    reference
        (cells,) cells whose readings are trusted; the others get no answer.
    capacity, resistance
        Nominal capacity [Ah] and resistance [ohm] of a usual cell: the scales of the weak priors.
    noise
        Standard deviation of a cell's reading about the string's mean [V].
    period_s
        Time between rows [s].
    excess
        Resistance excess (fraction) known from the load fit, and its standard error; None where there is none.
    links
        (cells,) True where a link lies in the tap: there an ohmic excess is as likely as one of the cell.
    table
        Open-circuit table of the chemistry: what its curve does between knots is taken as likely, where the log shows
        little; None leaves the curve to the log alone.

    Raises
    ------
    NotEnoughData
        So little charge moved that no curve can be drawn.
    """
    span = float(np.ptp(charge[:, reference].mean(axis=1)))
    if span < 0.005 * capacity or len(charge) < 40:
        raise NotEnoughData(f"{span:.3g} Ah moved over {len(charge)} samples")
    v, count, own_charge = volts[:, reference], int(reference.sum()), charge[:, reference]
    string_charge = own_charge.mean(axis=1)
    ohmic = np.full(count, OHMIC_SD * resistance)
    if links is not None:
        ohmic[links[reference]] = EXCESS_SD * resistance
    scale = np.stack(
        [np.full(count, OFFSET_SD * capacity), np.full(count, CAPACITY_SD), np.full(count, EXCESS_SD), ohmic]
    )
    amps = np.sqrt((polar**2).mean(axis=0)) + 1e-12
    middle = v.mean(axis=1)
    known = None if excess is None else (excess[0][reference], excess[1][reference])
    prior, pull = _priors(scale, resistance, known)
    knots = _knots(string_charge, middle + current * resistance, capacity)
    problem = _Problem(
        v, own_charge, polar / amps, current, knots, scale, prior, pull, noise, LEVEL_SD_V, SHAPE_SD * capacity,
        max(min(period_s / MINUTE_S, 1.0), 8.0 / len(charge)), np.zeros(len(knots) - 4),
    )
    drop = resistance * amps
    at = _start(problem, middle, drop)
    problem = _based(problem, at, table, capacity)
    at = _placed(problem, _start(problem, middle, drop), capacity)
    damping = 1e-3
    for turn in range(ROUNDS):
        stage = np.array(STAGES[min(turn, len(STAGES) - 1)])
        if turn in (0, 2):
            at, problem = _redrawn(problem, at, capacity)
            problem = _based(problem, at, table, capacity)
        at, damping, moved = _turn(problem, at, drop, stage, damping)
        if turn > len(STAGES) and moved[0] < 3e-4 * capacity and moved[1] < 3e-4:
            break
    return _answer(problem, at, reference, block, drop)


def _priors(scale: Floats, resistance: float, excess: tuple[Floats, Floats] | None) -> tuple[Floats, Floats]:
    """Return prior precision (cells, 4, 4) and its pull (cells, 4) in shares of the scales."""
    count = scale.shape[1]
    prior = np.broadcast_to(np.eye(4), (count, 4, 4)).copy()
    pull = np.zeros((count, 4))
    if excess is not None:
        both = np.stack([np.zeros(count), np.zeros(count), scale[2], scale[3] / resistance], axis=1)
        good = np.isfinite(excess[0]) & np.isfinite(excess[1])
        trust = np.where(good, 1.0 / np.maximum(np.where(good, excess[1], 1.0), 0.004), 0.0)
        prior += trust[:, None, None] ** 2 * both[:, :, None] * both[:, None, :]
        pull += (trust**2 * np.where(good, excess[0], 0.0))[:, None] * both
    return prior, pull


def _start(problem: _Problem, middle: Floats, drop: Floats) -> _Point:
    """Fit curve and polarisation to the mean cell alone."""
    basis = BSpline.design_matrix(problem.charge.mean(axis=1), problem.knots, 3).toarray()
    rough = _roughness(problem.knots) * (problem.level / BEND_SD_V)
    p, n = problem.polar.shape[1], basis.shape[1]
    design = np.vstack([
        np.column_stack([basis, problem.polar]),
        np.column_stack([rough, np.zeros((len(rough), p))]),
        np.column_stack([np.zeros((p, n)), np.diag(problem.level / drop)]),
    ])
    target = np.concatenate([middle, rough @ problem.base, np.zeros(p)])
    found = np.linalg.lstsq(design, target, rcond=None)[0]
    return _Point(found[:n], found[n:], np.zeros((4, problem.volts.shape[1])))


SEARCH_A, SEARCH_B = np.linspace(-0.25, 0.25, 61), np.linspace(-0.12, 0.12, 9)
SEARCH_ROWS = 160


def _placed(problem: _Problem, at: _Point, capacity: float) -> _Point:
    """Find roughly where each cell lies on the mean cell's curve, by trying shifts and stretches.

    A descent alone would stop in a false valley: from the flat of a curve its knee is out of sight.
    """
    step = max(1, len(problem.charge) // SEARCH_ROWS)
    pick = slice(None, None, step)
    charge = problem.charge[pick]
    string = charge.mean(axis=1)
    low, high = float(string.min()), float(string.max())
    grid = np.linspace(low - 0.3 * capacity, high + 0.3 * capacity, 4000)
    inside = np.clip(grid, low, high)
    ends = _slope(problem.knots, at.coef, np.array([low + 0.01 * (high - low), high - 0.01 * (high - low)]))
    level = _value(problem.knots, at.coef, inside) + np.where(grid < low, ends[0], ends[1]) * (grid - inside)
    slope = np.gradient(level, grid)
    # the mean cell's own misfit belongs to all
    mean = problem.volts[pick].mean(axis=1)
    away = problem.volts[pick] - mean[:, None] + np.interp(string, grid, level)[:, None]
    best = np.full(away.shape[1], np.inf)
    found = np.zeros((2, away.shape[1]))
    for b in SEARCH_B:
        for a in SEARCH_A:
            x = charge * (1 + b) - a * capacity
            beyond = np.maximum(np.maximum(low - x, x - high), 0.0) / capacity
            steep = np.interp(x, grid, slope) * 3 * problem.shape
            spread = problem.noise**2 + steep**2 + beyond**2 + 1e-6
            left = away - np.interp(x, grid, level)
            cost = np.log1p(left**2 / spread).mean(axis=0) + np.log(spread).mean(axis=0) * 0.5
            cost = cost + ((a / 0.1) ** 2 + (b / 0.04) ** 2) / 60.0
            better = cost < best
            best = np.where(better, cost, best)
            found[:, better] = np.array([[a * capacity], [b]])
    cells = at.cells.copy()
    cells[0] = (found[0] - np.median(found[0])) / problem.scale[0]
    cells[1] = (found[1] - np.median(found[1])) / problem.scale[1]
    return _Point(at.coef, at.common, cells)


def _redrawn(problem: _Problem, at: _Point, capacity: float) -> tuple[_Point, _Problem]:
    """Place the knots anew, over where all cells went, and carry the curve over."""
    x = _places(problem, at)
    eta = problem.polar @ at.common
    knots = _knots(x.ravel(), (problem.volts - eta[:, None]).ravel(), capacity)
    sites = _sites(knots)
    coef = _coefficients(knots, _value(problem.knots, at.coef, sites))
    return _Point(coef, at.common, at.cells), replace(problem, knots=knots, base=np.zeros(len(coef)))


def _sites(knots: Floats) -> Floats:
    """Where each coefficient of a cubic spline acts most."""
    return np.array([knots[j + 1 : j + 4].mean() for j in range(len(knots) - 4)]).clip(knots[0], knots[-1])


def _coefficients(knots: Floats, values: Floats) -> Floats:
    """Return the coefficients of the spline through `values` at `_sites`."""
    return np.asarray(np.linalg.solve(BSpline.design_matrix(_sites(knots), knots, 3).toarray(), values), float)


def _based(problem: _Problem, at: _Point, table: OcvCurve | None, capacity: float) -> _Problem:
    """Lay the table onto the curve as it stands; the spline's smoothness then counts from there."""
    if table is None:
        return problem
    x = _places(problem, at)
    q = np.linspace(np.percentile(x, 1), np.percentile(x, 99), 60)
    found = align(q, _value(problem.knots, at.coef, q), table, capacity)
    sites = _sites(problem.knots)
    return replace(problem, base=_coefficients(problem.knots, table.beyond(found.soc(sites)) + found.shift_V))


def _places(problem: _Problem, at: _Point) -> Floats:
    a, b = at.cells[0] * problem.scale[0], at.cells[1] * problem.scale[1]
    return np.asarray(problem.charge * (1 + b) - a, float)


def _residual(problem: _Problem, at: _Point, x: Floats) -> Floats:
    r, rho = at.cells[2] * problem.scale[2], at.cells[3] * problem.scale[3]
    eta = problem.polar @ at.common
    drop = eta[:, None] * (1 + r) - rho * problem.current[:, None]
    return np.asarray(problem.volts - _value(problem.knots, at.coef, x) - drop, float)


def _normal(
    problem: _Problem, at: _Point, drop: Floats, stage: Floats, rows: Bools | None = None
) -> tuple[Floats, Floats]:
    """Return the normal equations (matrix, right side) at a point, priors included unless `rows` picks a part.

    Errors of one row: white with standard deviation `noise`, wider where the curve is steep, and one part that all
    cells share (`level`); the latter is a rank-one correction of the weights.
    """
    part = slice(None) if rows is None else rows
    x = _places(problem, at)[part]
    residual = _residual(problem, at, _places(problem, at))[part]
    charge, polar, current = problem.charge[part], problem.polar[part], problem.current[part]
    du = _slope(problem.knots, at.coef, x)
    eta = polar @ at.common
    n, p, cells = len(at.coef), polar.shape[1], x.shape[1]
    weight = _weights(problem, at)[part]
    size = n + p + 4 * cells
    system = np.zeros((size, size))
    right = np.zeros(size)
    shared = np.zeros((len(charge), size))
    own = np.stack([-du, du * charge, np.repeat(eta[:, None], cells, 1), np.repeat(-current[:, None], cells, 1)])
    own *= problem.scale[:, None, :]
    r = at.cells[2] * problem.scale[2]
    inside = np.clip(x, problem.knots[0], problem.knots[-1])
    for i in range(cells):
        basis = csr_array(BSpline.design_matrix(inside[:, i], problem.knots, 3))
        dense = np.column_stack([(1 + r[i]) * polar, own[:, :, i].T])
        w = weight[:, i]
        weighted = dense * w[:, None]
        basis_w = basis * w[:, None]
        here = np.concatenate([np.arange(n, n + p), n + p + i + cells * np.arange(4)])
        system[:n, :n] += _dense(basis.T @ basis_w)
        cross = basis.T @ weighted
        system[:n, here] += cross
        system[here, :n] += cross.T
        system[np.ix_(here, here)] += dense.T @ weighted
        right[:n] += basis.T @ (w * residual[:, i])
        right[here] += weighted.T @ residual[:, i]
        shared[:, :n] += _dense(basis_w)
        shared[:, here] += weighted
    total = weight.sum(axis=1)
    share = problem.level**2 / problem.count
    factor = share / (1.0 + share * total)
    system -= shared.T @ (shared * factor[:, None])
    right -= shared.T @ (factor * (weight * residual).sum(axis=1))
    if rows is None:
        _add_priors(problem, at, drop, stage, system, right)
    return system, right


def _dense(matrix: Any) -> Floats:
    """Return a sparse product as a plain array."""
    return np.asarray(matrix.toarray(), float)


def _add_priors(
    problem: _Problem, at: _Point, drop: Floats, stage: Floats, system: Floats, right: Floats
) -> None:
    n, p, cells = len(at.coef), len(at.common), at.cells.shape[1]
    rough = _roughness(problem.knots) / BEND_SD_V
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


def _solved(system: Floats, right: Floats) -> Floats:
    size = np.sqrt(np.maximum(np.diag(system), 1e-300))
    scaled = system / size[:, None] / size[None, :]
    scaled[np.diag_indices_from(scaled)] += 1e-11
    try:
        return np.asarray(cho_solve(cho_factor(scaled), right / size) / size, float)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(scaled, right / size, rcond=1e-12)[0] / size, float)


def _turn(
    problem: _Problem, at: _Point, drop: Floats, stage: Floats, damping: float
) -> tuple[_Point, float, tuple[float, float]]:
    """One Levenberg-Marquardt turn: the step is damped until it lowers the cost.

    Returns
    -------
    The new point, the damping for the next turn, and how far the cells moved in a [Ah] and b.
    """
    system, right = _normal(problem, at, drop, stage)
    count = at.cells.shape[1]
    weight = _weights(problem, at)
    before = _cost(problem, at, weight, drop, stage)
    place = np.arange(len(system) - 4 * count, len(system))
    for _ in range(7):
        damped = system.copy()
        damped[place, place] *= 1.0 + damping
        step = _solved(damped, right)
        new = _moved(at, step)
        if _cost(problem, new, weight, drop, stage) <= before * (1 + 1e-9) + 1e-9:
            moved = np.abs(step[-4 * count :].reshape(4, count) * problem.scale).max(axis=1)
            return new, max(damping / 10.0, 1e-6), (float(moved[0]), float(moved[1]))
        damping = min(damping * 30.0, 1e6)
    return at, damping, (0.0, 0.0)


def _weights(problem: _Problem, at: _Point) -> Floats:
    du = _slope(problem.knots, at.coef, _places(problem, at))
    return np.asarray(problem.count / (problem.noise**2 + (du * problem.shape) ** 2), float)


def _cost(problem: _Problem, at: _Point, weight: Floats, drop: Floats, stage: Floats) -> float:
    """Return what the generalised least squares minimise, with the weights given."""
    residual = _residual(problem, at, _places(problem, at))
    share = problem.level**2 / problem.count
    shared = (weight * residual).sum(axis=1)
    cost = (weight * residual**2).sum() - (share / (1.0 + share * weight.sum(axis=1)) * shared**2).sum()
    rough = _roughness(problem.knots) / BEND_SD_V @ (at.coef - problem.base)
    cost += (rough**2).sum() + ((at.common / drop) ** 2).sum() + GAUGE * (at.cells.mean(axis=1) ** 2).sum()
    hold = 1.0 / stage**2 - 1.0
    cost += np.einsum("ic,cij,jc->", at.cells, problem.prior, at.cells) + (hold[:, None] * at.cells**2).sum()
    return float(cost - 2 * (problem.pull.T * at.cells).sum())


def _moved(at: _Point, step: Floats) -> _Point:
    n, p = len(at.coef), len(at.common)
    return _Point(at.coef + step[:n], at.common + step[n : n + p], at.cells + step[n + p :].reshape(4, -1))


SOUND_OFFSET, SOUND_CAPACITY, SHIFT_SD_V = 0.005, 0.012, 0.030
"""Spread of sound cells, as fractions, and of shifted readings [V] (choice, one sd)."""


def _shifted(problem: _Problem, at: _Point) -> Floats:
    """Weigh two explanations of each cell against each other: other charge and capacity, or a shifted reading.

    Marginal likelihoods of two Gaussian models (MacKay, Information Theory, Inference, and Learning Algorithms,
    2003, ch. 28): in the first the cell's charge and capacity are free and the reading is true; in the second they
    are those of a sound cell and the reading is off by a constant.

    Returns
    -------
    (3, cells): shift [V], its standard error [V], logarithm of the odds for a shift.
    """
    count = problem.volts.shape[1]
    free = np.array([OFFSET_SD, CAPACITY_SD])
    sound = np.array([SOUND_OFFSET, SOUND_CAPACITY])
    capacity = problem.scale[0, 0] / OFFSET_SD
    middle = np.median(at.cells, axis=1, keepdims=True)
    rest = _Point(at.coef, at.common, np.repeat(middle, count, axis=1))
    out = np.empty((3, count))
    common = np.zeros(count)
    for place, (point, width) in enumerate(((at, free), (rest, sound))):
        x = _places(problem, point)
        residual = _residual(problem, point, x)
        residual = residual - np.median(residual, axis=1, keepdims=True)
        du = _slope(problem.knots, point.coef, x)
        weight = problem.count / (problem.noise**2 + (du * problem.shape) ** 2)
        eta = problem.polar @ point.common
        shape = (len(residual), count)
        design = np.stack([
            -du * capacity, du * problem.charge, np.broadcast_to(eta[:, None], shape),
            np.broadcast_to(-problem.current[:, None], shape), np.ones(shape),
        ])
        spread = np.empty((5, count))
        spread[0], spread[1] = width[0], width[1]
        spread[2], spread[3] = problem.scale[2], problem.scale[3]
        spread[4] = SHIFT_SD_V if place else 2e-4
        design = design * spread[:, None, :]
        gram = np.einsum("itc,tc,jtc->cij", design, weight, design, optimize=True) + np.eye(5)
        moment = np.einsum("itc,tc->ci", design, weight * residual, optimize=True)
        # in the first model the parameters already stand at their best; their priors count from there
        away = np.zeros((count, 5))
        if not place:
            moved = (point.cells - middle) * problem.scale
            away[:, 0], away[:, 1] = moved[0] / (capacity * width[0]), moved[1] / width[1]
            away[:, 2], away[:, 3] = moved[2] / spread[2], moved[3] / spread[3]
            moment = moment - away
        step = np.linalg.solve(gram, moment[:, :, None])[:, :, 0]
        fit = (weight * residual**2).sum(axis=0) + (away**2).sum(axis=1) - (moment * step).sum(axis=1)
        evidence = -0.5 * (fit + np.linalg.slogdet(gram)[1])
        if place:
            inverse = np.linalg.inv(gram)
            out[0] = step[:, 4] * SHIFT_SD_V
            out[1] = np.sqrt(inverse[:, 4, 4]) * SHIFT_SD_V
            out[2] = evidence - common
        else:
            common = evidence
    out[0] -= np.median(out[0])
    return out


def _centred_inverse(system: Floats, count: int) -> Floats:
    """Return (4, 4, cells) formal covariance of the cells' parameters less the mean of all cells.

    What all cells have in common (where the curve begins, how long it is) is a free choice and has no error.
    """
    size = np.sqrt(np.maximum(np.diag(system), 1e-300))
    scaled = system / size[:, None] / size[None, :]
    scaled[np.diag_indices_from(scaled)] += 1e-11
    inverse = np.linalg.inv(scaled) / size[:, None] / size[None, :]
    parts = inverse[-4 * count :, -4 * count :].reshape(4, count, 4, count)
    parts = parts - parts.mean(axis=1, keepdims=True)
    parts = parts - parts.mean(axis=3, keepdims=True)
    return np.asarray(np.einsum("ipjp->ijp", parts), float)


def _answer(problem: _Problem, at: _Point, reference: Bools, block: Ints, drop: Floats) -> Split:
    """Centre the parameters on the pack's middle and give them their standard errors."""
    count = problem.volts.shape[1]
    system, right = _normal(problem, at, drop, np.ones(4))
    # what is left to the next step is nought here, so a block's absence shows as the step that it would bring about
    steps = []
    for number in range(int(block.max()) + 1):
        part_system, part_right = _normal(problem, at, drop, np.ones(4), rows=block == number)
        steps.append(_solved(system - part_system, right - part_right)[-4 * count :].reshape(4, count))
    scale = problem.scale
    without = (at.cells[None] + np.stack(steps)) * scale
    cells = at.cells * scale
    without = without - np.median(without, axis=2, keepdims=True)
    cells = cells - np.median(cells, axis=1, keepdims=True)
    formal_all = _centred_inverse(system, count)
    formal, cluster = (np.full((len(reference), 4, 4), np.nan) for _ in range(2))
    k = len(without)
    centred = without - without.mean(axis=0)
    for place, i in enumerate(np.flatnonzero(reference)):
        formal[i] = formal_all[:, :, place] * scale[:, place, None] * scale[None, :, place]
        cluster[i] = (k - 1) / k * centred[:, :, place].T @ centred[:, :, place]
    se = np.sqrt(np.maximum(np.einsum("cii->ic", formal), np.einsum("cii->ic", cluster)))
    x = _places(problem, at)
    residual = _residual(problem, at, x)
    spread = np.full(len(reference), np.nan)
    away = residual - residual.mean(axis=1, keepdims=True)
    left = np.sqrt((away**2 * _weights(problem, at)).mean(axis=0))
    spread[reference] = left / np.median(left)
    shifts = np.full((3, len(reference)), np.nan)
    shifts[:, reference] = _shifted(problem, at)
    full = np.full((4, len(reference)), np.nan)
    full[:, reference] = cells
    shift = np.median(at.cells[0] * scale[0])
    stretch = np.median(at.cells[1] * scale[1])
    # the middle cell's own scale of charge: x = q (1 + stretch) - shift
    knots = (problem.knots + shift) / (1 + stretch)
    return Split(
        a=full[0], b=full[1], r=full[2], rho=full[3], se=dict(zip(("a", "b", "r", "rho"), se, strict=True)),
        formal=formal, cluster=cluster, knots=knots, coef=at.coef, polarisation=problem.polar @ at.common,
        q_low=float(problem.charge.mean(axis=1).min()), q_high=float(problem.charge.mean(axis=1).max()), misfit=spread,
        shift=shifts[0], shift_se=shifts[1], shift_odds=shifts[2],
    )
