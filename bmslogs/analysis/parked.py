"""Self-discharge from a parked log: how fast each cell's voltage leaves the others.

I_leak,i - I_leak,middle = -d(V_i - V_middle)/dt Q / u'(z), ordinary least squares after the first half day, when the
voltages have settled. The current is not integrated over a parked log: a sensor's zero would invent charge.

What all cells lose alike (the supply of the BMS, what is left of settling) parts them too where the curve is steeper
for one than for another: a common fall of c [V/h] moves cell i by c (u'_i / u'_middle - 1) against the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.regression import block_fit, equal_blocks, jackknife_se, t_factor
from bmslogs.analysis.rounding import middle_error, weighted_error
from bmslogs.analysis.statistics import LEAST_CELLS, robust_scale
from bmslogs.analysis.stretches import PARKED_LEAST_S, Stretch
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median, nanmedian
from bmslogs.base.results import Kind

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

SETTLE_H = 12.0
LEAST_H = 8.0
"""Shorter after settling is refused. Three days and more are usual (common practice, no source); in a shorter time only
a leak that outruns what is left of settling is told, which the width sees to."""
MOST_SETTLING_V = 0.006
"""What is left of settling after the rows left out is less than that, unlike other cells' (judgement) [V]."""
SETTLING_V, SETTLING_H = 0.001, 12.0
"""By how much a cell may settle otherwise than the others after the rows left out, and how fast that dies away: voltage
[V] (one sd) and time constant [h] (judgement, no source)."""
LEAST_READINGS = 12
FREE_H, LEAST_UNBLED = 12.0, 4
"""A time without bleeding that is as long tells of all cells [h]; else only cells that were never bled while parked
tell, if they are so many (choice)."""
BRIDGE_V, AGREE = 0.005, 3.0
"""A pack that was used while nothing was logged comes back to within so much of the voltage it had by chance only [V];
the drift over the pauses and that between them agree to so many scatters of the log's cells (choice)."""
FLAT_WITHIN_V = 0.012
"""Within this of its voltage the place on a flat curve is not known [V] (choice)."""
WINDOW, PASSED_V = 0.02, 0.02
"""Charge on either side over which a slope is taken, as a fraction, and by how much a cell must have moved for its own
way along the curve to be told from its calibration [V] (choice)."""
LEAST_UNLIKE = 0.01
"""And of one cell's curve from its neighbours' where all cells of a log fall along one line (judgement)."""
ALIKE_SLOPE, OTHER_SLOPE, KINK_V = 0.1, 0.45, 0.02
"""How far the slope of one cell's curve is from its neighbours' at the same voltage, and of a curve from itself at
another voltage, as fractions (one sd), and over how many volts the latter grows (judgement: the steps in the published
curves of graphite anodes are that steep and that wide)."""


@dataclass(frozen=True)
class Drift:
    """Drift of each cell against the middle one.

    Attributes
    ----------
    slope, se
        (cells,) [V/h]; NaN where not known.
    blocks
        Blocks behind `se`.
    hours
        Span used [h].
    level, level_se
        (cells,) how far each cell stood above the mean of the trusted ones when the stretch began [V].
    common
        Drift of the middle cell itself [V/h].
    straight
        Where the readings were laid along the string's way down first, the mean slope of the table over that way [V per
        unit of charge]: it holds for all of a cell's way. Else nought.
    """

    slope: Floats
    se: Floats
    blocks: int
    hours: float
    level: Floats
    level_se: Floats
    common: float = 0.0
    straight: float = 0.0


WALK_V, WALKS_DOWN = 0.05, 0.8
"""A string that moved by more while parked, downwards by such a share of it, went through many slopes of its curve
(choice)."""
SEEN_LEAST = 0.1
"""A cell that leaks goes on as it did in so much of the time, where the others do not come as far down (choice)."""
WALK_BLOCKS, WALK_END = 200, 0.1
"""Blocks of the way down, and the share of it at either end that tells how it goes on beyond (choice)."""


def straightened(volts: Floats, seconds: Floats, trusted: Bools) -> Floats | None:
    """Return the readings (rows, cells) [V] as they were if the curve fell evenly; None where that need not be.

    A house load draws a parked pack down its curve, and a cell that leaks parts from the others by little where it is
    flat and by much where it is steep. All cells go the same way down: with t_m(V) the time at which the middle one
    read V, and c its mean fall [V/s],

        V'(t) = V_m(0) - c t_m(V(t)),

    so that a cell ahead of the others by as much charge is ahead by as many volts, wherever it stands, by no table.
    """
    middle = median(volts[:, trusted], axis=1)
    blocks = equal_blocks(len(middle), min(WALK_BLOCKS, len(middle) // 3))
    count = np.bincount(blocks).astype(float)
    level = np.bincount(blocks, middle) / count
    when = np.bincount(blocks, seconds) / count
    fell = float(level[0] - level[-1])
    if not (fell > WALK_V and fell > WALKS_DOWN * float(np.ptp(level))):
        return None
    way = isotonic_regression(level, increasing=False).x
    # a level that stands for several blocks is reached in the middle of them
    steps, first = np.unique(-way, return_index=True)
    times = np.array([when[k] for k in np.split(np.arange(len(way)), first[1:])], dtype=object)
    at = np.array([float(np.mean(one)) for one in times])
    reached = np.interp(-volts, steps, at)
    many = max(int(WALK_END * len(steps)), 1)
    early = (at[many] - at[0]) / (steps[many] - steps[0])
    late = (at[-1] - at[-1 - many]) / (steps[-1] - steps[-1 - many])
    reached = np.where(-volts < steps[0], at[0] + (-volts - steps[0]) * early, reached)
    beyond = -volts > steps[-1]
    reached = np.where(beyond, at[-1] + (-volts - steps[-1]) * late, reached)
    for cell in np.flatnonzero(beyond.any(axis=0)).tolist():
        # where the string never was, nothing tells how far a cell is: it goes on as it went so far
        seen = ~beyond[:, cell]
        if seen.mean() >= SEEN_LEAST:
            line = np.polyfit(seconds[seen], reached[seen, cell], 1)
            reached[beyond[:, cell], cell] = np.polyval(line, seconds[beyond[:, cell]])
    return np.asarray(level[0] - fell / (when[-1] - when[0]) * (reached - when[0]), float)


def slope_of_walk(volts: Floats, trusted: Bools, curve: OcvCurve) -> float:
    """Return the mean slope of the table over what the middle cell went through [V per unit of charge]."""
    middle = median(volts[:, trusted], axis=1)
    ends = max(len(middle) // 50, 1)
    high, low = float(median(middle[:ends])), float(median(middle[-ends:]))
    z = curve.inverse(np.array([high, low]))
    return (high - low) / max(float(z[0] - z[1]), 1e-6)


def drift(
    volts: Floats, seconds: Floats, temperature: Floats | None, trusted: Bools, step_V: float = 0.0
) -> Drift:
    """Fit the drift of every cell against the mean of the trusted ones.

    Parameters
    ----------
    volts
        (rows, cells) [V], rows of one parked stretch, NaN only in columns that are not trusted.
    seconds
        (rows,) [s].
    temperature
        (rows,) mean temperature [degC], whose swing day by day moves cells a little; None where not known.
    trusted
        (cells,) columns to use.
    step_V
        Step of the readings [V].

    Raises
    ------
    NotEnoughData
        Parked too short.
    """
    hours = (seconds - seconds[0]) / 3600.0
    settled = settled_rows(hours)
    h = hours[settled]
    if len(h) < LEAST_READINGS or h[-1] - h[0] < LEAST_H:
        raise NotEnoughData(f"parked for {hours[-1]:.0f} h only")
    v = volts[settled]
    away = v - v[:, trusted].mean(axis=1, keepdims=True)
    columns = [np.ones_like(h), h - h.mean()]
    if (
        temperature is not None
        and np.isfinite(temperature[settled]).all()
        and np.ptp(temperature[settled]) > 2.0
    ):
        columns.append(temperature[settled] - temperature[settled].mean())
    # what is left of relaxation dies out with a time constant of hours
    columns.append(np.exp(-(h - h[0]) / 8.0))
    blocks = int(np.clip(len(h) // 6, 4, 8))
    design, parts = np.stack(columns, axis=1), equal_blocks(len(h), blocks)
    # settling may hang on the first block alone: over weeks it is gone by the second
    fit = block_fit(design, np.where(trusted, away, 0.0), parts, wanted=2)
    # what bends further than any settling does is the curve under a cell that empties
    empties = np.abs(fit.coef[-1] - median(fit.coef[-1][trusted])) > MOST_SETTLING_V
    if empties.any():
        plain = block_fit(design[:, :-1], np.where(trusted, away, 0.0), parts, wanted=2)
        fit = replace(
            fit,
            coef=np.where(empties, plain.coef[:2], fit.coef[:2]),
            without=np.where(empties, plain.without[:, :2], fit.without[:, :2]),
        )
    middle = median(fit.coef[1][trusted])
    without = fit.without[:, 1] - median(fit.without[:, 1][:, trusted], axis=1, keepdims=True)
    slope = np.where(trusted, fit.coef[1] - middle, np.nan)
    own, of_middle = _rounded(fit.pseudo_inverse[1], v, trusted, step_V)
    # blocks show the rounding of what moves from step to step, and none of what stands still
    se = np.hypot(np.maximum(jackknife_se(without), own), of_middle)
    back = h.mean()
    levels = fit.without[:, 0] - back * fit.without[:, 1]
    own, of_middle = _rounded(fit.pseudo_inverse[0] - back * fit.pseudo_inverse[1], v, trusted, step_V)
    return Drift(
        slope,
        np.where(trusted, se, np.nan),
        blocks,
        float(h[-1] - h[0]),
        fit.coef[0] - back * fit.coef[1],
        np.hypot(np.maximum(jackknife_se(levels), own), of_middle),
        float(median(np.polyfit(h, v[:, trusted], 1)[0])),
    )


def settled_rows(hours: Floats) -> Bools:
    """Return (rows,) True where cells have settled, by the time since the vehicle was parked [h]."""
    return np.asarray(hours >= min(SETTLE_H, 0.25 * hours[-1]), bool)


LIGHT_C_RATE, LIGHT_SHARE = 0.04, 0.98
"""A load below this share of the capacity per hour, in as many of its rows, is one of a house, not of a drive: the pack
stands all the same (choice)."""


def bridged(
    stretches: Sequence[Stretch],
    seconds: Floats,
    volts: Floats,
    trusted: Bools,
    light: Bools | None = None,
) -> list[Stretch]:
    """Return the times parked, those parted by a logger's pause joined where the string stood behind it as before.

    Loads of a house part nothing: a pump or a light that comes and goes all week is no use of the vehicle.

    Parameters
    ----------
    stretches
        What the pack did, in order.
    seconds
        (rows,) [s]. Two short rests with a pause between them are a time parked where they last as long together: a
        logger that slept from one drive to the next.
    volts, trusted
        (rows, cells) [V]; (cells,) True where the readings count.
    light
        (rows,) True where no current or a light load flows; None where that is not known.
    """
    out: list[Stretch] = []
    until = -1  # the last row of a light load behind what stands last in `out`
    for part in stretches:
        before = out[-1] if out else None
        if part.kind not in ("rest", "parked"):
            follows = before is not None and part.first in (before.last + 1, until + 1)
            if follows and light is not None and float(light[part.rows].mean()) >= LIGHT_SHARE:
                until = part.last
            continue
        through = before is not None and until + 1 == part.first and until > before.last
        if before is not None and (
            through or (before.last + 1 == part.first and _as_it_was(volts, trusted, before, part))
        ):
            long = seconds[part.last] - seconds[before.first] >= PARKED_LEAST_S
            kind: Kind = "parked" if long or "parked" in (before.kind, part.kind) else "rest"
            out[-1] = Stretch(kind, before.first, part.last)
        else:
            out.append(part)
    return [part for part in out if part.kind == "parked"]


def _as_it_was(volts: Floats, trusted: Bools, before: Stretch, part: Stretch) -> bool:
    """Whether the middle cell reads the same on either side of a pause."""
    if not trusted.any():
        return False
    with np.errstate(all="ignore"):
        levels = [
            float(nanmedian(volts[rows][:, trusted]))
            for rows in (
                slice(max(before.first, before.last - 9), before.last + 1),
                slice(part.first, min(part.last, part.first + 9) + 1),
            )
        ]
    return abs(levels[1] - levels[0]) < BRIDGE_V


def as_seen(whole: Drift, volts: Floats, seconds: Floats, piece: Ints, trusted: Bools) -> Drift:
    """Return the drift over a time with pauses, and of cells that fell in the pauses alone what was seen of them.

    A cell that loses charge while nobody looks, and none while it is seen, does not leak: it was bled or used.

    Parameters
    ----------
    whole
        Over all of it.
    volts, seconds
        (rows, cells) [V], (rows,) [s]; no NaN in trusted columns.
    piece
        (rows,) a number that changes at each pause.
    trusted
        (cells,) columns to use.

    Notes
    -----
    Seen is the least-squares slope with a level of its own for each piece; that it parts from the whole is weighed
    against how it does for the other cells of the log.
    """
    hours = (seconds - seconds[0]) / 3600.0
    settled = settled_rows(hours)
    h, v, number = hours[settled], volts[settled], piece[settled]
    away = v - median(v[:, trusted], axis=1, keepdims=True)
    names, index = np.unique(number, return_inverse=True)
    count = np.bincount(index).astype(float)
    within = h - (np.bincount(index, h) / count)[index]
    total = float((within**2).sum())
    if len(names) < 2 or not total > 0 or trusted.sum() < LEAST_CELLS:
        return whole
    seen = within @ np.where(trusted, away, 0.0) / total
    seen = seen - median(seen[trusted])
    apart = np.where(trusted, whole.slope - seen, np.nan)
    null = robust_scale(apart, 0.0)
    unseen = np.abs(np.nan_to_num(apart - nanmedian(apart))) > AGREE * np.maximum(null, whole.se)
    return replace(
        whole,
        slope=np.where(unseen, seen, whole.slope),
        se=np.where(unseen, np.maximum(null, whole.se), whole.se),
    )


def without_bleeding(flags: Bools, seconds: Floats) -> tuple[Bools, Bools]:
    """Return the rows and the cells of a parked stretch whose drift is no bleeding.

    What bleeding takes from a cell is no leak. The longest time without any tells of all cells where it is long
    enough; a pack bled day and night still tells of the cells that were never bled, and one that leaks much is the
    last to be.

    Parameters
    ----------
    flags
        (rows, cells) True while a cell is bled.
    seconds
        (rows,) [s].

    Returns
    -------
    rows, cells
        (rows,) and (cells,) True where they count.
    """
    some = np.asarray(flags.any(axis=1), bool)
    free = np.zeros(len(some), bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[1], some.astype(np.int8), [1]])))
    spans = [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    if spans:
        first, last = max(spans, key=lambda span: float(seconds[span[1]] - seconds[span[0]]))
        free[first : last + 1] = True
        if seconds[last] - seconds[first] >= FREE_H * 3600.0:
            return free, np.full(flags.shape[1], True)
    # a resistor at work draws through its neighbours' wires as well
    return np.asarray(~some, bool), np.asarray(~flags.any(axis=0), bool)


def unlike_slopes(found: Drift, trusted: Bools) -> Floats:
    """Return how far a sound cell may drift from the others of itself, one sd [V/h].

    (cells,): since its curve is steeper or flatter where it stands, in proportion to the common drift, and no less than
    the scatter over the cells of this log, which shows how unlike their curves are and how unlike they settle.
    """
    usual = slope_ratio_sd(found, trusted) * abs(found.common)
    if trusted.sum() < LEAST_CELLS:
        return usual
    _, scatter = by_level(found, trusted)
    above, below = _outside_the_others(found.level, trusted)
    beyond = np.hypot(LEAST_UNLIKE, _bent(found, above + below)) * abs(found.common)
    shown = robust_scale(np.where(trusted, found.slope, np.nan), 0.0)
    return np.minimum(np.maximum(usual, shown), np.hypot(beyond, scatter))


def by_level(found: Drift, trusted: Bools) -> tuple[Floats, float]:
    """Return what the cells' places on the curve make of their drifts, and how far they scatter about that [V/h].

    A pack that is drawn from while parked falls along one curve: a cell that stands higher falls faster or slower in
    proportion, as the other cells of the log show.

    Returns
    -------
    trend, scatter
        (cells,) median-slope line through the drifts of the trusted cells over their levels (Theil 1950, Sen 1968, from
        memory), nought at the middle; robust scatter about it, for so few cells. No line through fewer than six.
    """
    none = np.zeros(len(found.slope))
    known = np.flatnonzero(trusted & np.isfinite(found.slope))
    if len(known) < LEAST_CELLS:
        return none, float("inf")
    level, slope = found.level[known], found.slope[known]
    i, j = np.triu_indices(len(known), 1)
    apart = np.abs(level[i] - level[j]) > 0.5 * robust_scale(level, 1e-5)
    line = float(np.median(((slope[i] - slope[j]) / (level[i] - level[j]))[apart])) if apart.any() else 0.0
    above, below = _outside_the_others(found.level, trusted)
    # what the others show holds among them only
    trend = line * (found.level - above + below - float(np.median(level)))
    few = 1.0 + 3.0 / (len(known) - 3.0)
    return trend, few * robust_scale(slope - trend[known], 0.0)


def _outside_the_others(level: Floats, trusted: Bools) -> tuple[Floats, Floats]:
    """Return (cells,) how far a cell stands above all others, and how far below all of them [V]; nought among them."""
    above, below = np.zeros(len(level)), np.zeros(len(level))
    for i in np.flatnonzero(trusted):
        others = np.delete(level, i)[np.delete(trusted, i)]
        above[i], below[i] = max(level[i] - others.max(), 0.0), max(others.min() - level[i], 0.0)
    return above, below


def _bent(found: Drift, away: Floats) -> Floats:
    """Return how far the curve's slope may be another so far away [V]: fraction, one sd.

    Cells that went down the same part of the curve one after the other differ by its two ends only.
    """
    if found.straight:
        return OTHER_SLOPE * np.minimum(np.abs(away) / max(abs(found.common) * found.hours, 1e-9), 1.0)
    return np.asarray(OTHER_SLOPE * np.sqrt(-np.expm1(-((away / KINK_V) ** 2))), float)


def slope_ratio_sd(found: Drift, trusted: Bools) -> Floats:
    """Return (cells,) how far the curve's slope at a cell is from that at the middle one: fraction, one sd."""
    away: Floats = found.level - median(found.level[trusted])
    return np.hypot(ALIKE_SLOPE, _bent(found, away))


def usual_slope(curve: OcvCurve, soc: float) -> tuple[float, float]:
    """Return the slope at `soc` that makes of a drift the middle of all possible leaks, and their half width.

    [V], and as a fraction of the leak: of a flat curve hysteresis hides the place, and any slope near may be the true
    one; nought where the curve tells its own place.
    """
    if not curve.flat:
        return float(curve.slope(np.array([soc]), WINDOW)[0]), 0.0
    near = np.abs(curve.volt - float(curve.voltage(soc))) <= FLAT_WITHIN_V
    slopes = np.maximum(curve.slope(curve.soc[near], WINDOW), 1e-3) if near.any() else np.ones(1)
    most, least = 1.0 / float(slopes.min()), 1.0 / float(slopes.max())
    return 2.0 / (most + least), (most - least) / (most + least)


def slope_passed(found: Drift, level_V: float, curve: OcvCurve, usual: float) -> Floats:
    """Return (cells,) the mean slope of the curve over what each cell passed through while parked [V].

    Parameters
    ----------
    level_V
        Middle voltage over the stretch [V].
    usual
        Slope at that voltage, for cells that moved little: their readings do not tell where on the curve they are.
    """
    if found.straight:
        return np.full(len(found.slope), usual)
    start = level_V - 0.5 * found.common * found.hours + found.level
    moved = np.nan_to_num(found.slope + found.common) * found.hours
    ends = curve.inverse(np.nan_to_num(np.sort([start, start + moved], axis=0), nan=level_V))
    low, high = np.clip(ends[0] - WINDOW, 0.0, 1.0), np.clip(ends[1] + WINDOW, 0.0, 1.0)
    mean = (curve.voltage(high) - curve.voltage(low)) / np.maximum(high - low, 1e-9)
    return np.where((np.abs(moved) > PASSED_V) & ~curve.flat, mean, usual)


def settling(hours: float) -> float:
    """Return the drift that unlike settling of one cell leaves over a span of `hours`, one sd [V/h]."""
    return float(SETTLING_V * np.exp(-hours / SETTLING_H) / max(hours, 1.0))


def _rounded(weight: Floats, volts: Floats, trusted: Bools, step_V: float) -> tuple[Floats, float]:
    """Return what rounding does to a sum over the rows of each cell (cells,), and of the middle one, one sd.

    A reading that stands still for days keeps its rounding.
    """
    if not step_V > 0:
        return np.zeros(volts.shape[1]), 0.0
    own = np.array([weighted_error(weight, cell, step_V) for cell in volts.T])
    return own, middle_error(own[trusted], volts[:, trusted].mean(axis=0), step_V)


def half_width(se: Floats, blocks: int) -> Floats:
    """Return the half width of the 95 % interval."""
    return np.asarray(t_factor(blocks) * se, float)
