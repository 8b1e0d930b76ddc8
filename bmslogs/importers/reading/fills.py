"""Values that stand for no reading, judged by their neighbours in time and place, never by the value alone.

Two kinds of values, two rules:

* what a sound channel may read too (4095 mV, 25.5 degC, 99.99 A): a fill only where it leaves its neighbours in time
  on both sides in the same direction, by more than `STANDS_OUT` times the largest step that the channel takes
  elsewhere in the block, and by a least amount besides; nowhere where the channel also truly reads so. A reading that
  passes through such a value, or stays at it, is a reading. A true reading falls to the rule where it is such a value
  by chance (one of some thousand steps) in the one row of the block that leaves all others so far and comes back:
  fewer than one in a hundred million.
* what no sound channel reads (0 and -1 mV, 65.535 V, -40 degC among warm readings): a fill unless it is approached, or
  a neighbour of the string reads what it lacks, as with swapped, clipped and open taps. No true reading of a sound
  cell.

``python -m tests.importers.nulls`` counts both on fault-free rows; ten million (seed 7) lost 0 of 214 million readings.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
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
LEAST_SOUND_MV, MOST_SOUND_MV = 1000.0, 4700.0
"""Choice: the voltages of sound cells, with margin."""
LEAST_MV, MOST_MV = -500.0, 5200.0
"""Choice: no cell reads beyond, reversed or overcharged; a swapped or open tap does, and its neighbour tells."""
FULL_SCALE_MV = 4600.0
"""Choice: a neighbour at or above this has gained all that its converter shows."""
IMPOSSIBLE_MV = 10_000.0
"""Twice the highest cell with margin: a swapped tap reads at most that."""
JUMP_MV = 25.0
"""Choice: a fill that looks like a voltage (4095 mV) must be this far from the readings before and after."""
STANDS_OUT = 3.0
"""Choice: and this many times the largest step of the channel elsewhere in the block."""
UNKNOWN_MV, UNKNOWN_K = 250.0, 30.0
"""Choice: and this far where the block has no other reading of the channel, only the blocks before."""
LEAST_CELLS = 4
"""Choice: with fewer cells their median is no measure of the others."""
ABSURD, ABSURD_ALONE = 20_000.0, 3_000.0
"""Choice [A or V]: no battery of a vehicle gives more: no reading; nor is what says less and nothing else."""
LEAST_FLAG_A, LEAST_FLAG_V = 50.0, 20.0
"""Choice: a flag of a current or a pack voltage leaves its neighbours in time by this much."""
BEYOND = 1.5
"""Choice: a fill of the current or the pack voltage is this many times larger than all other readings of the block."""
JUMP_K = 8.0
"""Choice: no sensor in a pack jumps so far from row to row and back."""
HOTTEST_C, COLDEST_C = 300.0, -70.0
"""Choice [degC]: what a sensor says beyond is no reading; no vehicle is colder, a burning cell may be as hot."""
NEVER_C = (-40.0, 215.0, 127.0, 255.0, -127.0, -128.0, -273.15)
"""Ends of sensors' scales [degC] that no pack is at while other readings are far."""
RAW_TEMPERATURES = (
    *(-40.0, 215.0, 127.0, 255.0, -1.0, 65535.0, 32767.0, -32768.0, 0.0, 85.0, 4095.0, -127.0, -128.0),
    *(999.0, -999.0, 9999.0),
)
TEMPERATURES_C = (-40.0, 215.0, 127.0, -127.0, -273.15, 6553.5, 3276.7, -55.0, 150.0)
RAW_SCALARS = (65535.0, 65534.0, 32767.0, -32768.0, 9999.0, -9999.0, 99999.0)


def extremes(values: Floats) -> tuple[float, float]:
    """Return the least and the largest value but NaN; where there is none, plain reductions are far faster."""
    if not values.size:
        return np.inf, -np.inf
    low, high = float(values.min()), float(values.max())
    if np.isnan(low):
        with np.errstate(invalid="ignore"):
            low, high = float(np.nanmin(values, initial=np.inf)), float(np.nanmax(values, initial=-np.inf))
    return low, high


def cell_fills(
    cells: Floats, scale_mv: float, before: Floats | None, ends: tuple[float, float] | None = None
) -> tuple[Bools, Bools]:
    """Return which cell readings are fills, and which are impossible though no fill.

    Parameters
    ----------
    cells
        (cells, rows) [mV].
    scale_mv
        mV of one unit of the logger.
    before
        (cells,) last good readings of the rows before, NaN where none.
    ends
        Least and largest reading, where known.

    Notes
    -----
    An exact 0 whose neighbour reads two cells at once is an open sense wire, a fault to be kept.
    """
    fill, impossible = np.zeros(cells.shape, dtype=bool), np.zeros(cells.shape, dtype=bool)
    low, high = extremes(cells) if ends is None else ends
    fills = sorted({f * s for f in RAW_FILLS for s in (scale_mv, 1.0, 0.1)})
    able = [f for f in fills if low - 0.01 <= f <= high + 0.01]
    if not able and high <= MOST_MV and low >= LEAST_MV:
        return fill, impossible
    exact = np.zeros(cells.shape, dtype=bool)
    for f in able:
        exact |= np.abs(cells - np.float32(f)) < 0.02
    beyond = np.zeros(cells.shape, dtype=bool)
    if high > MOST_MV or low < LEAST_MV:
        with np.errstate(invalid="ignore"):
            beyond = (cells > MOST_MV) | (cells < LEAST_MV)
    odd = exact | beyond
    if not odd.any():
        return fill, impossible
    clean = np.where(odd, np.nan, cells)
    middle = _row_median(clean)
    for k in np.flatnonzero(odd.any(axis=1)).tolist():
        rows = np.flatnonzero(odd[k])
        values = cells[k, rows]
        last = None if before is None else float(before[k])
        sound = (values > LEAST_SOUND_MV) & (values < MOST_SOUND_MV)
        absurd = np.abs(values) > IMPOSSIBLE_MV
        taken = _taken_by_neighbour(cells, middle, k, rows)
        lone = _leaves(clean, middle, k, rows, values, last)
        lone &= bool(
            lone[sound & exact[k, rows]].all()
        )  # a channel that is also truly there is never told apart
        away = _approached_by_none(clean[k], middle, rows, values, last)
        fill[k, rows] = (exact[k, rows] & np.where(sound, lone, away & ~taken)) | absurd
        impossible[k, rows] = beyond[k, rows] & ~fill[k, rows] & ~taken
    return fill, impossible


def _leaves(clean: Floats, middle: Floats, k: int, rows: Ints, values: Floats, before: float | None) -> Bools:
    """Whether readings that a sound cell may have too leave their neighbours in time and come back."""
    raw = _stands_out(clean[k], rows, values, before, JUMP_MV, UNKNOWN_MV)
    if len(clean) < LEAST_CELLS:
        return raw
    # against the others: under a load step a good reading moves with its neighbours
    last = before - float(middle[0]) if before is not None else None
    apart = _stands_out(clean[k] - middle, rows, values - middle[rows], last, JUMP_MV, UNKNOWN_MV)
    prior, later = _around(clean[k], rows, before)
    far = ~(np.fmin(np.abs(values - prior), np.abs(values - later)) <= JUMP_MV)
    return np.asarray(apart & far, dtype=bool)


def _stands_out(
    clean: Floats, rows: Ints, values: Floats, before: float | None, least: float, unknown: float
) -> Bools:
    """Whether values leave the last and the next good reading in one direction, by far more than the series moves."""
    prior, later = _around(clean, rows, before)
    up, down = np.fmin(values - prior, values - later), np.fmin(prior - values, later - values)
    jump = np.fmax(up, down)
    good = clean[np.isfinite(clean)]
    moves = float(np.max(np.abs(np.diff(good)), initial=0.0)) if len(good) > 2 else unknown / STANDS_OUT
    with np.errstate(invalid="ignore"):
        return np.asarray(jump > max(least, STANDS_OUT * moves), dtype=bool)


def _approached_by_none(
    clean: Floats, middle: Floats, rows: Ints, values: Floats, before: float | None
) -> Bools:
    """Whether no reading before or behind is near: a cell that is truly empty comes there step by step."""
    prior, later = _around(clean, rows, before)
    jump = np.fmin(np.abs(values - prior), np.abs(values - later))
    jump = np.where(np.isnan(jump), np.abs(values - middle[rows]), jump)
    return np.asarray(jump > JUMP_MV, dtype=bool)


def _row_median(clean: Floats) -> Floats:
    with np.errstate(all="ignore"):
        out = np.full(clean.shape[1], np.nan, dtype=np.float32)
        some = np.isfinite(clean).any(axis=0)
        if some.any():
            out[some] = np.nanmedian(clean[:, some], axis=0)
    if np.isfinite(out).any():
        out = np.where(np.isfinite(out), out, np.nanmedian(out))
    return np.asarray(out, dtype=np.float32)


def _taken_by_neighbour(cells: Floats, middle: Floats, k: int, rows: Ints) -> Bools:
    """Whether a neighbour reads about what this cell lacks: its own and another's voltage, or all that it can show."""
    lost = middle[rows] - cells[k, rows]
    out = np.zeros(len(rows), dtype=bool)
    for other in (k - 1, k + 1):
        if 0 <= other < len(cells):
            there = cells[other, rows]
            extra = np.nan_to_num(there - middle[rows])
            with np.errstate(invalid="ignore"):
                full = (lost > 0) & (there >= FULL_SCALE_MV) & (extra > 0)
                out |= (
                    ((np.abs(extra) > 0.3 * np.abs(lost)) | full)
                    & (np.sign(extra) == np.sign(lost))
                    & (np.abs(there) < IMPOSSIBLE_MV)
                )
    return out


def _around(clean: Floats, rows: Ints, before: float | None) -> tuple[Floats, Floats]:
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
    fills = {f * raw_scale + raw_offset for f in RAW_TEMPERATURES} | set(TEMPERATURES_C)
    mask = np.zeros(values.shape, dtype=bool)
    exact = np.zeros(values.shape, dtype=bool)
    low, high = extremes(values)
    for f in fills:
        if low - 0.01 <= f <= high + 0.01:
            exact |= np.abs(values - np.float32(f)) < 0.006
    with np.errstate(invalid="ignore"):
        beyond = (values > HOTTEST_C) | (values < COLDEST_C)
    exact |= beyond
    for k in np.flatnonzero(exact.any(axis=1)):
        rows = np.flatnonzero(exact[k])
        there = values[k, rows]
        clean = np.where(exact[k], np.nan, values[k]).astype(np.float32)
        last = None if before is None else float(before[k])
        prior, later = _around(clean, rows, last)
        jump = np.fmin(np.abs(there - prior), np.abs(there - later))
        never = np.isin(np.round(there, 2), np.round(NEVER_C, 2))
        alone = np.isnan(jump)
        lone = _stands_out(clean, rows, there, last, JUMP_K, UNKNOWN_K)
        mask[k, rows] = np.where(alone, never & always[k], np.where(never, jump > JUMP_K, lone))
        mask[k, rows] |= beyond[k, rows]
    return mask


def scalar_fills(values: Floats, scale: float, before: float, least: float) -> Bools:
    """Return which readings of a current or a pack voltage are fills: full-scale values that jump by `least`.

    They must be `BEYOND` times larger than every other reading of the block, too: a hard load jumps as well.
    """
    fills = {f * s for f in RAW_SCALARS for s in (scale, 1.0, 0.1, 0.01)}
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
    largest = float(np.nanmax(np.abs(clean), initial=0.0 if np.isnan(before) else abs(before)))
    there = np.abs(values[rows])
    mask = np.zeros(values.shape, dtype=bool)
    mask[rows] = np.where(np.isnan(jump), there >= ABSURD_ALONE, (jump > least) & (there > BEYOND * largest))
    return mask | absurd
