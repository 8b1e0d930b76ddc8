"""What the temperature of each cell can be, by the sensors that stand near it or far from it.

A sensor speaks for the cells that it is said to sit nearest to and for their module. Where it is said to speak for
several modules at once, or no sensor is said to be near, the cell's temperature is a guess between the sensors: such a
cell may be many kelvin colder than any of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.reference import ACTIVATION_EV, ACTIVATION_SD_EV, BOLTZMANN_EV, KELVIN, arrhenius_factor
from bmslogs.analysis.statistics import robust_scale
from bmslogs.base.pack import Pack

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SENSOR_K, PLACE_K = 0.75, 0.4
"""Error of one sensor against the next, and of a cell against its own sensor (one sd; judgement: common practice, no
source)."""
NEAR_CELLS = 8
"""A sensor said to be nearest to more cells than this, in several modules, is near to none for sure (choice)."""
PLAUSIBLE_K, PLAUSIBLE_EV = 15.0, 0.50
"""Colder by more than this no part of a pack is likely to be, nor its resistance steeper in temperature (judgement)."""


@dataclass(frozen=True)
class CellWarmth:
    """Temperatures of the cells over some rows.

    Attributes
    ----------
    column
        (cells,) sensor (0-based) that is nearest; -1 where there is none.
    reading
        (cells,) [degC] of the nearest believed sensor; NaN where there is none.
    level, sd
        (cells,) what the cell's own temperature is taken to be, and its standard deviation [degC].
    near
        (cells,) True where a believed sensor of its own module or of its own few cells stands near.
    """

    column: Ints
    reading: Floats
    level: Floats
    sd: Floats
    near: Bools

    @property
    def middle(self) -> float:
        """Middle of the cells' temperatures [degC]; NaN where none is known."""
        known = self.level[np.isfinite(self.level)]
        return float(np.median(known)) if len(known) else float("nan")


def near_sensor(pack: Pack, cells: tuple[int, ...], sensors: Bools) -> tuple[Ints, Bools]:
    """Return (cells,) the nearest believed sensor (0-based, -1: none) and whether it is near."""
    described = [
        (j, s.cells)
        for j, s in enumerate(pack.temperature_sensors)
        if j < len(sensors) and sensors[j] and s.cells
    ]
    column, near = np.full(len(cells), -1, np.int64), np.zeros(len(cells), bool)
    if not described:
        return column, near
    modules = {c: pack.module_of(c) for c in range(1, pack.cells_in_series + 1)}
    homes = [{modules[c] for c in listed if c in modules} for _, listed in described]
    precise = [
        len(h - {None}) == 1 or len(listed) <= NEAR_CELLS
        for (_, listed), h in zip(described, homes, strict=True)
    ]
    for i, cell in enumerate(cells):
        away = [0 if cell in listed else 1 + min(abs(cell - c) for c in listed) for _, listed in described]
        same = [
            p and modules.get(cell) is not None and modules.get(cell) in h and len(h) == 1
            for p, h in zip(precise, homes, strict=True)
        ]
        best = min(range(len(away)), key=lambda k: (away[k] > 0 and not same[k], away[k], k))
        column[i] = described[best][0]
        near[i] = precise[best] and (away[best] == 0 or same[best])
    return column, near


def cell_warmth(
    pack: Pack, cells: tuple[int, ...], level: Floats, believed: Bools, doubt_K: Floats
) -> CellWarmth:
    """Return what the temperature of each cell can be.

    Parameters
    ----------
    level
        (sensors,) mean reading over the rows [degC].
    believed
        (sensors,) True where a sensor is not known to be off.
    doubt_K
        (sensors,) by how much a sensor may be off beyond the usual error [K].
    """
    good = believed & np.isfinite(level)
    column, near = near_sensor(pack, cells, good)
    n = len(cells)
    reading = np.where(column >= 0, np.append(level, np.nan)[column], np.nan)
    if not good.any():
        return CellWarmth(column, reading, np.full(n, np.nan), np.full(n, PLAUSIBLE_K / 2), near)
    if not (column >= 0).any():
        reading = np.full(n, float(np.median(level[good])))
    guess = _between(pack, cells, level, good, reading)
    own = np.where(near, reading, guess)
    spread = robust_scale(level[good], PLACE_K)
    middle = float(np.median(own))
    # how far places differ at all, against how far one sensor may be off: the part of a difference that is believed
    real = np.maximum(np.abs(own - middle), spread)
    error = np.hypot(SENSOR_K, np.where(column >= 0, np.append(doubt_K, 0.0)[column], 0.0))
    share = real**2 / (real**2 + error**2)
    level_of = middle + share * (own - middle)
    sd = np.hypot(np.sqrt(share) * error, PLACE_K)
    ends = float(np.ptp(level[good])) if good.sum() > 1 else PLAUSIBLE_K / 3
    return CellWarmth(
        column, reading, level_of, np.where(near, sd, np.hypot(sd, np.clip(ends / 2, 2.0, 5.0))), near
    )


def _between(pack: Pack, cells: tuple[int, ...], level: Floats, good: Bools, otherwise: Floats) -> Floats:
    """Return (cells,) temperatures drawn straight between the places of the sensors [degC]."""
    sites = [
        (float(np.mean(s.cells)), level[j])
        for j, s in enumerate(pack.temperature_sensors)
        if j < len(level) and good[j] and s.cells
    ]
    if not sites:
        return otherwise
    sites.sort()
    return np.asarray(np.interp(np.array(cells, float), [p for p, _ in sites], [t for _, t in sites]), float)


def per_kelvin(temperature_C: float, activation_eV: float = ACTIVATION_EV) -> float:
    """Return by what fraction the resistance falls for each kelvin at a temperature [degC]."""
    return activation_eV / BOLTZMANN_EV / (temperature_C + KELVIN) ** 2


def expected_factor(ratio: Floats, w: CellWarmth, group: Ints, trusted: Bools) -> tuple[Floats, Floats]:
    """Return the resistance over the middle one's that each cell's temperature explains, and its standard deviation.

    The activation energy is the usual one unless the log's own places, a cell's own module left out, say otherwise:
    ln R over 1/T with that prior.

    Parameters
    ----------
    ratio
        (cells,) resistance over the pack's middle.
    group
        (cells,) number of the module of each cell.
    """
    middle = w.middle
    if not np.isfinite(middle):
        return np.ones(len(ratio)), np.full(len(ratio), 0.005)
    level = np.where(np.isfinite(w.level), w.level, middle)
    lever = (1.0 / (level + KELVIN) - 1.0 / (middle + KELVIN)) / BOLTZMANN_EV
    use = trusted & w.near & (ratio > 0)
    names = np.unique(group[use])
    x = np.array([np.median(lever[use & (group == g)]) for g in names])
    y = np.array([np.median(np.log(ratio[use & (group == g)])) for g in names])
    error = np.array([np.median(w.sd[use & (group == g)]) for g in names]) * per_kelvin(middle)
    ea, ea_sd = np.full(len(ratio), ACTIVATION_EV), np.full(len(ratio), ACTIVATION_SD_EV)
    for g in np.unique(group):
        others = names != g
        if others.sum() >= 3:
            ea[group == g], ea_sd[group == g] = _activation(
                x[others], y[others], np.hypot(error[others], 0.03)
            )
    factor = np.exp(ea * lever)
    steep = np.array([per_kelvin(t, e) for t, e in zip(level, ea, strict=True)])
    return factor, factor * np.hypot(
        ea_sd * np.abs(lever), steep * np.where(w.near, w.sd, np.minimum(w.sd, 1.0))
    )


def _activation(x: Floats, y: Floats, sd: Floats) -> tuple[float, float]:
    """Return the activation energy [eV] and its sd from ln R (y) over 1/(kT) (x), outlying places held down."""
    weight, at = 1.0 / sd**2, ACTIVATION_EV
    variance = ACTIVATION_SD_EV**2
    for _ in range(4):
        level = float(np.average(y - at * x, weights=weight))
        left = y - at * x - level
        held = weight * np.minimum(1.0, 1.5 * sd / np.maximum(np.abs(left), 1e-12))
        centre = float(np.average(x, weights=held))
        slope = float((held * (x - centre) * y).sum()) + ACTIVATION_EV / ACTIVATION_SD_EV**2
        variance = 1.0 / (float((held * (x - centre) ** 2).sum()) + 1.0 / ACTIVATION_SD_EV**2)
        at = slope * variance
    return float(np.clip(at, 0.1, 0.7)), float(np.sqrt(variance))


def most_by_cold(temperature_C: float) -> float:
    """Return the extra resistance that the largest plausible cold explains at a temperature, as a fraction."""
    return float(arrhenius_factor(temperature_C - PLAUSIBLE_K, temperature_C, PLAUSIBLE_EV)) - 1.0
