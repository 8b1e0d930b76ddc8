"""Values that stand for no reading, judged by their neighbours in time and place, never by the value alone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
RAW_FILLS = (
    0.0,
    -1.0,
    65535.0,
    65534.0,
    32767.0,
    32766.0,
    -32768.0,
    4095.0,
    8191.0,
    255.0,
    9999.0,
    99999.0,
    -9999.0,
    -999.0,
)
"""Numbers that loggers write for nothing, in their own unit or without the decimal mark."""
IMPOSSIBLE_MV = 10_000.0
"""Twice the highest cell with margin: a swapped tap reads at most that."""
JUMP_MV = 25.0
"""Choice: a fill that looks like a voltage (4095 mV) must be this far from the readings before and after."""
ABSURD = 20_000.0
"""Choice [A or V]: no battery of a vehicle gives more; what says so is no reading."""
JUMP_K = 8.0
"""Choice: no sensor in a pack jumps so far from row to row and back."""


def extremes(values: Floats) -> tuple[float, float]:
    """Return the least and the largest value but NaN; where there is none, plain reductions are far faster."""
    if not values.size:
        return np.inf, -np.inf
    low, high = float(values.min()), float(values.max())
    if np.isnan(low):
        with np.errstate(invalid="ignore"):
            low, high = float(np.nanmin(values, initial=np.inf)), float(np.nanmax(values, initial=-np.inf))
    return low, high


def cell_fills(cells: Floats, scale_mv: float, before: Floats | None) -> Bools:
    """Return which cell readings are fills.

    Parameters
    ----------
    cells
        (cells, rows) [mV].
    scale_mv
        mV of one unit of the logger.
    before
        (cells,) last good readings of the rows before, NaN where none.

    Notes
    -----
    An exact 0 whose neighbour reads two cells at once is an open sense wire, a fault to be kept.
    """
    mask = np.zeros(cells.shape, dtype=bool)
    low, high = extremes(cells)
    fills = sorted({f * s for f in RAW_FILLS for s in (scale_mv, 1.0, 0.1)})
    able = [f for f in fills if low - 0.01 <= f <= high + 0.01]
    if not able and high < IMPOSSIBLE_MV and low > -IMPOSSIBLE_MV:
        return mask
    exact = np.zeros(cells.shape, dtype=bool)
    for f in able:
        exact |= np.abs(cells - np.float32(f)) < 0.02
    exact |= np.abs(cells) > IMPOSSIBLE_MV
    if not exact.any():
        return mask
    # plausible as a voltage of its own: needs a jump; impossible: fill at once, unless a neighbour has what it lost
    clean = np.where(exact, np.nan, cells)
    middle = _row_median(clean)
    for k in np.flatnonzero(exact.any(axis=1)).tolist():
        rows = np.flatnonzero(exact[k])
        values = cells[k, rows]
        prior, later = _around(clean[k], rows, None if before is None else float(before[k]))
        jump = np.fmin(np.abs(values - prior), np.abs(values - later))
        # against the others as well: under a load step a good reading jumps with its neighbours
        beside, behind = _around(clean[k] - middle, rows, None)
        apart = np.fmin(np.abs(values - middle[rows] - beside), np.abs(values - middle[rows] - behind))
        jump = np.fmin(jump, apart)
        jump = np.where(np.isnan(jump), np.abs(values - middle[rows]), jump)
        lone = jump > JUMP_MV
        mask[k, rows] = (lone & ~_taken_by_neighbour(cells, middle, k, rows)) | (
            np.abs(values) > IMPOSSIBLE_MV
        )
    return mask


def _row_median(clean: Floats) -> Floats:
    with np.errstate(all="ignore"):
        out = np.full(clean.shape[1], np.nan, dtype=np.float32)
        some = np.isfinite(clean).any(axis=0)
        if some.any():
            out[some] = np.nanmedian(clean[:, some], axis=0)
    if np.isfinite(out).any():
        out = np.where(np.isfinite(out), out, np.nanmedian(out))
    return np.asarray(out, dtype=np.float32)


def _taken_by_neighbour(cells: Floats, middle: Floats, k: int, rows: npt.NDArray[np.int64]) -> Bools:
    """Whether a neighbour reads about what this cell lacks: its own and another's voltage."""
    lost = middle[rows] - cells[k, rows]
    out = np.zeros(len(rows), dtype=bool)
    gained = np.zeros(len(rows), dtype=np.float32)
    for other in (k - 1, k + 1):
        if 0 <= other < len(cells):
            extra = np.nan_to_num(cells[other, rows] - middle[rows])
            gained = gained + extra
            out |= (
                (np.abs(extra) > 0.3 * np.abs(lost))
                & (np.sign(extra) == np.sign(lost))
                & (np.abs(cells[other, rows]) < IMPOSSIBLE_MV)
            )
    return out


def _around(clean: Floats, rows: npt.NDArray[np.int64], before: float | None) -> tuple[Floats, Floats]:
    """Return the last good reading before and the first after each row, NaN where there is none."""
    good = np.flatnonzero(np.isfinite(clean))
    prior = np.full(len(rows), np.nan if before is None else before, dtype=np.float32)
    later = np.full(len(rows), np.nan, dtype=np.float32)
    if len(good):
        at = np.searchsorted(good, rows)
        has = at > 0
        prior[has] = clean[good[at[has] - 1]]
        has = at < len(good)
        later[has] = clean[good[at[has]]]
    return prior, later


def temperature_fills(
    values: Floats, raw_scale: float, raw_offset: float, before: Floats | None, always: Bools
) -> Bools:
    """Return which temperature readings are fills.

    Parameters
    ----------
    values
        (sensors, rows) [degC].
    raw_scale, raw_offset
        From the logger's unit to degC.
    before
        (sensors,) last good readings, NaN where none.
    always
        (sensors,) whether the sensor has read nothing but fills so far, over the whole sample too.
    """
    raw = (
        -40.0,
        215.0,
        127.0,
        255.0,
        -1.0,
        65535.0,
        32767.0,
        -32768.0,
        0.0,
        85.0,
        4095.0,
        -127.0,
        -128.0,
        999.0,
        -999.0,
        9999.0,
    )
    never = (-40.0, 215.0, 127.0, 255.0, -127.0, -128.0, -273.15)
    fills = {f * raw_scale + raw_offset for f in raw} | {
        -40.0,
        215.0,
        127.0,
        -127.0,
        -273.15,
        6553.5,
        3276.7,
        -55.0,
        150.0,
    }
    mask = np.zeros(values.shape, dtype=bool)
    exact = np.zeros(values.shape, dtype=bool)
    low, high = extremes(values)
    for f in fills:
        if low - 0.01 <= f <= high + 0.01:
            exact |= np.abs(values - np.float32(f)) < 0.006
    with np.errstate(invalid="ignore"):
        exact |= (values > 300) | (values < -100)
    for k in np.flatnonzero(exact.any(axis=1)):
        rows = np.flatnonzero(exact[k])
        clean = np.where(exact[k], np.nan, values[k]).astype(np.float32)
        prior, later = _around(clean, rows, None if before is None else float(before[k]))
        jump = np.fmin(np.abs(values[k, rows] - prior), np.abs(values[k, rows] - later))
        absurd = (
            np.isin(np.round(values[k, rows], 2), np.round(never, 2))
            | (values[k, rows] > 300)
            | (values[k, rows] < -100)
        )
        alone = np.isnan(jump)
        mask[k, rows] = (
            np.where(alone, absurd & always[k], jump > JUMP_K)
            | (values[k, rows] > 300)
            | (values[k, rows] < -100)
        )
    return mask


def scalar_fills(values: Floats, scale: float, before: float, least: float) -> Bools:
    """Return which readings of a current or a pack voltage are fills: full-scale values that jump by `least`."""
    fills = {
        f * s
        for f in (65535.0, 65534.0, 32767.0, -32768.0, 9999.0, -9999.0, 99999.0)
        for s in (scale, 1.0, 0.1, 0.01)
    }
    exact = np.zeros(values.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        if (
            not len(values)
            or float(np.nanmax(np.abs(values), initial=0.0)) < min(abs(f) for f in fills) - 0.1
        ):
            return exact
    with np.errstate(invalid="ignore"):
        absurd = np.abs(values) > ABSURD
    for f in fills:
        exact |= np.abs(values - np.float32(f)) < 1e-3 * max(abs(scale), 0.01) + 1e-6 * abs(f)
    rows = np.flatnonzero(exact)
    if not len(rows):
        return absurd
    clean = np.where(exact | absurd, np.nan, values).astype(np.float32)
    prior, later = _around(clean, rows, before)
    jump = np.fmin(np.abs(values[rows] - prior), np.abs(values[rows] - later))
    mask = np.zeros(values.shape, dtype=bool)
    mask[rows] = ~(jump < least)
    return mask | absurd
