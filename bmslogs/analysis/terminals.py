"""What the pack current and the pack voltage say of the measuring chain: lag, resistance outside the taps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.polarisation import charge_drawn, current_rate, low_pass
from bmslogs.analysis.regression import block_fit, equal_blocks, jackknife_se, t_factor
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LAG_SEARCH_S = 2.0
LAG_ROWS = 20_000


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
    if len(steps) < 200 or float(np.sqrt((steps**2).mean())) < 0.5 or (steps > 5 * np.median(steps) + 1.0).sum() < 8:
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
    # straight lines between rows cannot place a step within them better than this
    return lag, float(np.hypot(t_factor(len(without)) * se, 0.1 * interval + 0.02))


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
    scale = cell_sum - cell_sum.mean()
    columns = [np.ones_like(current), -current, current_rate(current, seconds, section)]
    if np.ptp(cell_sum) > 0.05 * abs(cell_sum.mean()):
        columns.append(scale)
    design = np.stack([c for c in columns if c.std() > 0 or c[0] != 0], axis=1)
    fit = block_fit(design, (pack_volts - cell_sum)[:, None], equal_blocks(len(current), 8))
    se = float(jackknife_se(fit.without[:, 1])[0])
    ohm = float(fit.coef[1, 0])
    # skew between the two readings leaves a few per cent (found by simulation)
    return ohm, float(np.hypot(t_factor(fit.blocks) * se, 0.06 * abs(ohm))), float(fit.coef[0, 0])
