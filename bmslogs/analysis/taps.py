"""Resistance of each sense wire, from the jumps of the readings when bleeding goes on or off.

A bleed current flows through the sense wires of its cell: the bled cell reads low by (R_k + R_k-1) I_b, the cell
above high by R_k I_b, the cell below high by R_k-1 I_b, the sum of all readings unchanged; two neighbours bled
together cancel in the wire that they share (algebra of the loom).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.rounding import lasting_error
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


WIRE_OHM, WIRE_SD_OHM = 0.03, 0.3
"""A usual sense wire with its crimps, and how far one may differ before the log speaks [ohm] (choice)."""
WIRE_SPREAD_OHM = 0.03
"""How far the wires of a sound loom lie apart [ohm] (choice, one sd)."""
ODD_WIRE = 4.0
"""A wire of more than the others by so many standard errors and spreads is none of them (choice)."""


@dataclass(frozen=True)
class TapResistance:
    """Resistance of the wires, taps 0 (pack negative) to N.

    Attributes
    ----------
    ohm, se
        (N + 1,) [ohm]; NaN where no edge tells.
    edges
        (N + 1,) how many edges spoke.
    misfit
        (N + 1,) how far the two readings beside a wire jumped otherwise than the wires make them, over what scatters.
    """

    ohm: Floats
    se: Floats
    edges: npt.NDArray[np.int64]
    misfit: Floats

    def likely(self) -> Floats:
        """Return (N + 1,) resistance to reckon with [ohm]: a wire's own as far as it is known, else the loom's usual.

        Few edges tell one wire badly and all wires together well; one that is surely none of the loom's, such as a
        corroded crimp, counts by itself. Nought where not even that is known.
        """
        good = np.isfinite(self.ohm) & np.isfinite(self.se) & (self.se > 0)
        if not good.any():
            return np.zeros(len(self.ohm))
        own, weight = (
            np.where(good, self.ohm, 0.0),
            np.where(good, 1.0 / np.where(good, self.se, 1.0) ** 2, 0.0),
        )
        error = np.where(good, np.nan_to_num(self.se), np.inf)
        middle = float(np.median(own[good]))
        odd = good & (own - middle > ODD_WIRE * np.hypot(error, WIRE_SPREAD_OHM))
        weight = np.where(odd, 0.0, weight)
        if not weight.any():
            return own
        usual = float((weight * own).sum() / weight.sum())
        if usual < 2.0 / np.sqrt(weight.sum()):
            return np.where(good & (own > 2 * np.nan_to_num(self.se)), own, 0.0)
        spread = 1.0 / WIRE_SPREAD_OHM**2
        return np.where(odd, own, (weight * own + spread * usual) / (weight + spread))


def tap_currents(bleed: Bools, volts: Floats, resistor: float) -> Floats:
    """Return (rows, N + 1) current out of each tap [A]: that of the cell below less that of the cell above."""
    amps = np.where(bleed, np.nan_to_num(volts), 0.0) / resistor
    out = np.zeros((len(amps), amps.shape[1] + 1))
    out[:, 1:] += amps
    out[:, :-1] -= amps
    return out


@dataclass(frozen=True)
class Edges:
    """Readings where bleed flags change.

    Attributes
    ----------
    at
        (edges,) first row of the new state.
    jump
        (edges, cells) jump of each reading against those that no bleeding touches [V]; NaN where not trusted.
    drive
        (edges, N + 1) change of the current out of each tap [A].
    """

    at: npt.NDArray[np.int64]
    jump: Floats
    drive: Floats


def edges_of(volts: Floats, bleed: Bools, seconds: Floats, resistor: float, trusted: Bools) -> Edges | None:
    """Return the edges of bleed flags that a steady state on both sides makes readable; None where they are too few.

    Parameters as of `tap_resistance`.
    """
    if len(volts) < 8:
        return None
    change = (bleed[1:] != bleed[:-1]).any(axis=1)
    at = np.flatnonzero(change) + 1
    # both sides must be steady: the states before and after it lasted two rows, no pause
    at = at[(at >= 3) & (at <= len(volts) - 4)]
    apart = np.full((2, len(at)), len(volts))
    apart[0, 1:] = apart[1, :-1] = np.diff(at)
    held = np.asarray((apart > 1).all(axis=0), bool)
    # a balancer that pauses for one row to read leaves nothing but the row itself
    single = bool(held.sum() < 2)
    if single:
        held = np.ones(len(at), bool)
    at, alone = at[held], np.asarray((apart[:, held] > 3).all(axis=0), bool)
    usual = float(np.median(np.diff(seconds)))
    steady = seconds[at + 2] - seconds[at - 2] < 8 * usual + 1.0
    at, alone = at[steady], alone[steady]
    if len(at) < 1 or not trusted.any():
        return None
    # a balancer that compares the cells every few rows never leaves a flag for longer: one reading on each side, then
    jump = np.where(
        alone[:, None],
        0.5 * (volts[at + 1] + volts[at + 2]) - 0.5 * (volts[at - 1] + volts[at - 2]),
        volts[at + 1] - volts[at - 1],
    )
    if single:
        jump = volts[at] - volts[at - 1]
    jump[:, ~trusted] = np.nan
    taps = tap_currents(bleed, np.where(np.isnan(volts), nanmedian(volts), volts), resistor)
    drive = taps[at] - taps[at - 1] if single else taps[at + 1] - taps[at - 1]
    # against the jumps, not the readings, of cells that no bleeding touches: one that was not read then moves no mean
    untouched = ~np.isnan(jump) & (np.abs(drive[:, 1:]) < 1e-6) & (np.abs(drive[:, :-1]) < 1e-6)
    untouched = np.where(untouched.sum(axis=1, keepdims=True) >= 3, untouched, ~np.isnan(jump))
    jump = jump - (np.where(untouched, jump, 0.0).sum(axis=1) / np.maximum(untouched.sum(axis=1), 1))[:, None]
    return Edges(at, jump, drive)


def tap_resistance(
    volts: Floats, bleed: Bools, seconds: Floats, resistor: float, trusted: Bools, step_V: float
) -> TapResistance:
    """Estimate the resistance of every sense wire.

    Parameters
    ----------
    volts, bleed
        (rows, cells) [V] and flags; rows read anew only.
    seconds
        (rows,) [s].
    resistor
        Bleed resistor [ohm].
    trusted
        (cells,) columns to use.
    step_V
        Step of the readings [V]: a jump is never known better than its rounding.

    Notes
    -----
    Each edge of a flag gives a jump: mean of the two readings after (the first left out, a flag may be logged a
    row late) less the two before, or one of each where the flags change again that soon, or the row of the change
    itself where none lasts for two, against the mean jump of the cells that no bleeding touches, or of all where those
    are few. The wires follow from the normal equations of all jumps, which are tridiagonal.
    """
    n = volts.shape[1]
    unknown = np.full(n + 1, np.nan)
    nothing = TapResistance(unknown, unknown, np.zeros(n + 1, np.int64), unknown)
    found = edges_of(volts, bleed, seconds, resistor, trusted)
    if found is None:
        return nothing
    jump, drive = found.jump, found.drive
    good = ~np.isnan(jump)
    noise = 1.4826 * float(nanmedian(np.abs(jump - nanmedian(jump)))) if good.any() else np.inf
    # the same two levels read again and again err by the same rounding, where noise does not stir it
    kept = np.sqrt(2.0) * lasting_error(noise, step_V) if step_V > 0 and np.isfinite(noise) else 0.0
    noise = max(noise, step_V / np.sqrt(12.0), 1e-9)
    return _from_jumps(jump, drive, noise, kept)


def _from_jumps(jump: Floats, drive: Floats, noise: float, kept: float) -> TapResistance:
    """Solve the normal equations of all jumps.

    Parameters
    ----------
    jump
        (edges, cells) [V], NaN where not known.
    drive
        (edges, cells + 1) change of the current out of each tap [A].
    noise, kept
        Of a jump, one standard deviation [V]: what scatters, and what rounding leaves in all alike.
    """
    n = jump.shape[1]
    good = ~np.isnan(jump)
    # V_k gains -R_k c_k + R_k-1 c_k-1 (c: current out of a tap)
    left, right = drive[:, :-1], drive[:, 1:]
    low = np.where(good, left, 0.0)
    high = np.where(good, right, 0.0)
    value = np.where(good, jump, 0.0)
    gram = np.zeros((n + 1, n + 1))
    moment = np.zeros(n + 1)
    index = np.arange(n)
    gram[index, index] += (low**2).sum(axis=0)
    gram[index + 1, index + 1] += (high**2).sum(axis=0)
    cross = -(low * high).sum(axis=0)
    gram[index, index + 1] += cross
    gram[index + 1, index] += cross
    moment[index] += (low * value).sum(axis=0)
    moment[index + 1] -= (high * value).sum(axis=0)
    edges = (np.abs(drive) > 1e-6).sum(axis=0)
    known = np.diag(gram) > 0
    ohm, se = np.full(n + 1, np.nan), np.full(n + 1, np.nan)
    if known.any():
        # wires that always carry the same current share what is seen; a weak prior keeps them from running away
        weak = noise**2 / WIRE_SD_OHM**2
        part = gram[np.ix_(known, known)] + weak * np.eye(int(known.sum()))
        inverse = np.linalg.inv(part)
        ohm[known] = inverse @ (moment[known] + weak * WIRE_OHM)
        each = np.sqrt(np.diag(gram)[known] / np.maximum(edges[known], 1))  # usual current of an edge [A]
        se[known] = np.hypot(noise * np.sqrt(np.maximum(np.diag(inverse), 0.0)), kept / each)
    return TapResistance(ohm, se, edges, _misfit(value - _made(drive, ohm), good, drive, noise))


def _made(drive: Floats, ohm: Floats) -> Floats:
    """Return (edges, cells) the jumps that wires of `ohm` (cells + 1,) make [V]."""
    drop = drive * np.nan_to_num(ohm)
    return np.asarray(drop[:, :-1] - drop[:, 1:], float)


def _misfit(left: Floats, good: Bools, drive: Floats, noise: float) -> Floats:
    """Return (cells + 1,) root mean square of what is left of the two readings beside each wire, over the noise."""
    square = np.where(good, left**2, 0.0)
    flows = np.abs(drive) > 1e-6
    total, count = np.zeros(drive.shape[1]), np.zeros(drive.shape[1])
    for beside in (slice(None, -1), slice(1, None)):
        total[beside] += (square * flows[:, beside]).sum(axis=0)
        count[beside] += (good & flows[:, beside]).sum(axis=0)
    with np.errstate(all="ignore"):
        return np.asarray(np.sqrt(total / count) / noise, float)


def corrected(volts: Floats, bleed: Bools, resistor: float, taps: TapResistance) -> Floats:
    """Return the readings with the drop of bleed currents in the wires added back, where the wires are known."""
    ohm = taps.likely()
    if not ohm.any():
        return volts
    drop = tap_currents(bleed, volts, resistor) * ohm
    return np.asarray(volts + drop[:, 1:] - drop[:, :-1], float)
