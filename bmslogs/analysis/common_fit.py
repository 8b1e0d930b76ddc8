"""The cells of a string fitted together: charge offset, capacity and resistance of each, and the string's own curve.

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

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline

from bmslogs.analysis.alignment import align
from bmslogs.analysis.curve_spline import (
    curve_coefficients,
    curve_slope,
    curve_value,
    knot_sites,
    knots_over,
    roughness_rows,
)
from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.rests import NONE, Anchors
from bmslogs.analysis.split_problem import (
    CAPACITY_SD,
    EXCESS_SD,
    FIRM,
    OFFSET_SD,
    OHMIC_SD,
    Point,
    Problem,
    bends,
    cell_places,
    cell_priors,
    damped_turn,
    normal_equations,
    row_weights,
    solve_normal,
    solver_of,
    what_is_left,
)
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TAUS_S = (4.0, 20.0, 90.0, 400.0, 1500.0)
"""Time constants [s] of the polarisation here: slower ones than a resistance needs, since what relaxes over a
quarter of an hour would else pass for charge."""
ROUNDS = 14
STAGES = ((1.0, 1.0, FIRM, FIRM), (1.0, 1.0, 1.0, 1.0))
"""How far (a, b, r, rho) may leave the middle, turn by turn, in shares of their priors: a curve that is still off
sideways must not be explained by resistance."""
SHAPE_SD = 0.0006
"""How well two cells of one lot follow one curve, sideways, as a fraction of capacity (choice)."""
LEVEL_SD_V = 0.0015
"""How well one smooth curve and a few filters tell the mean voltage of a string (choice, one sd)."""
POLARISATION_ERROR = 0.3
"""How well the string's polarisation is known under a steady current, as a fraction of it (choice, one sd)."""
MINUTE_S = 60.0


@dataclass(frozen=True)
class SplitData:
    """One span of a log, made ready for the fit.

    Attributes
    ----------
    volts
        (rows, cells) [V], no NaN in the reference cells.
    charge
        (rows, cells) charge drawn from each cell [Ah]: that of the string, and what was bled from the cell alone.
    current
        (rows,) [A].
    polar
        (rows, p) polarisation columns (minus the current, minus the filtered currents, its steps), common to all.
    block
        (rows,) blocks for the intervals.
    capacity, resistance
        Nominal capacity [Ah] and resistance [ohm] of a usual cell: the scales of the weak priors.
    noise
        Standard deviation of a cell's reading about the string's mean [V].
    period_s
        Time between rows [s].
    new
        (rows,) share of each row that tells something new: little at rest where the readings' step is coarse; None
        where all do.
    excess
        Resistance excess (fraction) known from the load fit, and its standard error; None where there is none.
    links
        (cells,) True where a link lies in the tap: there an ohmic excess is as likely as one of the cell.
    table
        Open-circuit table of the chemistry: what its curve does between knots is taken as likely, where the log shows
        little; None leaves the curve to the log alone.
    anchors
        Rests, on the scale of `charge`: they say where on the table the string stands.
    grows
        (p,) False for columns of `polar` that do not grow with a cell's resistance; None where all do.
    """

    volts: Floats
    charge: Floats
    polar: Floats
    current: Floats
    block: Ints
    capacity: float
    resistance: float
    noise: float
    period_s: float
    new: Floats | None = None
    excess: tuple[Floats, Floats] | None = None
    links: Bools | None = None
    table: OcvCurve | None = None
    anchors: Anchors = NONE
    grows: Bools | None = None

    @property
    def worth(self) -> Floats:
        """(rows,) how many independent readings each row is worth."""
        rows = len(self.charge)
        independent = max(min(self.period_s / MINUTE_S, 1.0), 8.0 / rows)
        return np.full(rows, independent) if self.new is None else np.asarray(independent * self.new, float)


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
    polarisation, charge
        (rows,) the string's polarisation P [V], negative under load, and its charge drawn [Ah].
    q_low, q_high
        The span of q that the mean of the reference cells covers [Ah].
    least, most
        (cells,) the span that each cell covers on the same curve [Ah].
    misfit, least_misfit
        (cells,) what the model leaves of each cell's deviation, in expected errors, against the usual cell; the same of
        the better of its fits, with the others and by itself.
    shift, shift_se, shift_odds, sound_shift, sound_shift_se, shift_looks_like
        As `weigh_shifts` has them.
    growing
        (rows,) the part of P that grows with a cell's resistance [V].
    far
        (cells,) True where a cell is so far from the others that it was laid onto their curve by itself.
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
    charge: Floats
    q_low: float
    q_high: float
    least: Floats
    most: Floats
    misfit: Floats
    least_misfit: Floats
    shift: Floats
    shift_se: Floats
    shift_odds: Floats
    sound_shift: Floats
    sound_shift_se: Floats
    shift_looks_like: Floats
    growing: Floats
    far: Bools

    def curve(self, q: npt.ArrayLike) -> Floats:
        """Return the string's open-circuit voltage [V] where `q` [Ah] was drawn; straight beyond what was seen."""
        return curve_value(self.knots, self.coef, np.asarray(q, float))

    def slope(self, q: npt.ArrayLike) -> Floats:
        """Return dU/dq [V/Ah], negative, where `q` [Ah] was drawn."""
        return curve_slope(self.knots, self.coef, np.asarray(q, float))

    def mean_polarisation(self, q: npt.ArrayLike) -> Floats:
        """Return the mean of P [V] about `q` [Ah], rising: what the curve hangs on there."""
        return mean_over(self.charge, self.polarisation, np.asarray(q, float))


def mean_over(charge: Floats, values: Floats, q: Floats) -> Floats:
    """Return the mean of `values` (rows,) over the rows whose charge lies nearest to each of `q`, rising."""
    place = np.digitize(charge, (q[1:] + q[:-1]) / 2)
    count = np.bincount(place, minlength=len(q))
    total = np.bincount(place, values, minlength=len(q))
    seen = count > 0
    return np.asarray(np.interp(q, q[seen], total[seen] / count[seen]), float)


def fit_together(data: SplitData, reference: Bools) -> Split:
    """Fit cells in one problem.

    Parameters
    ----------
    data
        The readings of all cells.
    reference
        (cells,) cells that are fitted; the others get no answer.

    Raises
    ------
    NotEnoughData
        So little charge moved that no curve can be drawn.
    """
    volts, charge, polar, current = data.volts, data.charge, data.polar, data.current
    capacity, resistance, table, anchors = data.capacity, data.resistance, data.table, data.anchors
    span = float(np.ptp(charge[:, reference].mean(axis=1)))
    if span < 0.005 * capacity or len(charge) < 40:
        raise NotEnoughData(f"{span:.3g} Ah moved over {len(charge)} samples")
    v, count, own_charge = volts[:, reference], int(reference.sum()), charge[:, reference]
    string_charge = own_charge.mean(axis=1)
    ohmic = np.full(count, OHMIC_SD * resistance)
    if data.links is not None:
        ohmic[data.links[reference]] = EXCESS_SD * resistance
    scale = np.stack(
        [np.full(count, OFFSET_SD * capacity), np.full(count, CAPACITY_SD), np.full(count, EXCESS_SD), ohmic]
    )
    amps = np.sqrt((polar**2).mean(axis=0)) + 1e-12
    middle = v.mean(axis=1)
    known = None if data.excess is None else _about_the_mean(*(x[reference] for x in data.excess))
    growing = np.ones(len(amps)) if data.grows is None else data.grows.astype(float)
    prior, pull = cell_priors(scale, resistance, known)
    knots = knots_over(string_charge, middle + current * resistance, capacity)
    problem = Problem(
        v,
        own_charge,
        polar / amps,
        current,
        growing,
        knots,
        scale,
        prior,
        pull,
        data.noise,
        LEVEL_SD_V,
        SHAPE_SD * capacity,
        data.worth,
        np.zeros(len(knots) - 4),
        table is not None and not table.flat,
        bends(knots, np.zeros(len(knots) - 4), False),
    )
    drop = resistance * amps
    at = _start(problem, middle, drop)
    problem = _based(problem, at, table, capacity, anchors)
    at = _placed(problem, _start(problem, middle, drop), capacity)
    damping = 1e-3
    for turn in range(ROUNDS):
        stage = np.array(STAGES[min(turn, len(STAGES) - 1)])
        if turn in (0, 2):
            at, problem = _redrawn(problem, at, capacity)
            problem = _based(problem, at, table, capacity, anchors)
        at, damping, moved = damped_turn(problem, at, drop, stage, damping)
        if turn > len(STAGES) and moved[0] < 3e-4 * capacity and moved[1] < 3e-4:
            break
    return _answer(problem, at, reference, data.block, drop)


def _about_the_mean(excess: Floats, se: Floats) -> tuple[Floats, Floats]:
    """Return excesses of resistance over the mean cell instead of the middle one: here the mean cell has none."""
    mean = 1.0 + float(np.nanmean(excess)) if np.isfinite(excess).any() else 1.0
    return (1.0 + excess) / mean - 1.0, se / mean


def _start(problem: Problem, middle: Floats, drop: Floats) -> Point:
    """Fit curve and polarisation to the mean cell alone."""
    basis = BSpline.design_matrix(problem.charge.mean(axis=1), problem.knots, 3).toarray()
    rough = roughness_rows(problem.knots) * (problem.level / problem.bend)[:, None]
    p, n = problem.polar.shape[1], basis.shape[1]
    design = np.vstack(
        [
            np.column_stack([basis, problem.polar]),
            np.column_stack([rough, np.zeros((len(rough), p))]),
            np.column_stack([np.zeros((p, n)), np.diag(problem.level / drop)]),
        ]
    )
    target = np.concatenate([middle, rough @ problem.base, np.zeros(p)])
    found = np.linalg.lstsq(design, target, rcond=None)[0]
    return Point(found[:n], found[n:], np.zeros((4, problem.volts.shape[1])))


SEARCH_A, SEARCH_B = np.linspace(-0.25, 0.25, 61), np.linspace(-0.12, 0.12, 9)
SEARCH_ROWS = 160


def _placed(problem: Problem, at: Point, capacity: float) -> Point:
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
    # beyond what the mean cell saw the curve goes on as its base does: straight, or as the table
    base = curve_value(problem.knots, problem.base, grid) - curve_value(problem.knots, problem.base, inside)
    if not problem.base.any():
        edges = np.array([low + 0.01 * (high - low), high - 0.01 * (high - low)])
        ends = curve_slope(problem.knots, at.coef, edges)
        base = np.where(grid < low, ends[0], ends[1]) * (grid - inside)
    level = curve_value(problem.knots, at.coef, inside) + base
    slope = np.gradient(level, grid)
    # the mean cell's own misfit belongs to all
    mean = problem.volts[pick].mean(axis=1)
    away = problem.volts[pick] - mean[:, None] + np.interp(string, grid, level)[:, None]
    best = np.full(away.shape[1], np.inf)
    found = np.zeros((2, away.shape[1]))
    if not np.ptp(charge, axis=1).any():  # where nothing was bled all cells are tried in the same places
        charge = charge[:, :1]
    for b in SEARCH_B:
        for shifts in np.array_split(
            SEARCH_A, max(1, away.size // 4000)
        ):  # few enough for the processor's cache
            x = charge[:, None] * (1 + b) - shifts[:, None] * capacity
            beyond = np.maximum(np.maximum(low - x, x - high), 0.0) / capacity
            steep = np.interp(x, grid, slope) * 3 * problem.shape
            spread = problem.noise**2 + steep**2 + beyond**2 + 1e-6
            left = away[:, None] - np.interp(x, grid, level)
            cost = _mean_log(1.0 + left**2 / spread) + np.log(spread).mean(axis=0) * 0.5
            cost = cost + ((shifts[:, None] / 0.1) ** 2 + (b / 0.04) ** 2) / 60.0
            least = cost.min(axis=0)
            better = least < best
            best = np.where(better, least, best)
            found[:, better] = np.stack([shifts[cost.argmin(axis=0)] * capacity, np.full(len(best), b)])[
                :, better
            ]
    cells = at.cells.copy()
    cells[0] = (found[0] - np.median(found[0])) / problem.scale[0]
    cells[1] = (found[1] - np.median(found[1])) / problem.scale[1]
    return Point(at.coef, at.common, cells)


def _mean_log(values: Floats) -> Floats:
    """Return the mean over the rows of the logarithm of `values` (rows, ..), each from 1 to 1e12 or so.

    Of products of sixteen of them: a logarithm takes as long as many products.
    """
    products = np.multiply.reduceat(values, np.arange(0, len(values), 16), axis=0)
    return np.asarray(np.log(products).sum(axis=0) / len(values), float)


def _redrawn(problem: Problem, at: Point, capacity: float) -> tuple[Point, Problem]:
    """Place the knots anew, over where all cells went, and carry the curve over."""
    x = cell_places(problem, at).ravel()
    volt = (problem.volts - (problem.polar @ at.common)[:, None]).ravel()
    if (
        problem.sure and problem.base.any()
    ):  # what a load leaves in single readings looks like a climb of the curve
        x = np.linspace(x.min(), x.max(), 400)
        volt = curve_value(problem.knots, problem.base, x)
    knots = knots_over(x, volt, capacity)
    sites = knot_sites(knots)
    coef = curve_coefficients(knots, curve_value(problem.knots, at.coef, sites))
    none = np.zeros(len(coef))
    return Point(coef, at.common, at.cells), replace(
        problem, knots=knots, base=none, bend=bends(knots, none, False)
    )


def _based(problem: Problem, at: Point, table: OcvCurve | None, capacity: float, anchors: Anchors) -> Problem:
    """Lay the table onto the curve as it stands; the spline's smoothness then counts from there."""
    if table is None:
        return problem
    # where the mean cell was: beyond that the curve hangs on where single cells are thought to be
    string = problem.charge.mean(axis=1)
    q = np.linspace(string.min(), string.max(), 60)
    load = mean_over(string, problem.polar @ at.common, q)
    found = align(
        q,
        curve_value(problem.knots, at.coef, q),
        table,
        capacity,
        under_load=POLARISATION_ERROR * np.abs(load),
        rests=anchors,
    )
    sites = knot_sites(problem.knots)
    base = curve_coefficients(problem.knots, table.beyond(found.soc(sites)) + found.shift_V)
    return replace(problem, base=base, bend=bends(problem.knots, base, problem.sure, table.own))


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


def _answer(problem: Problem, at: Point, reference: Bools, block: Ints, drop: Floats) -> Split:
    """Centre the parameters on the pack's middle and give them their standard errors."""
    formal, cluster, cells = _spreads(problem, at, reference, block, drop)
    se = np.sqrt(np.maximum(np.einsum("cii->ic", formal), np.einsum("cii->ic", cluster)))
    x = cell_places(problem, at)
    residual = what_is_left(problem, at, x)
    spread = np.full(len(reference), np.nan)
    away = residual - residual.mean(axis=1, keepdims=True)
    left = np.sqrt((away**2 * row_weights(problem, at)).mean(axis=0))
    spread[reference] = left / np.median(left)
    unknown = np.full(len(reference), np.nan)
    full = np.full((4, len(reference)), np.nan)
    full[:, reference] = cells
    string_charge = problem.charge.mean(axis=1)
    shift = np.median(at.cells[0] * problem.scale[0])
    stretch = np.median(at.cells[1] * problem.scale[1])
    # the middle cell's own scale of charge: x = q (1 + stretch) - shift
    knots = (problem.knots + shift) / (1 + stretch)
    spans = np.full((2, len(reference)), np.nan)
    spans[:, reference] = (np.array([x.min(axis=0), x.max(axis=0)]) + shift) / (1 + stretch)
    return Split(
        a=full[0],
        b=full[1],
        r=full[2],
        rho=full[3],
        se=dict(zip(("a", "b", "r", "rho"), se, strict=True)),
        formal=formal,
        cluster=cluster,
        knots=knots,
        coef=at.coef,
        polarisation=problem.polar @ at.common,
        charge=string_charge,
        q_low=float(string_charge.min()),
        q_high=float(string_charge.max()),
        least=spans[0],
        most=spans[1],
        misfit=spread,
        least_misfit=spread,
        shift=unknown,
        shift_se=unknown,
        shift_odds=unknown,
        sound_shift=unknown,
        sound_shift_se=unknown,
        shift_looks_like=np.full(2, np.nan),
        growing=problem.polar @ (problem.grows * at.common),
        far=np.zeros(len(reference), bool),
    )


def _spreads(
    problem: Problem, at: Point, reference: Bools, block: Ints, drop: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the covariances of the cells' parameters, by the model and by leaving out blocks, and the parameters.

    Returns
    -------
    (cells, 4, 4) twice, NaN beside the reference cells; (4, reference cells) less the middle cell's.
    """
    count = problem.volts.shape[1]
    system, right = normal_equations(problem, at, drop, np.ones(4))
    # What is left to the next step is nought here, so a block's absence shows as the step that it would bring about.
    # Solved without the block the step is too long where the block alone knew something, solved with it too short:
    # the root of their product, as the bias-reduced cluster estimate has it (Bell and McCaffrey 2002).
    steps = []
    whole = solver_of(system)
    for number in range(int(block.max()) + 1):
        part_system, part_right = normal_equations(problem, at, drop, np.ones(4), rows=block == number)
        without = solve_normal(system - part_system, right - part_right)[-4 * count :].reshape(4, count)
        within = whole(right - part_right)[-4 * count :].reshape(4, count)
        shorter = np.sqrt(np.abs(within) / np.maximum(np.abs(without), 1e-300))
        steps.append(without * np.clip(shorter, 0.0, 1.0))
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
    return formal, cluster, cells
