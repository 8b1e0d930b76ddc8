"""A current that stands while the pack rests: is it the sensor's zero, or does it flow?

Charge that flows moves the open-circuit voltage. At rests the middle cell's voltage, put on the open-circuit curve,
is x = C u^-1(V) [Ah], and

    x(t) = x0 - p (Q(t) - (1 - f) z T(t)) + e_k + sum_j A_kj exp(-(t - t_k) / tau_j),

with Q the charge as the sensor counts it, z the standing reading, T the time, f the share of z that flows (one: a load,
nought: the zero), p how the table and the nominal capacity are off, e_k the level of the rest k, and A_kj what is left
of polarisation. All but f are Gaussian with sizes that the log's loads set, so that the likelihood of f = 0 and f = 1
follows in closed form (Gaussian process regression with a parametric mean; Rasmussen & Williams 2006, section 2.7,
from memory). A flat curve, or a short rest after a hard load, leaves both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag, cho_factor, cho_solve

from bmslogs.analysis.ocv import OcvCurve

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Kind = Literal["zero", "load", "either"]

SCALE_SD = 0.15
"""How far slope of the table over nominal capacity may be off, as a fraction (judgement, one sd)."""
WOBBLE = 0.1
"""The same from rest to rest: of the charge moved between them (judgement, one sd)."""
TABLE_SD, TABLE_REACH = 0.025, 0.1
"""How far charge by the table is off (one sd), and over how much charge that changes, as shares of the capacity: cells
of another make climb at a quarter to twice the table's slope for a tenth of their charge (judgement)."""
TAUS_S = (30.0, 120.0, 480.0, 1900.0, 7600.0, 30000.0)
LEFT = (0.3, 0.3, 0.3, 0.3, 0.1, 0.05)
"""Share of the drop under load that relaxes with each of `TAUS_S` (judgement, one sd)."""
DROP_V = 0.1
"""Drop of a usual cell at a current of its capacity in an hour [V] (common practice, no source)."""
UNKNOWN_C_RATE = 0.3
"""What may have flowed before the first row, as a multiple of the capacity per hour (judgement, one sd)."""
LASTING_V, FLAT_LASTING_V = 0.001, 0.008
"""How well a rested voltage stands for charge: temperature, slow relaxation; hysteresis of a flat curve [V, one sd]."""
FLAT_WITHIN_V = 0.025
"""How far the plateau of a flat curve may lie from the table's [V] (judgement, no source)."""
ODDS = 3.0
"""Log odds from which one explanation is left."""
LEAST_S, MOST_RESTS, POINTS = 120.0, 12, 25


@dataclass(frozen=True)
class Standing:
    """What a standing reading is.

    Attributes
    ----------
    kind
        The sensor's ``zero``, a true ``load``, or ``either``.
    amps
        The reading [A].
    share, share_sd
        Share of it that flows, by the voltages, and its standard deviation.
    log_odds
        Of the load against the zero.
    hours, fell_V, would_V
        Longest rest [h], by how much the middle voltage fell over it and by how much this current would make it fall
        once polarisation is gone [V].
    """

    kind: Kind
    amps: float
    share: float
    share_sd: float
    log_odds: float
    hours: float
    fell_V: float
    would_V: float

    def evidence(self) -> str:
        """Return what the voltages did, in words."""
        return (
            f"over {self.hours:.1f} h of it the middle cell's voltage {'fell' if self.fell_V >= 0 else 'rose'} by "
            f"{abs(self.fell_V) * 1e3:.1f} mV; {self.amps:+.2f} A that flow would make it "
            f"{'fall' if self.would_V >= 0 else 'rise'} by {abs(self.would_V) * 1e3:.1f} mV"
        )


def weigh(
    seconds: Floats,
    current: Floats,
    section: Ints,
    quiet: Bools,
    amps: float,
    level: Callable[[Ints], Floats],
    curve: OcvCurve,
    capacity: float,
    step_V: float,
) -> Standing:
    """Say what the reading `amps` over the rows `quiet` is.

    Parameters
    ----------
    seconds, current, section
        (rows,) [s], current as it was read [A], number of the section between pauses.
    quiet
        (rows,) True where the current stands at `amps`.
    level
        Gives the middle cell's voltage [V] of the rows asked for; NaN where not known.
    capacity
        Nominal [Ah].
    step_V
        Step of the readings [V].
    """
    unknown = Standing("either", amps, 0.5, np.inf, 0.0, 0.0, 0.0, 0.0)
    known = np.where(np.isnan(current), amps, current)
    step = np.diff(seconds, prepend=seconds[:1])
    step[np.diff(section, prepend=section[:1]) != 0] = 0.0
    charge, square = np.cumsum(known * step) / 3600.0, np.cumsum((known - amps) ** 2 * step)
    rests: list[_Rest] = []
    for first, last in _longest(seconds, section, quiet):
        before = max(first - 1, 0)
        start = int(np.searchsorted(seconds, seconds[before] - 3600.0))
        span = max(float(seconds[before] - seconds[start]), 1.0)
        rms = np.sqrt((square[before] - square[start]) / span) / capacity
        if span < 3000.0:
            rms = np.hypot(rms, UNKNOWN_C_RATE)
        drop = DROP_V * float(rms) * (1.5 if curve.flat else 1.0)
        rows = np.unique(np.linspace(first, last, POINTS * 8).astype(np.int64))
        counted = rests[-1].charge[-1] if rests else None
        found = _rest(
            seconds, charge, rows, level(rows), curve, capacity, step_V, drop, counted, int(section[first])
        )
        if found is not None:
            rests.append(found)
    if not rests:
        return unknown
    longest = max(rests, key=lambda r: r.hours[-1] - r.hours[0])
    hours = float(longest.hours[-1] - longest.hours[0])
    x, q, t, part = (np.concatenate([getattr(r, n) for r in rests]) for n in ("x", "charge", "hours", "part"))
    cover = block_diag(*(r.cover for r in rests))
    for number in np.unique(part):
        here = part == number
        # what the pack held when the section began is not known
        cover += (3.0 * capacity) ** 2 * np.outer(here, here)
        q, t = np.where(here, q - q[here][0], q), np.where(here, t - t[here][0], t)
    as_zero, as_load = -(q - amps * t), -q
    # the table errs by the charge that is held: where none flows its error stays the same
    if_zero, if_load = (cover + _table_error(held, part, capacity) for held in (as_zero, as_load))
    odds = _likelihood(x, as_load, if_load) - _likelihood(x, as_zero, if_zero)
    share, sd = _share(x, as_load, amps * t, if_load if odds > 0.0 else if_zero)
    kind: Kind = "either"
    if odds > ODDS and share > 0.5:
        kind = "load"
    elif odds < -ODDS and share < 0.5:
        kind = "zero"
    return Standing(
        kind,
        amps,
        share,
        sd,
        odds,
        hours,
        longest.fell_V,
        amps * hours / capacity * longest.slope,
    )


@dataclass(frozen=True)
class _Rest:
    """One rest: charge held by the voltage and as counted [Ah], time [h], how the first errs, section; slope [V]."""

    x: Floats
    charge: Floats
    hours: Floats
    cover: Floats
    part: Ints
    slope: float
    fell_V: float


def _rest(
    seconds: Floats,
    charge: Floats,
    rows: Ints,
    volts: Floats,
    curve: OcvCurve,
    capacity: float,
    step_V: float,
    drop: float,
    counted: float | None,
    section: int,
) -> _Rest | None:
    """Put a rest on the curve; `drop` is that of the load before [V], `counted` the charge at the end of the last."""
    first = float(seconds[rows[0]])
    rows, volts = rows[~np.isnan(volts)], volts[~np.isnan(volts)]
    if len(rows) < 4:
        return None
    bins = np.array_split(np.arange(len(rows)), min(POINTS, len(rows)))
    v, t, q = (np.array([values[b].mean() for b in bins]) for values in (volts, seconds[rows], charge[rows]))
    z = float(curve.inverse(np.array([np.median(v)]))[0])
    slope = float(curve.slope(z, 0.02))
    if curve.flat:
        # where the plateau of these cells ends the table does not say within that
        near = np.abs(curve.volt - float(curve.voltage(z))) <= FLAT_WITHIN_V
        slope = min(slope, float(np.min(curve.slope(curve.soc[near])))) if near.any() else slope
    slope = max(slope, 1e-3)
    lasting = FLAT_LASTING_V if curve.flat else LASTING_V
    moved = 0.0 if counted is None else abs(float(q[0]) - counted)
    into = t - first
    shapes = np.stack(
        [
            np.ones(len(t)),
            (into - into.mean()) / max(float(np.ptp(into)), 1.0),
            *(np.exp(-into / tau) for tau in TAUS_S),
        ]
    )
    # the end of the relaxation is never wholly gone
    sizes = np.array(
        [
            np.hypot(lasting, WOBBLE * moved * slope / capacity),
            0.5 * lasting,
            *(np.hypot(share * drop, 0.0003) for share in LEFT),
        ]
    )
    noise = np.hypot(0.0003, 0.3 * step_V)
    cover = (capacity / slope) ** 2 * ((shapes * sizes[:, None] ** 2).T @ shapes + noise**2 * np.eye(len(t)))
    # on a flat curve the table's own wiggles are no charge
    x = capacity * (z + (v - float(curve.voltage(z))) / slope if curve.flat else curve.inverse(v))
    return _Rest(x, q, t / 3600.0, cover, np.full(len(t), section), slope, float(v[0] - v[-1]))


def _longest(seconds: Floats, section: Ints, quiet: Bools) -> list[tuple[int, int]]:
    """Return first and last row of the longest rests, in order."""
    edge = np.flatnonzero(np.diff(np.concatenate([[0], quiet.astype(np.int8), [0]])))
    found = []
    for first, last in zip(edge[::2].tolist(), (edge[1::2] - 1).tolist(), strict=True):
        cuts = first + np.flatnonzero(np.diff(section[first : last + 1])) + 1
        for a, b in zip([first, *cuts.tolist()], [*(cuts - 1).tolist(), last], strict=True):
            if seconds[b] - seconds[a] >= LEAST_S and b - a >= 4:
                found.append((a, b))
    found.sort(key=lambda ab: seconds[ab[0]] - seconds[ab[1]])
    return sorted(found[:MOST_RESTS])


def _table_error(held: Floats, part: Ints, capacity: float) -> Floats:
    """Return the covariance [Ah^2] of what a table that is not these cells' own says of the charge that they hold.

    A course over the charge with kinks (Matern's covariance of order 3/2; Rasmussen & Williams 2006, equation 4.17,
    from memory); sections between which the charge is not counted have nothing to do with one another.
    """
    away = np.sqrt(3.0) * np.abs(np.subtract.outer(held, held)) / (TABLE_REACH * capacity)
    same = np.equal.outer(part, part)
    return np.asarray((TABLE_SD * capacity) ** 2 * (1.0 + away) * np.exp(-away) * same, float)


def _likelihood(x: Floats, mean: Floats, cover: Floats) -> float:
    """Return the log likelihood of `x` about `mean`, whose scale is known within `SCALE_SD`."""
    full = cho_factor(cover + SCALE_SD**2 * np.outer(mean, mean), lower=True)
    left = x - mean
    return float(-0.5 * left @ cho_solve(full, left) - np.log(np.diag(full[0])).sum())


def _share(x: Floats, as_load: Floats, moved: Floats, cover: Floats) -> tuple[float, float]:
    """Return the share of the reading that flows and its standard deviation: generalised least squares."""
    full = cho_factor(cover + SCALE_SD**2 * np.outer(as_load, as_load), lower=True)
    weight = cho_solve(full, moved)
    information = max(float(weight @ moved), 1e-12)
    return 1.0 - float(weight @ (x - as_load)) / information, float(1.0 / np.sqrt(information))
