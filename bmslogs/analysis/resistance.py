"""Resistance 10 s into a load, for every cell, from ordinary driving.

V = U(q) - R0 I - sum R_k f_k + s dI, with U a smooth curve over the charge drawn q, f_k the current through
first-order filters of fixed time constants, and two columns of how the current steps taking up what is read early or
late (lumped parameter regression of the PNGV battery test manual; the resistance at 10 s after a pulse as ISO 12405-4
reads it).
R(10 s) = R0 + sum R_k (1 - exp(-10 s / tau_k)): it is known far better than any of its parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import BlockFit, block_fit, jackknife_se, spline_columns, t_factor

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

PULSE_S = 10.0
LEAST_SAMPLES = 120
"""Fewer samples are refused (judgement: common practice, no source)."""
SLOWEST_S = 10.0
"""Readings further apart than this cannot tell what happens 10 s into a load."""


def time_constants(period_s: float) -> tuple[float, ...]:
    """Return the filters' time constants [s] for readings `period_s` apart: spread over what the readings can see."""
    if period_s <= 0.35:
        return (0.7, 4.0, 20.0, 90.0)
    if period_s <= 1.5:
        return (4.0, 20.0, 90.0)
    return (max(8.0, 2.0 * period_s), 60.0)


def at_time(seconds: float, taus: tuple[float, ...]) -> Floats:
    """Return the weights (1 + K,) that turn (R0, R_1 .. R_K) into the resistance `seconds` into a load."""
    return np.array([1.0, *(1.0 - np.exp(-seconds / tau) for tau in taus)])


@dataclass(frozen=True)
class LoadFit:
    """The fit of all cells over the load stretches of a log.

    Attributes
    ----------
    fit
        The block fit; rows 0..K of its coefficients are (R0, R_1 .. R_K).
    taus
        Time constants [s].
    period_s
        Time between readings [s].
    rms_A
        Current [A] for which the resistance is told, where the fit has a column for the fall of resistance with the
        size of the load; None where it has not.
    """

    fit: BlockFit
    taus: tuple[float, ...]
    period_s: float
    rms_A: float | None = None

    def resistance(self, seconds: float = PULSE_S) -> tuple[Floats, Floats]:
        """Return the resistance (cells,) [ohm] `seconds` into a load, and (blocks, cells) with a block left out."""
        weights = at_time(seconds, self.taus)
        if self.rms_A is not None:
            weights = np.append(weights, 1.0)
        k = len(weights)
        return weights @ self.fit.coef[:k], np.einsum("k,bkc->bc", weights, self.fit.without[:, :k])

    def bend(self) -> Floats:
        """Return what the size of the load adds to the resistance (cells,) [ohm]; nought where the fit is linear."""
        if self.rms_A is None:
            return np.zeros(self.fit.coef.shape[1])
        return np.asarray(self.fit.coef[1 + len(self.taus)], float)


def load_fit(
    volts: Floats, charge: Floats, current: Floats, filtered: Floats, steps: Floats, section: Ints, seconds: Floats,
    block: Ints, taus: tuple[float, ...], period_s: float, *, knot_every: float,
    rms_A: float | None = None,
) -> LoadFit:
    """Fit the voltages of all cells over load samples.

    Parameters
    ----------
    volts
        (rows, cells) [V], no NaN.
    charge, current, seconds
        (rows,) charge drawn [Ah], current [A], time [s].
    steps
        (rows, 2) change of the current to the next row and from the last one [A]: what readings at another moment
        than the current's add.
    filtered
        (rows, K) filtered currents [A], for `taus`.
    section
        (rows,) number of the section; each has a level and a slow relaxation of its own.
    block
        (rows,) number of the block for the intervals.
    knot_every
        Spacing of the open-circuit spline's knots [Ah].
    rms_A
        Current [A] at which the resistance is wanted. The charge-transfer part of a cell's resistance falls with the
        load (Butler-Volmer kinetics); the column I |I| / rms_A takes that up to first order, and adds its coefficient
        at that current. None leaves the fit linear.

    Raises
    ------
    NotEnoughData
        Too few samples, or a current that does not vary enough to tell the columns apart.
    """
    curve, _ = spline_columns(charge, knot_every)
    slow = relaxation_columns(seconds, section)
    bend = [] if rms_A is None else [-current * np.abs(current) / rms_A]
    design = np.column_stack([-current, -filtered, *bend, steps, curve, slow])
    return LoadFit(block_fit(design, volts, block, wanted=1 + len(taus) + len(bend)), taus, period_s, rms_A)


def relaxation_columns(seconds: Floats, section: Ints) -> Floats:
    """Return columns for what each section brings along: its level (but the first's) and a slow relaxation.

    Only sections of 60 samples or more get a relaxation of their own.
    """
    out = []
    for order, number in enumerate(np.unique(section)):
        here = section == number
        if order:
            out.append(here.astype(float))
        if here.sum() >= 60:
            since = np.where(here, seconds - seconds[here][0], 0.0)
            if since.max() > 300.0:
                out.append(np.where(here, np.exp(-since / 120.0), 0.0))
    return np.stack(out, axis=1) if out else np.empty((len(seconds), 0))


def relative(value: Floats, without: Floats, reference: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return resistances over the median of the reference cells, and the standard error of that ratio.

    The common part of every error (temperature, current gain, shape of the open-circuit curve) leaves the ratio
    before the blocks are compared.
    """
    ratio = value / np.median(value[reference])
    blocks = without / np.median(without[:, reference], axis=1, keepdims=True)
    return ratio, jackknife_se(blocks)


def half_width(se: Floats, blocks: int, floor: Floats | float = 0.0) -> Floats:
    """Return the half width of the 95 % interval, with a systematic part `floor` (one sd) added in squares."""
    return np.asarray(np.hypot(t_factor(blocks) * se, 1.96 * np.asarray(floor)), float)
