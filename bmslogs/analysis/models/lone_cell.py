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
SOFT = 3.0
"""From so many expected errors on a row pulls as its size, not its square (choice)."""
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
    aside
        How far the knee of the table beyond may lie beside where it is put, as a share of the distance to it: on a
        plateau a string does not know where it stands.
    """

    voltage: Callable[[Floats], Floats]
    slope: Callable[[Floats], Floats]
    low: float
    high: float
    polarisation: Floats
    growing: Floats
    current: Floats
    aside: float = 0.0


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
        Root mean square of what is left, in expected errors, each row by what it is worth.
    """

    values: Floats
    formal: Floats
    cluster: Floats
    span: Floats
    misfit: float


def lone_cell(
    volts: Floats,
    charge: Floats,
    string: StringCurve,
    block: Ints,
    count: Floats,
    *,
    capacity: float,
    noise: float,
    shape: float,
    resistance: float,
    excess: tuple[float, float] | None = None,
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
    best = min((fit.down(start) for start in fit.starts()), key=lambda found: found[1])
    place, _, jacobian, left = best
    x = fit.places(place)
    misfit = float(np.sqrt(np.average(fit.misfit(place) ** 2, weights=count)))
    whole = jacobian.T @ jacobian
    formal = np.linalg.pinv(whole) * max(misfit, 1.0) ** 2
    # a block's absence shows as the step that it would bring about: solved without the block it is too long where the
    # block alone knew something, with it too short; the root of their product (Bell and McCaffrey 2002)
    steps = []
    for number in range(int(block.max()) + 1):
        here = np.flatnonzero(block == number)
        part, pull = jacobian[here], jacobian[here].T @ left[here]
        without = np.linalg.lstsq(whole - part.T @ part, pull, rcond=1e-10)[0]
        within = np.linalg.lstsq(whole, pull, rcond=1e-10)[0]
        shorter = np.sqrt(np.abs(within) / np.maximum(np.abs(without), 1e-300))
        steps.append(without * np.clip(shorter, 0.0, 1.0))
    away = np.array(steps) - np.mean(steps, axis=0)
    size = np.outer(fit.scale, fit.scale)
    return LoneCell(
        place * fit.scale,
        formal * size,
        (len(steps) - 1) / len(steps) * away.T @ away * size,
        np.array([x.min(), x.max()]),
        misfit,
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
        aside = np.hypot(self.shape, self.string.aside * outside * self.capacity)
        return np.asarray(
            np.sqrt(self.noise**2 + (self.string.slope(x) * aside) ** 2 + table**2 + 1e-8), float
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
            rows.append(
                (p[2] + p[3] - self.excess[0]) / max(self.excess[1], 0.01 * (1 + abs(self.excess[0])))
            )
        return np.array(rows)

    def starts(self) -> list[Floats]:
        """Return the best places of the grid, and the middle cell's: coarse steps miss a valley close by."""
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
        return [*(place for _, place in found[:STARTS]), np.array([0.0, 0.0, excess, 0.0])]

    def down(self, start: Floats) -> tuple[Floats, float, Floats, Floats]:
        """Follow a start down; return parameters, cost, Jacobian and what is left, of weighted rows and priors."""
        weight = np.sqrt(self.count)

        def left(p: Floats) -> Floats:
            row = self.misfit(p)
            # soft L1 by hand: rows are weighed after it, since each is worth less than one reading
            bent = np.sign(row) * np.sqrt(2.0 * (np.sqrt(1.0 + (row / SOFT) ** 2) - 1.0)) * SOFT
            return np.concatenate([weight * bent, self.priors(p)])

        found = least_squares(
            left, np.clip(start, LEAST + 1e-6, MOST - 1e-6), bounds=(LEAST, MOST), max_nfev=60
        )
        settled = float((self.count * np.log(self.spread(self.places(found.x)))).sum())
        return (
            found.x,
            float(found.cost) + settled,
            np.asarray(found.jac, float),
            np.asarray(found.fun, float),
        )
