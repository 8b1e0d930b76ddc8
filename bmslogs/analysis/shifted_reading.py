"""Other charge, or a shifted reading? Two explanations of each cell weighed against each other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.curve_spline import curve_slope
from bmslogs.analysis.split_problem import (
    CAPACITY_SD,
    OFFSET_SD,
    Point,
    Problem,
    cell_places,
    row_weights,
    what_is_left,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

ODDS = 5.0
"""From these log odds on a reading counts as shifted (choice)."""
BOARD_SHARE = 0.4
"""Cells of a board that is off read apart by no more than this share of its shift, one sd (choice)."""
SOUND_OFFSET, SOUND_CAPACITY, SHIFT_SD_V = 0.005, 0.012, 0.030
"""Spread of sound cells, as fractions, and of shifted readings [V] (choice, one sd)."""


def shifted_readings(problem: Problem, at: Point) -> Floats:
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
    rest = Point(at.coef, at.common, np.repeat(middle, count, axis=1))
    out = np.empty((3, count))
    common = np.zeros(count)
    for place, (point, width) in enumerate(((at, free), (rest, sound))):
        x = cell_places(problem, point)
        residual = what_is_left(problem, point, x)
        residual = residual - np.median(residual, axis=1, keepdims=True)
        du = curve_slope(problem.knots, point.coef, x)
        weight = row_weights(problem, point)
        eta = problem.polar @ (problem.grows * point.common)
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


def shifted_boards(
    shift: Floats, se: Floats, odds: Floats, least: float, boards: list[Bools], trusted: Bools
) -> Bools:
    """Say which measuring boards are off: all their cells read apart alike.

    Parameters
    ----------
    shift, se, odds
        (cells,) shift, its standard error [V] and the logarithm of its odds, as `shifted_readings` gives them; NaN
        where not known.
    least
        Least shift of a board that counts [V].
    boards
        (cells,) True for the cells of each board.
    trusted
        (cells,) cells that are believed otherwise.

    Returns
    -------
    (cells,) True for the cells of such boards; never most of the trusted cells, since something must be left to
    compare with.
    """
    whole: list[tuple[float, Bools]] = []
    for board in boards:
        here = board & trusted
        if here.sum() >= 3 and here.sum() < trusted.sum():
            middle, apart, error = (float(v) for v in (np.median(shift[here]), shift[here].std(), np.median(se[here])))
            alike = apart < np.hypot(BOARD_SHARE * middle, error) and abs(middle) > least
            # one shift of a board is one chance in many, not one for each cell; so is a box of cells charged alike
            once = np.log(SHIFT_SD_V / max(error, apart)) - np.log(OFFSET_SD / SOUND_OFFSET)
            if alike and np.clip(odds[here], -4 * ODDS, 4 * ODDS).sum() + (here.sum() - 1) * once > ODDS:
                whole.append((abs(middle), here))
    found = np.zeros(len(trusted), bool)
    # two boards that read apart shift against each other: it is the one further from the middle
    for _, here in sorted(whole, key=lambda one: -one[0]):
        if 2 * (found | here).sum() <= trusted.sum():
            found = found | here
    return found


def shifted_singly(shift: Floats, odds: Floats, least: Floats, trusted: Bools) -> Bools:
    """Say which single readings are shifted, by at least `least` (cells,) [V]; none where that were most of them."""
    with np.errstate(invalid="ignore"):
        found = np.asarray((odds > ODDS) & (np.abs(shift) > least) & trusted, bool)
    return found if 2 * found.sum() <= trusted.sum() else np.zeros_like(found)
