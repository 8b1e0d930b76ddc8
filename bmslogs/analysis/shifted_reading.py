"""Other charge and capacity, or a shifted reading? Both fitted to the same rows of each cell, and held out in turn.

    other charge:     V_i = U(q (1 + b) - a) + P + P_g r - rho I
    shifted reading:  V_i = U(q) + P + P_g r - rho I + s,   charge and capacity those of a sound cell

with U, P, P_g the string's own. In-sample a model error that all cells share looks like sure evidence; so each block of
the log is told from the others, and the explanation that tells it better wins. A difference of charge grows where the
curve is steep, one of capacity to one end of it; a shift is the same at rest and under load, low and high.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.models.lone_cell import StringCurve
from bmslogs.analysis.split_problem import CAPACITY_SD, EXCESS_SD, OFFSET_SD
from bmslogs.analysis.statistics import outliers, robust_scale
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

ODDS = 3.0
"""From these log odds on one explanation is taken, within them either is possible (METHODS I3: a factor of e^3)."""
ODDS_SHARE, ODDS_OVER = 0.75, 3.0
"""And they must be so many times those that this share of the other cells stays below (choice)."""
FEW_CELLS = 6
"""Of fewer cells there is no scatter to speak of (choice)."""
BOARD_SHARE = 0.4
"""Cells of a board that is off read apart by no more than this share of its shift, one sd (choice)."""
SOUND_OFFSET, SOUND_CAPACITY, SHIFT_SD_V = 0.005, 0.012, 0.100
"""Spread of sound cells, as fractions, and of shifted readings [V] (choice, one sd)."""
BOARD_ODDS = 1.0
"""The same for the middle cell of a board all of whose cells read apart alike (choice)."""
CLOSELY = 0.15
"""And by no more than this where that is taken although the log fits the cells' own charge and capacity as well."""
TELLS_APART = 2.0
"""A log tells charge from shift where sound cells scatter so many times less in the one once the other is free
(choice)."""
NARROW = 0.03
"""A climbing curve over less of the capacity than this is about straight: a shift and another charge look alike there
(choice)."""
COVERED_LEAST = 0.5
"""So much of a cell's way must lie on the part of the curve that the string went through, for other charge to be
weighed against a shift there (choice)."""
LEFT_MOST = 3.0
"""A shift that leaves this many times what the usual cell leaves does not explain the cell (choice)."""


@dataclass(frozen=True)
class ShiftWeighed:
    """The two explanations of every cell.

    Attributes
    ----------
    shift, se
        (cells,) shift of the reading if that is the explanation, against the middle cell, and its standard error [V].
    odds
        (cells,) logarithm of the odds for a shift against other charge and capacity, from blocks held out.
    sound, sound_se
        (cells,) the shift of a cell whose charge and capacity are a sound cell's, and its standard error [V]: what the
        cells of a board, all of them off, have in common, however well their charges would explain it one by one.
    looks_like
        (2,) what a shift of one volt looks like where only charge and capacity may differ: charge offset [Ah] and lack
        of capacity.
    """

    shift: Floats
    se: Floats
    odds: Floats
    sound: Floats
    sound_se: Floats
    looks_like: Floats


def weigh_shifts(
    volts: Floats,
    charge: Floats,
    string: StringCurve,
    values: Floats,
    block: Ints,
    count: Floats,
    *,
    capacity: float,
    resistance: float,
    noise: float,
    shape: float,
) -> ShiftWeighed:
    """Weigh the two explanations of each cell.

    Parameters
    ----------
    volts, charge
        (rows, cells) [V], charge drawn from each [Ah].
    string
        The string's curve and polarisation.
    values
        (4, cells) a [Ah], b, r, rho [ohm] of the split.
    block, count
        (rows,) number of the block; how many independent readings each row is worth.
    capacity, resistance, noise, shape
        Of a usual cell [Ah], [ohm]; of a reading [V]; how well two cells follow one curve, sideways [Ah].
    """
    own = charge * (1 + values[1]) - values[0]
    eta, current = string.growing[:, None], string.current[:, None]
    drop = string.polarisation[:, None] + eta * values[2] - values[3] * current
    slope_own, slope_sound = string.slope(own), string.slope(charge)
    weight = count[:, None] / (noise**2 + (slope_sound * shape) ** 2)
    ones = np.ones_like(volts)
    load = [np.broadcast_to(eta, volts.shape), np.broadcast_to(-current, volts.shape)]
    scale = np.array([EXCESS_SD, EXCESS_SD * resistance])
    apart = volts - string.voltage(own) - drop
    own_columns = [-slope_own, slope_own * charge, *load]
    wide, _, _ = _held_out(
        apart, own_columns, weight, block, np.array([OFFSET_SD * capacity, CAPACITY_SD, *scale])
    )
    sound = np.array([SOUND_OFFSET * capacity, SOUND_CAPACITY, *scale])
    as_sound = volts - string.voltage(charge) - string.polarisation[:, None]
    sound_columns = [-slope_sound, slope_sound * charge, *load]
    near, _, _ = _held_out(as_sound, sound_columns, weight, block, sound)
    # held to what sound cells differ by, a block is told better: the shift must not win by that alone
    free = np.minimum(wide, near)
    off, shift, se = _held_out(as_sound, [*sound_columns, ones], weight, block, np.append(sound, SHIFT_SD_V))
    free_charge = np.array([OFFSET_SD * capacity, CAPACITY_SD, *scale, SHIFT_SD_V])
    _, beside, beside_se = _held_out(apart, [*own_columns, ones], weight, block, free_charge)
    held, held_se = shift - np.median(shift), se
    # where the log tells charge from shift, what sound cells differ by in charge is no scatter of shifts
    if TELLS_APART * _scatter(beside) < _scatter(shift):
        shift, se = beside, beside_se
    blocks = int(block.max()) + 1
    # what the usual cell leaves is the model's own error: nobody is told better than that
    usual = float(np.median(np.minimum(free, off)))
    odds = blocks * np.log(np.maximum(free, usual) / np.maximum(off, usual))
    odds = np.where(off > LEFT_MOST * usual, np.minimum(odds, 0.0), odds)
    usual_charge = np.median(charge, axis=1)
    if float(np.ptp(usual_charge)) < NARROW * capacity and not string.aside:
        # where its charge would put a cell beyond what little the string went through, no curve is known: none wins
        covered = ((own >= usual_charge.min()) & (own <= usual_charge.max())).mean(axis=0)
        odds = np.where(covered < COVERED_LEAST, np.minimum(odds, 0.0), odds)
    slope = string.slope(usual_charge)
    columns = np.stack([-slope, slope * usual_charge], axis=1) * np.sqrt(count)[:, None]
    looks_like = np.linalg.lstsq(columns, np.sqrt(count), rcond=None)[0]
    return ShiftWeighed(shift - np.median(shift), se, odds, held, held_se, np.asarray(looks_like, float))


def _scatter(shift: Floats) -> float:
    """Return how far the shifts of half of the cells lie from the middle one [V]."""
    return float(np.median(np.abs(shift - np.median(shift))))


def _held_out(
    residual: Floats, columns: list[Floats], weight: Floats, block: Ints, prior_sd: Floats
) -> tuple[Floats, Floats, Floats]:
    """Fit each cell, tell each block from the others.

    Returns
    -------
    (cells,) root mean square of what is left of blocks held out, in expected errors; the last parameter of the whole
    fit and its standard error by leaving out blocks.
    """
    residual = residual - np.median(residual, axis=1, keepdims=True)
    design = np.stack([c * s for c, s in zip(columns, prior_sd, strict=True)])
    p, number = len(columns), int(block.max()) + 1
    gram = np.stack([_gram(design[:, block == k], weight[block == k]) for k in range(number)])
    moment = np.stack(
        [
            np.einsum(
                "itc,tc->ci", design[:, block == k], weight[block == k] * residual[block == k], optimize=True
            )
            for k in range(number)
        ]
    )
    whole = np.linalg.solve(gram.sum(axis=0) + np.eye(p), moment.sum(axis=0)[..., None])[..., 0]
    without = np.linalg.solve(gram.sum(axis=0) - gram + np.eye(p), (moment.sum(axis=0) - moment)[..., None])[
        ..., 0
    ]
    left = np.zeros(residual.shape[1])
    for k in range(number):
        here = block == k
        away = residual[here] - np.einsum("itc,ci->tc", design[:, here], without[k], optimize=True)
        left += (weight[here] * away**2).sum(axis=0)
    last = without[:, :, -1] * prior_sd[-1]
    formal = np.linalg.inv(gram.sum(axis=0) + np.eye(p))[:, -1, -1] * prior_sd[-1] ** 2
    spread = (number - 1) / number * ((last - last.mean(axis=0)) ** 2).sum(axis=0)
    rms = np.sqrt(left / np.maximum(weight.sum(axis=0), 1e-300) * float(np.median(weight)))
    return rms, whole[:, -1] * prior_sd[-1], np.sqrt(np.maximum(formal, spread))


def _gram(design: Floats, weight: Floats) -> Floats:
    """Return (cells, p, p) weighted products of the columns."""
    return np.asarray(np.einsum("itc,tc,jtc->cij", design, weight, design, optimize=True), float)


@dataclass(frozen=True)
class AsCharge:
    """What the cells hold if every reading is right, and what a shift would look like there.

    Attributes
    ----------
    offset, lack
        (cells,) charge offset [Ah] and lack of capacity.
    looks_like
        (2,) both of a shift of one volt.
    """

    offset: Floats
    lack: Floats
    looks_like: Floats


def shift_of_board(cells: AsCharge, here: Bools, trusted: Bools) -> tuple[float, float] | None:
    """Return the one shift that explains why the cells of a board hold other charge *and* other capacity than the rest.

    The charge tells a shift and the capacity tells one; a board that is off makes them the same. Modules of another lot
    do so by chance only.

    Parameters
    ----------
    cells
        What all cells hold.
    here, trusted
        (cells,) the board's cells; those that are believed otherwise.

    Returns
    -------
    The shift of the board against the rest and its standard error [V]; None where the two do not agree or are not sure.
    """
    rest, here = trusted & ~here, here & trusted
    if min(here.sum(), rest.sum()) < 3 or not np.isfinite(cells.looks_like).all():
        return None
    told = []
    for held, alike in zip((cells.offset, cells.lack), cells.looks_like, strict=True):
        middle = float(np.median(held[here]) - np.median(held[rest]))
        error = MEDIAN_SD * np.hypot(
            *(robust_scale(held[part]) / np.sqrt(part.sum()) for part in (here, rest))
        )
        told.append((middle / alike, float(error / abs(alike))))
    both = np.array(told)
    shift, se = _agreed(both[:, 0], both[:, 1], BOARD_SURE, BOARD_APART)
    return (float(shift), float(se)) if np.isfinite(shift) else None


def _agreed(told: Floats, se: Floats, sure: float, apart: float) -> tuple[Floats, Floats]:
    """Return the shift that charge and capacity agree on, and its standard error [V]; NaN where they do not.

    Parameters
    ----------
    told, se
        (2,) or (2, cells) what either tells, and its standard error [V].
    sure, apart
        In how many standard errors either must tell one, and to how many both must agree.
    """
    with np.errstate(all="ignore"):
        weight = 1.0 / se**2
        shift = (weight * told).sum(axis=0) / weight.sum(axis=0)
        error = np.hypot(1.0 / np.sqrt(weight.sum(axis=0)), SAME_SHARE / 2.0 * np.abs(shift))
        good = (np.abs(told) > sure * se).all(axis=0) & (told[0] * told[1] > 0.0)
        good &= np.abs(told[0] - told[1]) < apart * np.hypot(*se) + SAME_SHARE * np.abs(told[0])
    return np.where(good, shift, np.nan), np.where(good, error, np.nan)


MEDIAN_SD = 1.2533
"""Standard error of a median over that of a mean, of normal values: sqrt(pi / 2)."""
BOARD_SURE, BOARD_APART, SINGLE_SURE, SINGLE_APART = 4.0, 3.0, 3.0, 2.0
"""In so many standard errors both must tell the shift of a board, and to so many agree; the same of one cell, whose
errors have the others' scatter in them (choice)."""
SAME_SHARE = 0.15
"""Beside their errors they agree to this share: the string's curve, and a shift that is rather a gain, make no more
(choice)."""


def shifted_boards(
    shift: Floats,
    se: Floats,
    odds: Floats,
    least: float,
    boards: list[Bools],
    trusted: Bools,
    charge: Floats | None = None,
    lack: Floats | None = None,
    held: AsCharge | None = None,
) -> Bools:
    """Say which measuring boards are off: all their cells read apart alike.

    Where the log fits both, one shift is the explanation of a whole board whose cells would have to be smaller (or
    larger) and fuller (or emptier) at once, all by the same: one number against two.

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
    charge, lack
        (cells,) what the other explanation takes: charge offset as a share of the capacity, lack of capacity; None
        where these are not known.
    held
        The same with what a shift looks like; None where that is not known.

    Returns
    -------
    (cells,) True for the cells of such boards; never most of the trusted cells, since something must be left to
    compare with.
    """
    whole: list[tuple[float, Bools]] = []
    for board in boards:
        one = None if held is None else shift_of_board(held, board, trusted)
        if one is not None and abs(one[0]) > least:
            whole.append((abs(one[0]), board & trusted))
    for board in boards:
        here = board & trusted
        if here.sum() >= 3 and here.sum() < trusted.sum():
            middle, apart, error = (
                float(v) for v in (np.median(shift[here]), shift[here].std(), np.median(se[here]))
            )
            alike = apart < np.hypot(BOARD_SHARE * middle, error) and abs(middle) > least
            # all cells of a board share what the model does not know: their odds are one, not as many as they are;
            # a box of cells charged alike is as seldom as a board that is off
            at_once = (
                charge is not None
                and lack is not None
                and apart < np.hypot(CLOSELY * middle, error)
                and (
                    abs(float(np.median(charge[here]))) > 2.0 * SOUND_OFFSET
                    and abs(float(np.median(lack[here]))) > 2.0 * SOUND_CAPACITY
                )
            )
            if alike and float(np.median(odds[here])) > (-ODDS if at_once else BOARD_ODDS):
                whole.append((abs(middle), here))
    found = np.zeros(len(trusted), bool)
    # two boards that read apart shift against each other: it is the one further from the middle
    for _, here in sorted(whole, key=lambda one: -one[0]):
        if 2 * (found | here).sum() <= trusted.sum():
            found = found | here
    return found


def shifted_singly(shift: Floats, se: Floats, odds: Floats, least: Floats, trusted: Bools) -> Bools:
    """Say which single readings are shifted; none where that were most of them.

    A shift must be the better explanation, of practical size (`least` (cells,) [V]), surely not nought, and unlike what
    the same fit gives the other cells: an error of the model shifts them all.
    """
    # where a block that alone holds a knee is held out, odds scatter over sound cells too: theirs are the null
    usual = _odds_of_others(odds, trusted)
    with np.errstate(invalid="ignore"):
        found = (
            (odds > np.maximum(ODDS, ODDS_OVER * usual))
            & (np.abs(shift) > np.maximum(least, 2.0 * se))
            & trusted
        )
        found &= unlike_the_others(shift, se, trusted)
    return np.asarray(found if 2 * found.sum() <= trusted.sum() else np.zeros_like(found), bool)


def _odds_of_others(odds: Floats, trusted: Bools) -> Floats:
    """Return (cells,) the odds that most of the other cells stay below; nought where there are few."""
    if trusted.sum() <= FEW_CELLS:
        return np.zeros(len(odds))
    return np.array(
        [np.quantile(np.delete(odds, i)[np.delete(trusted, i)], ODDS_SHARE) for i in range(len(odds))]
    )


def shifts_as_charge(cells: AsCharge, se: tuple[Floats, Floats], least: float, trusted: Bools) -> Floats:
    """Return the one shift that explains both the charge and the capacity of a cell, where these agree on one.

    A cell that is smaller *and* emptier, as a weak one is, does so by chance now and then: the shift is named beside
    the other explanation, never for it.

    Parameters
    ----------
    cells
        What all cells hold.
    se
        (cells,) standard errors of offset [Ah] and lack.
    least
        Least shift that counts [V].
    trusted
        (cells,) cells that are believed otherwise.

    Returns
    -------
    (cells,) shift [V]; NaN where there is none.
    """
    out = np.full(len(trusted), np.nan)
    if trusted.sum() < FEW_CELLS or not np.isfinite(cells.looks_like).all():
        return out
    told, errors = [], []
    for held, error, alike in zip((cells.offset, cells.lack), se, cells.looks_like, strict=True):
        scatter = robust_scale(held[trusted])
        told.append((held - float(np.median(held[trusted]))) / alike)
        errors.append(np.hypot(scatter, error) / abs(alike))
    shift, _ = _agreed(np.stack(told), np.stack(errors), SINGLE_SURE, SINGLE_APART)
    with np.errstate(invalid="ignore"):
        return np.where(trusted & (np.abs(shift) > least), shift, out)


def either(shift: Floats, se: Floats, odds: Floats, least: Floats, trusted: Bools) -> Bools:
    """Say of which cells no one can tell whether charge or reading is off."""
    with np.errstate(invalid="ignore"):
        return np.asarray(
            (np.abs(odds) <= ODDS) & (np.abs(shift) > np.maximum(least, 2.0 * se)) & trusted, bool
        )


def unlike_the_others(shift: Floats, se: Floats, trusted: Bools) -> Bools:
    """Return (cells,) True where a shift does not belong to those of the others; all of fewer than six cells."""
    if trusted.sum() < FEW_CELLS:
        return trusted.copy()
    floor = float(nanmedian(se[trusted]))
    return outliers(
        np.where(trusted, shift, np.nan), floor=floor, alpha=0.01, most=max(3, int(trusted.sum()) // 4)
    )
