"""One cell laid onto the string's curve by itself: for cells so far from the others that they would bend that curve.

    V(t) = U(x) + P(t) + P_g(t) r - rho I(t) + e(t),      x = q (1 + b) - a

with U, P and P_g (polarisation, and the part of it that grows with a cell's resistance) those of the string, found
without this cell, and q the charge drawn from the cell [Ah]. a [Ah] is the charge that the cell has more than the
middle one where q = 0, b = Q / Q_cell - 1 its lack of capacity, r its excess of resistance (fraction), rho an ohmic
excess [ohm]. Beyond what the string itself covered U goes on as the table, less surely the further it goes.

Method: least squares with a soft-L1 loss from the best places of a wide grid (the knee of a curve is out of sight from
its flat), errors by leaving out blocks. Judgement: the widths of the priors and of the table beyond.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

OFFSETS = np.linspace(-0.75, 0.75, 61)
"""Tried offsets of charge, as fractions of the capacity."""
RATIOS = np.array([0.35, 0.42, 0.5, 0.58, 0.66, 0.73, 0.8, 0.86, 0.92, 1.0, 1.1, 1.25])
"""Tried capacities of the cell over the middle one's."""
STARTS = 4
"""As many of the best places of the grid are followed down (choice)."""
OFFSET_SD, LACK_SD, EXCESS_SD = 0.5, 0.6, 1.0
"""Weak priors of such a cell: offset as a fraction of capacity, b, resistance excess (judgement, one sd)."""
LEAST, MOST = np.array([-1.5, -0.6, -1.0, -1.0]), np.array([1.5, 4.0, 50.0, 50.0])
"""Bounds of (a / capacity, b, r, rho / resistance): beyond them lies no cell."""
BEYOND_SD_V, BEYOND_EVERY = 0.015, 0.1
"""How far a table of the chemistry may part from the string's curve at one tenth of the capacity beyond it [V], growing
with the root of the distance (published curves of one chemistry differ by tens of mV; choice, one sd)."""


@dataclass(frozen=True)
class StringCurve:
    """The string without the cell.

    Attributes
    ----------
    voltage, slope
        Open-circuit voltage [V] and its slope [V/Ah, negative] over the charge drawn from the middle cell [Ah].
    low, high
        Charge drawn that the string's cells covered [Ah].
    polarisation, growing
        (rows,) P and P_g [V], negative under load.
    current
        (rows,) [A].
    """

    voltage: Callable[[Floats], Floats]
    slope: Callable[[Floats], Floats]
    low: float
    high: float
    polarisation: Floats
    growing: Floats
    current: Floats


@dataclass(frozen=True)
class LoneCell:
    """The fit of one cell.

    Attributes
    ----------
    values
        (4,) a [Ah], b, r, rho [ohm].
    formal, cluster
        (4, 4) covariances: by the model, and by leaving out blocks.
    span
        (2,) charge on the string's curve that the cell covered [Ah].
    misfit
        Root mean square of what is left, in expected errors.
    """

    values: Floats
    formal: Floats
    cluster: Floats
    span: Floats
    misfit: float


def lone_cell(
    volts: Floats, charge: Floats, string: StringCurve, block: Ints, count: Floats, *, capacity: float, noise: float,
    shape: float, resistance: float, excess: tuple[float, float] | None = None,
) -> LoneCell:
    """Fit one cell.

    Parameters
    ----------
    volts, charge
        (rows,) readings of the cell [V] and charge drawn from it [Ah].
    block
        (rows,) blocks for the errors.
    count
        (rows,) how many independent readings each row is worth.
    capacity, resistance
        Of a usual cell [Ah], [ohm].
    noise, shape
        Standard deviation of a reading [V], and how well two cells follow one curve, sideways [Ah].
    excess
        Resistance excess (fraction) known from the load fit and its standard error; None where there is none.
    """
    fit = _Fit(volts, charge, string, count, capacity, noise, shape, resistance, excess)
    everywhere = np.ones(len(volts), bool)
    starts = fit.starts()
    best = min((fit.down(start, everywhere) for start in starts), key=lambda found: found[1])
    values = best[0] * fit.scale
    jacobian = best[2]
    formal = np.linalg.pinv(jacobian.T @ jacobian) * np.outer(fit.scale, fit.scale)
    number = int(block.max()) + 1
    without = np.array([fit.down(best[0], block != k)[0] * fit.scale for k in range(number)])
    away = without - without.mean(axis=0)
    x = fit.places(best[0])
    left = fit.misfit(best[0])
    return LoneCell(
        values, formal, (number - 1) / number * away.T @ away, np.array([x.min(), x.max()]),
        float(np.sqrt(np.mean(left**2))),
    )


@dataclass
class _Fit:
    volts: Floats
    charge: Floats
    string: StringCurve
    count: Floats
    capacity: float
    noise: float
    shape: float
    resistance: float
    excess: tuple[float, float] | None

    @property
    def scale(self) -> Floats:
        return np.array([self.capacity, 1.0, 1.0, self.resistance])

    def places(self, p: Floats) -> Floats:
        """Return where on the string's curve the cell stands [Ah]."""
        return np.asarray(self.charge * (1 + p[1]) - p[0] * self.capacity, float)

    def spread(self, x: Floats) -> Floats:
        """Return the expected error of each row [V]."""
        outside = np.maximum(np.maximum(self.string.low - x, x - self.string.high), 0.0) / self.capacity
        table = BEYOND_SD_V * np.sqrt(outside / BEYOND_EVERY)
        return np.asarray(
            np.sqrt(self.noise**2 + (self.string.slope(x) * self.shape) ** 2 + table**2 + 1e-8), float
        )

    def misfit(self, p: Floats) -> Floats:
        """Return what is left of each row, in expected errors."""
        x, s = self.places(p), self.string
        model = s.voltage(x) + s.polarisation + s.growing * p[2] - p[3] * self.resistance * s.current
        return np.asarray((self.volts - model) / self.spread(x), float)

    def priors(self, p: Floats) -> Floats:
        """Return what is known beforehand, in standard deviations."""
        rows = [p[0] / OFFSET_SD, p[1] / LACK_SD, p[2] / EXCESS_SD, p[3] / EXCESS_SD]
        if self.excess is not None and np.isfinite(self.excess[0]) and np.isfinite(self.excess[1]):
            rows.append((p[2] + p[3] - self.excess[0]) / max(self.excess[1], 0.01 * (1 + abs(self.excess[0]))))
        return np.array(rows)

    def starts(self) -> list[Floats]:
        """Return the best places of the grid."""
        step = max(1, len(self.volts) // 120)
        thin = slice(None, None, step)
        s, found = self.string, []
        level = self.volts[thin] - s.polarisation[thin]
        excess = 0.0 if self.excess is None or not np.isfinite(self.excess[0]) else self.excess[0]
        level = level - excess * s.growing[thin]
        for ratio in RATIOS:
            b = 1.0 / ratio - 1.0
            x = self.charge[thin] * (1 + b) - OFFSETS[:, None] * self.capacity
            outside = np.maximum(np.maximum(s.low - x, x - s.high), 0.0) / self.capacity
            spread = self.noise**2 + 1e-5 + (0.03**2) * outside / BEYOND_EVERY
            left = level - s.voltage(x)
            cost = np.log1p(left**2 / spread).mean(axis=1) + 0.5 * np.log(spread).mean(axis=1)
            cost = cost + (np.log1p((OFFSETS / 0.15) ** 2) + np.log1p((b / 0.1) ** 2)) * 0.05
            found += [(float(c), np.array([a, b, excess, 0.0])) for a, c in zip(OFFSETS, cost, strict=True)]
        found.sort(key=lambda one: one[0])
        return [place for _, place in found[:STARTS]]

    def down(self, start: Floats, rows: npt.NDArray[np.bool_]) -> tuple[Floats, float, Floats]:
        """Follow a start down; return parameters, cost and the Jacobian of the weighted rows."""
        weight = np.sqrt(self.count)[rows]

        def left(p: Floats) -> Floats:
            row = self.misfit(p)[rows]
            # soft L1 by hand: rows are weighed after it, since each is worth less than one reading
            bent = np.sign(row) * np.sqrt(2.0 * (np.sqrt(1.0 + (row / 3.0) ** 2) - 1.0)) * 3.0
            return np.concatenate([weight * bent, self.priors(p)])

        found = least_squares(left, np.clip(start, LEAST + 1e-6, MOST - 1e-6), bounds=(LEAST, MOST), max_nfev=60)
        x = self.places(found.x)
        settled = float((self.count[rows] * np.log(self.spread(x)[rows])).sum())
        return found.x, float(found.cost) + settled, np.asarray(found.jac, float)
