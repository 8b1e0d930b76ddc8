"""Figures that measured strings give directly, by small computations that share nothing with the diagnosis.

Each figure carries its own error (95 %), put together from the noise of the readings, the time at which a row
was taken, and the fall of the open-circuit voltage that was taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

STEP_S = 10.0
"""Age of a load at which its step is read [s]."""
ROW_S = 1.5
"""A row may be read this far from the ten seconds [s]."""
GROWTH = 0.02
"""Growth of a cell's step from 9 to 10 s into the load, as a fraction; what a row's age can be off by."""
SAME_LOAD = 0.03
"""Steps count as one load where they differ by less than this fraction."""


@dataclass(frozen=True)
class Figure:
    """A figure of one cell that the data give without a model.

    Parameters
    ----------
    quantity : str
        As the estimates call it.
    cell : int or None
        Counted from 1; None for the string.
    value, error : float
        In the quantity's own unit; `error` is a 95 % half-width.
    soc : tuple of float or None
        Charge (fraction, full = 1) between which it was read; None where it is of the whole log.
    """

    quantity: str
    cell: int | None
    value: float
    error: float
    soc: tuple[float, float] | None = None


@dataclass(frozen=True)
class Step:
    """A load step out of a rest: its row, its size and the fall of every cell 10 s in."""

    row: int
    ampere: float
    ohm: Array = field(repr=False)
    error: Array = field(repr=False)
    noise: float = 0.0
    growth: float = GROWTH


def discharged(seconds: Array, current: Array) -> Array:
    """Return the charge taken out since the first row [Ah], discharge positive."""
    mean = (current[1:] + current[:-1]) / 2
    return np.concatenate([[0.0], np.cumsum(mean * np.diff(seconds)) / 3600])


def steps(
    seconds: Array,
    current: Array,
    volts: Array,
    slope: Array | float,
    least: float,
    *,
    began: float = 0.5,
    growth: float = GROWTH,
    reading_V: float = 1.5e-4,
) -> list[Step]:
    """Return the steps of `least` [A] or more out of a rest that hold for ten seconds.

    Parameters
    ----------
    slope : ndarray or float
        Slope of the open-circuit voltage against the charge taken out [V/Ah], negative, one a row or one for all.
        Half of what it takes out counts as error.
    began : float
        How long before its first row a load began [s].
    growth : float
        Growth of the step over the time by which the row's age may be off, as a fraction.
    reading_V : float
        Error (1 sd) of one voltage reading [V].
    """
    slopes = np.broadcast_to(np.asarray(slope, float), seconds.shape)
    quiet = np.abs(current) < 0.1 * least
    found = []
    for row in np.flatnonzero(quiet[:-1] & (np.abs(current[1:]) >= least)):
        before = np.flatnonzero((seconds > seconds[row] - 16) & (np.arange(len(seconds)) <= row))
        age = seconds - seconds[row + 1] + began
        late = int(np.argmin(np.abs(age - STEP_S)))
        load = current[row + 1 : late + 1]
        if not quiet[before].all() or late <= row or abs(age[late] - STEP_S) > ROW_S or not load.size:
            continue
        if np.ptp(load) > SAME_LOAD * np.abs(load).max():
            continue
        ampere = float(current[late] - current[before].mean())
        taken = float(slopes[row]) * ampere * STEP_S / 3600
        ohm = (np.median(volts[before], axis=0) - volts[late] + taken) / ampere
        noise = 2 * reading_V * np.sqrt(1 + 1 / len(before)) / abs(ampere)
        error = np.sqrt((growth * ohm) ** 2 + (0.5 * taken / ampere) ** 2 + noise**2)
        found.append(Step(int(row), ampere, ohm, error, noise, growth))
    return found


def releases(
    seconds: Array, current: Array, volts: Array, least: float, reading_V: float = 1.5e-4
) -> list[Step]:
    """Return the ends of loads of `least` [A] or more that held for five minutes and went over into rest.

    What a cell gains in ten seconds of rest is its resistance at 10 s: the open-circuit voltage stands still. The load
    would have gone on sinking the voltage a little, by its own slow polarisation; that counts as error.
    """
    found = []
    quiet = np.abs(current) < 0.1 * least
    for row in np.flatnonzero((np.abs(current[:-1]) >= least) & quiet[1:]):
        held = np.flatnonzero((seconds >= seconds[row] - 300) & (seconds <= seconds[row]))
        late = int(np.argmin(np.abs(seconds - seconds[row] - 0.5 - STEP_S)))
        if seconds[row] - seconds[held[0]] < 290 or np.ptp(current[held]) > SAME_LOAD * abs(current[row]):
            continue
        if not quiet[row + 1 : late + 1].all() or abs(seconds[late] - seconds[row] - 0.5 - STEP_S) > ROW_S:
            continue
        ampere = float(current[held[-30:]].mean())
        ohm = (volts[late] - np.median(volts[held[-3:]], axis=0)) / ampere
        noise = 2 * reading_V * np.sqrt(1 + 1 / 3) / abs(ampere)
        found.append(Step(int(row), ampere, ohm, np.hypot(1.5 * GROWTH * ohm, noise), noise))
    return found


def resistances(found: Sequence[Step], soc: Array) -> list[Figure]:
    """Return resistance at 10 s [ohm] of every step and its ratio to the string's median, one figure a step.

    The age of the row is off for all cells alike, so that the ratio knows it less than the ohms do.
    """
    out = []
    for s in found:
        place = (float(soc[s.row]), float(soc[s.row]))
        middle = float(np.median(s.ohm))
        for i, (ohm, error) in enumerate(zip(s.ohm, s.error, strict=True), start=1):
            out.append(Figure("resistance_10s", i, float(ohm), float(error), place))
            ratio = float(ohm) / middle
            out.append(Figure("resistance_10s_relative", i, ratio, _ratio_error(ratio, s, middle), place))
    return out


def _ratio_error(ratio: float, s: Step, middle: float) -> float:
    """Return the error of a ratio: noise, rows that were not quite of one age, currents that were not quite one."""
    return float(np.hypot(s.noise / middle, s.growth / 2 * ratio) + 0.1 * abs(ratio - 1))


def ends(
    seconds: Array, current: Array, reached: Sequence[float], full: float, error: float, apart: float = 0.004
) -> list[Figure]:
    """Return capacity [Ah] and relative capacity of cells that went from full to empty, or back, in one sweep.

    Parameters
    ----------
    reached : sequence of float
        When each cell's own record came to the cut-off voltage [s], also after the string's end.
    full : float
        Current of the sweep after the string's end [A].
    error : float
        How far a sweep at this rate ends from the open-circuit empty, as a fraction (95 %).
    apart : float
        How far the cells differ in that.
    """
    charge = np.abs(discharged(seconds, current))
    beyond = [charge[-1] + abs(full) * max(0.0, end - seconds[-1]) / 3600 for end in reached]
    own = np.array(
        [
            np.interp(end, seconds, charge) if end <= seconds[-1] else b
            for end, b in zip(reached, beyond, strict=True)
        ]
    )
    middle = float(np.median(own))
    out = []
    for i, ah in enumerate(own, start=1):
        out.append(Figure("capacity", i, float(ah), error * float(ah)))
        out.append(Figure("capacity_relative", i, float(ah) / middle, apart))
    return out


def known(quantity: str, values: Array, error: float) -> list[Figure]:
    """Return one figure a cell of what another part of the same record gave."""
    return [Figure(quantity, i, float(v), error) for i, v in enumerate(values, start=1)]


def offsets_by_slope(rest: Array, slope: float, capacity: float) -> list[Figure]:
    """Return how much fuller each cell was at a rest near full, by its voltage and the slope of the discharge there.

    The slope is known to 30 %, the rests are alike to 4 mV.

    Parameters
    ----------
    rest : ndarray
        At rest before the load [V], one a cell.
    slope : float
        Of the voltage against the charge taken out [V/Ah], negative.
    """
    unit = abs(slope) * capacity
    fuller = (rest - np.median(rest)) / unit
    return [
        Figure("soc_offset", i, float(f), float(np.hypot(0.3 * f, 0.004 / unit)))
        for i, f in enumerate(fuller, start=1)
    ]


def offsets_at_rest(
    course: Array, charge: Array, rest: Array, slow_rest: Array, capacity: float
) -> list[Figure]:
    """Return how much fuller each cell was at a first rest near full, by the course of its like cells under slow load.

    The median cell's voltage under the slow load, lifted to its own rest before it, is taken for the open-circuit
    curve; the charge at which it comes to another cell's rest voltage is what that cell lacks.

    Parameters
    ----------
    course, charge : ndarray
        Under the slow load: voltages, rows x cells [V], and the charge taken out since it began [Ah].
    rest, slow_rest : ndarray
        At rest before the log and before the slow load [V], one a cell.
    capacity : float
        That turns Ah into fractions.
    """
    lacks = _lacking(course, charge, rest, slow_rest) / capacity
    return known("soc_offset", float(np.median(lacks)) - lacks, 0.012)


def _lacking(course: Array, charge: Array, rest: Array, slow_rest: Array) -> Array:
    middle = int(np.argsort(slow_rest)[len(slow_rest) // 2])
    # the first minute is the fall of the load itself
    begin = int(np.argmax(charge > charge[-1] * 0.01))
    slope, at = np.polyfit(charge[begin : 4 * begin], course[begin : 4 * begin, middle], 1)
    lifted = course[:, middle] + slow_rest[middle] - at
    lifted[:begin] = slow_rest[middle] + slope * charge[:begin]
    return np.array(
        [np.interp(-u, -lifted, charge) if u < lifted[0] else (u - lifted[0]) / slope for u in rest]
    )


def capacities_by_shift(course: Array, charge: Array, rest: Array, capacity: float) -> list[Figure]:
    """Return relative capacities by how far the cells' courses lie apart at the top and at the bottom of one slow load.

    A cell that lacks as much at the bottom as at the top is as large as the others. At the bottom: the charge between
    a cell's own pass of the median cell's last voltage and the end.
    """
    top = _lacking(course, charge, rest, rest)
    last = float(np.median(course[-1]))
    own = [np.interp(-last, -np.minimum.accumulate(course[:, i]), charge) for i in range(course.shape[1])]
    steep = np.gradient(np.median(course, axis=1), charge)[-200:].mean()
    bottom = np.array(
        [
            charge[-1] - q if q < charge[-1] - 1e-6 else (course[-1, i] - last) / steep
            for i, q in enumerate(own)
        ]
    )
    apart = (bottom - np.median(bottom)) - (top - np.median(top))
    return known("capacity_relative", 1 - apart / capacity, 0.015)
