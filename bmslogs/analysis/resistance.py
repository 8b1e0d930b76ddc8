"""Resistance 10 s into a load, for every cell, from ordinary driving.

V = U(q) - R0 (I + sum w_m (I(t + h_m) - I)) - sum R_k f_k, with U a smooth curve over the charge drawn q, f_k the
current through first-order filters of fixed time constants, and the current at times h_m about the row for what is
read early or late (lumped parameter regression of the PNGV battery test manual; the resistance at 10 s after a pulse
as ISO 12405-4 reads it).
R(10 s) = R0 + sum R_k (1 - exp(-10 s / tau_k)): it is known far better than any of its parts.

A channel read by d = sum w_m h_m later than the current shows what a load does d later, so its resistance is told at
10 s - d. And where the current steps, what it was between two rows is not known: such rows weigh less
(`steady_weights`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import BlockFit, block_fit, jackknife_se, spline_columns, t_factor
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

PULSE_S = 10.0
LEAST_SAMPLES = 120
"""Fewer samples are refused (judgement: common practice, no source)."""
LEAST_TURNS = 60
"""The same where a channel is read now and then while the current is known in between (choice)."""
SLOWEST_S = 10.0
"""Readings further apart than this cannot tell what happens 10 s into a load."""
RAREST_S = 60.0
"""The same where the current is known in between (choice)."""
LATE_MOST_S = 3.0
"""No channel is taken to be read further from the current than this (choice)."""


def time_constants(period_s: float) -> tuple[float, ...]:
    """Return the filters' time constants [s] for readings `period_s` apart: spread over what the readings can see."""
    if period_s <= 0.35:
        return (0.7, 4.0, 20.0, 90.0)
    if period_s <= 1.5:
        return (4.0, 20.0, 90.0)
    return (max(8.0, 2.0 * period_s), 60.0)


def at_time(seconds: npt.ArrayLike, taus: tuple[float, ...]) -> Floats:
    """Return the weights (1 + K, ...) that turn (R0, R_1 .. R_K) into the resistance `seconds` into a load."""
    into = np.asarray(seconds, float)
    return np.stack([np.ones_like(into), *(1.0 - np.exp(-into / tau) for tau in taus)])


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
    drifts
        How many columns the fit has for what the resistance follows as the load goes on.
    """

    fit: BlockFit
    taus: tuple[float, ...]
    period_s: float
    shifts_s: tuple[float, ...]
    rms_A: float | None = None
    drifts: int = 0

    def resistance(self, seconds: float = PULSE_S) -> tuple[Floats, Floats]:
        """Return the resistance (cells,) [ohm] `seconds` into a load, and (blocks, cells) with a block left out."""
        weights = at_time(np.maximum(seconds - self.late(), 0.0), self.taus)
        if self.rms_A is not None:
            weights = np.vstack([weights, np.ones(weights.shape[1])])
        k = len(weights)
        value = np.einsum("kc,kc->c", weights, self.fit.coef[:k])
        return value, np.einsum("kc,bkc->bc", weights, self.fit.without[:, :k])

    def late(self) -> Floats:
        """Return by how much each channel is read later than the current (cells,) [s]."""
        first = 1 + len(self.taus) + (self.rms_A is not None)
        moved = -np.array(self.shifts_s) @ self.fit.coef[first : first + len(self.shifts_s)]
        at_once = self.fit.coef[0] + self.bend()
        with np.errstate(all="ignore"):
            late = np.where(at_once > 0, moved / at_once, 0.0)
        return np.asarray(np.clip(np.nan_to_num(late), -LATE_MOST_S, LATE_MOST_S), float)

    def bend(self) -> Floats:
        """Return what the size of the load adds to the resistance (cells,) [ohm]; nought where the fit is linear."""
        if self.rms_A is None:
            return np.zeros(self.fit.coef.shape[1])
        return np.asarray(self.fit.coef[1 + len(self.taus)], float)

    def changes(self) -> tuple[Floats, Floats]:
        """Return by how much the resistance changes with load, charge and warmth (k, cells), and with a block left out.

        In ohm over the range of each in the log; (blocks, k, cells).
        """
        first = 1 + len(self.taus) + (self.rms_A is not None) + len(self.shifts_s)
        rows = [*([1 + len(self.taus)] if self.rms_A is not None else []), *range(first, first + self.drifts)]
        return self.fit.coef[rows], self.fit.without[:, rows]


def load_fit(
    volts: Floats,
    charge: Floats,
    current: Floats,
    filtered: Floats,
    steps: Floats,
    section: Ints,
    seconds: Floats,
    block: Ints,
    taus: tuple[float, ...],
    period_s: float,
    *,
    knot_every: float,
    shifts_s: tuple[float, ...],
    rms_A: float | None = None,
    drift: Floats | None = None,
) -> LoadFit:
    """Fit the voltages of all cells over load samples.

    Parameters
    ----------
    volts
        (rows, cells) [V], no NaN.
    charge, current, seconds
        (rows,) charge drawn [Ah], current [A], time [s].
    steps
        (rows, times) current at `shifts_s` about each row, less its own [A]: what readings at another moment than
        the current's add.
    filtered
        (rows, K) filtered currents [A], for `taus`.
    section
        (rows,) number of the section; each has a level and a slow relaxation of its own.
    block
        (rows,) number of the block for the intervals.
    knot_every
        Spacing of the open-circuit spline's knots [Ah].
    shifts_s
        Times about a row [s], positive: later.
    rms_A
        Current [A] at which the resistance is wanted. The charge-transfer part of a cell's resistance falls with the
        load (Butler-Volmer kinetics); the column I |I| / rms_A takes that up to first order, and adds its coefficient
        at that current. None leaves the fit linear.
    drift
        (rows, k) what the resistance may follow as the load goes on (warmth, charge), in any unit; it is told at the
        mean, weighed by the square of the current. None for nothing.

    Raises
    ------
    NotEnoughData
        Too few samples, or a current that does not vary enough to tell the columns apart.
    """
    curve, _ = spline_columns(charge, knot_every)
    slow = relaxation_columns(seconds, section)
    bend = [] if rms_A is None else [-current * np.abs(current) / rms_A]
    drifting = np.empty((len(current), 0))
    if drift is not None:
        away = drift - (current**2 @ drift) / max(float((current**2).sum()), 1e-12)
        drifting = -current[:, None] * away / np.maximum(np.abs(away).max(axis=0), 1e-12)
    design = np.column_stack([-current, -filtered, *bend, steps, drifting, curve, slow])
    nearest = np.argsort(np.abs(shifts_s))[:2]
    weight = steady_weights(design, volts, np.abs(steps[:, nearest]).max(axis=1))[:, None]
    fit = block_fit(weight * design, weight * volts, block, wanted=1 + len(taus) + len(bend))
    fit = replace(
        fit, pseudo_inverse=fit.pseudo_inverse * weight[:, 0]
    )  # of readings as they were, not weighted
    return LoadFit(fit, taus, period_s, shifts_s, rms_A, drifting.shape[1])


def joined(parts: list[LoadFit], groups: list[Ints], cells: int) -> LoadFit:
    """Return one fit for all cells from fits of some columns each, over rows of their own; NaN for other columns.

    What maps readings onto coefficients differs from part to part: that of the first stands for it.
    """
    first = parts[0]
    count = 1 + len(first.taus) + (first.rms_A is not None) + len(first.shifts_s)
    coef = np.full((count, cells), np.nan)
    without = np.full((first.fit.blocks, count, cells), np.nan)
    left = np.full(cells, np.nan)
    for part, group in zip(parts, groups, strict=True):
        coef[:, group], without[:, :, group] = part.fit.coef[:count], part.fit.without[:, :count]
        left[group] = part.fit.residual_sd
    fit = BlockFit(coef, without, first.fit.pseudo_inverse[:count], left)
    return replace(first, fit=fit, drifts=0)


def steady_weights(design: Floats, volts: Floats, step: Floats) -> Floats:
    """Return (rows,) weights by how far cells part where the current steps.

    What the current was between two rows is not known, so cells that are read one after the other part from the model
    by noise, and by more the further the current steps: v = c0 + c1 step^2, from what a first fit leaves.

    Parameters
    ----------
    design
        (rows, p) columns of the fit.
    volts
        (rows, cells) [V]; single channels may hold anything.
    step
        (rows,) how far the current steps about the row [A].
    """
    q = np.linalg.qr(design)[0]
    left = volts - q @ (q.T @ volts)
    apart = np.median((left - np.median(left, axis=1, keepdims=True)) ** 2, axis=1)
    least = float(apart[step <= np.median(step)].mean())
    square = step**2
    grows = float(((apart - least) * square).sum()) / max(float((square**2).sum()), 1e-12)
    return np.asarray(1.0 / np.sqrt(1.0 + max(grows, 0.0) * square / max(least, 1e-12)), float)


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
    ratio, blocks = _ratios(value, without, reference)
    return ratio, jackknife_se(blocks)


def _ratios(value: Floats, without: Floats, reference: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    return (
        value / median(value[reference]),
        without / median(without[:, reference], axis=1, keepdims=True),
    )


def relative_of_both(
    bent: LoadFit, straight: LoadFit, reference: npt.NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Return resistances over the median from a fit with the fall with the load and one without, and standard errors.

    A column for that fall makes every ratio noisier. A cell whose excess falls with the load as the string does needs
    none; a joint, which does not fall, is told wrong without it by as much as its excess falls short. So the straight
    fit counts where that is less than the noise it saves.
    """
    ratio, blocks = _ratios(*straight.resistance(), reference)
    if bent.rms_A is None:
        return ratio, jackknife_se(blocks)
    value, without = bent.resistance()
    own, own_blocks = _ratios(value, without, reference)
    fall = abs(float(median(bent.bend()[reference]) / median(value[reference])))
    wrong = np.abs(ratio - 1.0) * fall
    noise = jackknife_se(own_blocks - blocks)
    share = wrong**2 / np.maximum(wrong**2 + noise**2, 1e-18)
    both = blocks + share * (own_blocks - blocks)
    return ratio + share * (own - ratio), np.hypot(jackknife_se(both), (1.0 - share) * wrong)


def half_width(se: Floats, blocks: int, floor: Floats | float = 0.0) -> Floats:
    """Return the half width of the 95 % interval, with a systematic part `floor` (one sd) added in squares."""
    return np.asarray(np.hypot(t_factor(blocks) * se, 1.96 * np.asarray(floor)), float)
