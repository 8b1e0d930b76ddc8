"""What the pack current and the pack voltage say of the measuring chain: lag, resistance outside the taps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from bmslogs.analysis.polarisation import charge_drawn, low_pass
from bmslogs.analysis.regression import block_fit, equal_blocks, jackknife_se, t_factor
from bmslogs.analysis.rounding import step_of, weighted_error
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LAG_SEARCH_S = 2.0
LAG_ROWS = 20_000
BIN_S, LEAST_BINS, SLOW_BINS = 8.0, 40, 15
"""Length of the means from which the resistance outside the taps is read, how few of them will do, and over how
many the slow part of the cells' sum is taken (choice)."""
ROUNDING_TURNS, ROUNDING_LEFT = 3, 0.35
"""Turns in which the rounding of the pack voltage is told from the cells, and the share of it that is left (choice)."""
LAG_STEP, LAG_STEPS = 0.05, 12
"""A lag shows in steps of this share of the largest current, and in no fewer than these (choice)."""


def current_lag(
    mean_volts: Floats, current: Floats, seconds: Floats, section: Ints, taus: tuple[float, ...]
) -> tuple[float, float]:
    """Find how much later than the voltages the current is read.

    The current is shifted until the least is left of the mean voltage that a load fit cannot explain.

    Parameters
    ----------
    mean_volts, current, seconds, section
        (rows,) mean cell voltage [V], current [A], time [s], section; no NaN.
    taus
        Time constants of the fit [s].

    Returns
    -------
    lag, half_width
        [s]; positive = the current is read late.

    Raises
    ------
    NotEnoughData
        The current hardly changes, or rows are too far apart.
    """
    interval = float(np.median(np.diff(seconds)))
    if interval > 2.0:
        raise NotEnoughData(f"rows are {interval:.0f} s apart: a lag below that cannot be seen")
    if len(seconds) > LAG_ROWS:  # the busiest part tells
        activity = np.abs(np.diff(current, prepend=current[0]))
        total = np.cumsum(activity)
        window = total[LAG_ROWS:] - total[:-LAG_ROWS]
        first = int(np.argmax(window))
        part = slice(first, first + LAG_ROWS)
        mean_volts, current, seconds, section = (
            mean_volts[part],
            current[part],
            seconds[part],
            section[part] - section[part][0],
        )
    steps = np.abs(np.diff(current))
    big = max(5.0 * float(np.median(steps)) + 1.0, LAG_STEP * float(np.abs(current).max()))
    if len(steps) < 200 or float(np.sqrt((steps**2).mean())) < 0.5 or (steps > big).sum() < LAG_STEPS:
        raise NotEnoughData("the current makes too few steps")
    charge = charge_drawn(current, seconds, section)
    filtered = [low_pass(current, seconds, section, tau) for tau in taus]
    level = [np.ones_like(charge), charge, charge**2]
    edge = int(np.ceil(LAG_SEARCH_S / interval)) + 1
    inside = slice(edge, len(seconds) - edge)
    blocks = equal_blocks(len(seconds) - 2 * edge, 8)

    def cost(lag: float) -> Floats:
        shifted = [np.interp(seconds + lag, seconds, column) for column in (current, *filtered)]
        design = np.column_stack([*shifted, *level])[inside]
        design = design / np.sqrt((design**2).mean(axis=0) + 1e-18)
        y = mean_volts[inside]
        left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
        return np.bincount(blocks, left**2).astype(np.float64)

    coarse = np.arange(-LAG_SEARCH_S, LAG_SEARCH_S + 1e-9, 0.2)
    costs = np.stack([cost(lag) for lag in coarse])
    best = coarse[int(np.argmin(costs.sum(axis=1)))]
    fine = best + np.arange(-0.25, 0.2501, 0.05)
    costs = np.stack([cost(lag) for lag in fine])
    total_cost = costs.sum(axis=1)
    lag = _lowest(fine, total_cost)
    without = np.array([_lowest(fine, total_cost - costs[:, b]) for b in range(costs.shape[1])])
    se = float(jackknife_se(without))
    # what the current did between rows is not known: a seventh of that time is left open (found by simulation)
    return lag, float(np.hypot(t_factor(len(without)) * se, interval / 7.0 + 0.02))


def _lowest(x: Floats, y: Floats) -> float:
    k = int(np.clip(np.argmin(y), 1, len(y) - 2))
    a, b, c = y[k - 1], y[k], y[k + 1]
    bend = a - 2 * b + c
    move = 0.5 * (a - c) / bend if bend > 0 else 0.0
    return float(x[k] + np.clip(move, -1, 1) * (x[1] - x[0]))


def outside_taps(
    pack_volts: Floats, cell_sum: Floats, current: Floats, seconds: Floats, section: Ints
) -> tuple[float, float, float]:
    """Estimate the resistance that no tap sees: contactors, fuse, links outside the taps.

    Parameters
    ----------
    pack_volts, cell_sum, current, seconds, section
        (rows,) pack voltage [V], sum of all cells [V], current [A], time [s], section; no NaN.

    Returns
    -------
    ohm, half_width, shift_V
        Resistance with its half width [ohm], and the shift of the pack reading [V].

    Raises
    ------
    NotEnoughData
        The current hardly varies.
    """
    if len(current) < 120 or float(current.std()) < 1.0:
        raise NotEnoughData("the current hardly varies")
    # Pack, cells and current are read at different moments. Over bins much longer than that it matters only at their
    # edges: there the bins before and after answer too, with terms that cancel in the sum; the resistance does not.
    bins = np.floor((seconds - seconds[0]) / BIN_S).astype(np.int64) + section * int(1e7)
    start = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    size = np.diff(np.append(start, len(bins)))
    gap, total, flow = (np.add.reduceat(v, start) / size for v in (pack_volts - cell_sum, cell_sum, current))
    inside = np.flatnonzero(section[start[2:]] == section[start[:-2]]) + 1
    if len(inside) < LEAST_BINS:
        raise NotEnoughData("the current flowed for too short a time")
    design = np.stack([np.ones(len(inside)), flow[inside - 1], flow[inside], flow[inside + 1]], axis=1)
    # A pack reading of another scale than the cells' shows as the charge goes by; what the current does to the sum
    # within minutes must not stand for it: read at another moment, it would know the current better than the current.
    slow = total[inside] - design @ np.linalg.lstsq(design, total[inside], rcond=None)[0]
    slow = uniform_filter1d(slow, SLOW_BINS)
    if np.ptp(slow) > 0.05 * abs(total.mean()):
        design = np.column_stack([design, slow])
    step, blocks = step_of(pack_volts), equal_blocks(len(inside), 8)
    fit, left = block_fit(design, gap[inside, None], blocks), 1.0
    for _ in range(ROUNDING_TURNS if np.isfinite(step) else 0):
        # where the true pack voltage lay within its step is known from the cells: what rounding added follows that
        likely = cell_sum + fit.coef[0, 0] + fit.coef[1:4].sum() * current
        phase = 2.0 * np.pi * likely[:, None] / step * np.array([1.0, 2.0])
        rounded = np.add.reduceat(np.column_stack([np.sin(phase), np.cos(phase)]), start) / size[:, None]
        try:
            fit = block_fit(np.column_stack([design, rounded[inside]]), gap[inside, None], blocks)
        except NotEnoughData:  # steps too coarse for what the voltage moves: rounding looks like the load
            break
        left = ROUNDING_LEFT
    se = float(jackknife_se(fit.without[:, 1:4].sum(axis=1))[0])
    ohm = -float(fit.coef[1:4].sum())
    weight = np.zeros(len(start))
    weight[inside] = fit.pseudo_inverse[1:4].sum(axis=0)
    coarse = left * weighted_error(np.repeat(weight / size, size), pack_volts, step)
    # a shift may be the scale of the pack reading, which turns a share of the cells' own resistance into more of this
    scale = float(fit.coef[0, 0] / total.mean() * np.polyfit(flow, total, 1)[0])
    half = np.sqrt((t_factor(fit.blocks) * se) ** 2 + (1.96 * coarse) ** 2 + (0.02 * ohm) ** 2 + scale**2)
    return ohm, float(half), float(fit.coef[0, 0])
