"""Absolute state of charge and capacity: the string's own curve laid onto the open-circuit table.

U(q) of the string is compared with u(z0 - q / Q) of the table; z0 and Q are those that fit best. The table's own
error hangs together over wide ranges of charge, so it counts as a few independent errors, not as many. Rests weigh
most: under a steady current the curve is only as good as the polarisation taken from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import OptimizeResult, least_squares

from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.rests import NONE, Anchors, merged

Floats = npt.NDArray[np.float64]

TABLE_SD_V = 0.007
"""How well cells follow a table of their own [V] (choice, one sd): its making, and the hysteresis that NMC on graphite
has as well, ten millivolts or so from branch to branch (from memory), more with silicon."""
BOOK_SD = np.array(
    [
        [0.0, 0.20],
        [0.1, 0.15],
        [0.2, 0.11],
        [0.35, 0.08],
        [0.5, 0.045],
        [0.65, 0.03],
        [0.8, 0.025],
        [0.9, 0.010],
        [1.0, 0.003],
    ]
)
"""How far cells of a chemistry stand from the one published curve that stands for it: state of charge, volts (one sd).
So far apart lie the NMC and NCA sets that PyBaMM 26 carries (a test works it out); full is what its voltage defines."""
BOOK_INDEPENDENT_EVERY = 0.3
"""Span of charge over which that error hangs together (choice)."""
BOOK_FLAT_ASIDE = 0.02
"""How far the knees of flat curves of several makers lie beside each other [state of charge] (choice, one sd)."""
FLAT_SD_V, HYSTERESIS_SD_V = 0.002, 0.015
"""The same where the curve has a plateau, the branch of the hysteresis taken out as one shift [V]."""
FLAT_ASIDE, FLAT_ENDS_SHARE = 0.005, 0.1
"""How far the knees of a flat curve lie beside those of a table [state of charge], down to this share at the ends
(choice, one sd)."""
FLAT_REST_SD_V = 0.004
"""How far a rest of such a curve stands from the table: hysteresis (choice, one sd)."""
NEAR_END, ENDS_SHARE = 0.15, 0.4
"""So near full or empty [state of charge] a table errs less, down to this share at the end itself (choice)."""
INDEPENDENT_EVERY = 0.15
"""Span of charge over which a table's error hangs together (choice)."""
SAME_PLACE = 0.03
"""Rests that lie no further apart than this share of the capacity count as one (choice)."""
CAPACITY_SD = 0.10
"""How far a pack's capacity may lie from nominal before the log speaks (choice, one sd)."""

FORWARD = float(np.sqrt(np.finfo(float).eps))
"""Relative step of the forward differences."""

TRIED_PLACES, TRIED_CAPACITIES = np.linspace(0.0, 1.1, 56), np.array([0.65, 0.8, 0.9, 1.0, 1.1, 1.25])
"""Places on a climbing table (state of charge, capacity over nominal) tried before a descent."""
VALLEYS = 3
"""From as many of the best valleys of those the descent begins (choice)."""
EARLY, CLOSELY = (1e-8, 1e-8), (1e-14, 1e-12)
"""Relative change of the cost, and of place and slope, at which a descent ends."""


@dataclass(frozen=True)
class Alignment:
    """Where the string stands.

    Attributes
    ----------
    z0, z0_se
        State of charge of the middle cell where q = 0, and its standard error.
    capacity, capacity_se
        Capacity of the middle cell [Ah] and its standard error.
    swing_V
        Open-circuit voltage covered [V].
    shift_V
        Shift of the table that fits best [V]: the branch of the hysteresis; nought without a plateau.
    covariance
        (2, 2) covariance of z0 and capacity, both as the fit has them [1, Ah].
    """

    z0: float
    z0_se: float
    capacity: float
    capacity_se: float
    swing_V: float
    shift_V: float
    covariance: Floats

    def soc(self, q: npt.ArrayLike) -> Floats:
        """Return the state of charge of the middle cell where `q` [Ah] was drawn."""
        return np.asarray(self.z0 - np.asarray(q, float) / self.capacity, float)

    def soc_se(self, q: float) -> float:
        """Return the standard error of `soc` at one `q` [Ah]."""
        lever = np.array([1.0, q / self.capacity**2])
        return float(np.sqrt(max(lever @ self.covariance @ lever, 0.0)))


def _table_sd(curve: OcvCurve, volt: Floats) -> Floats:
    """Return how far cells stand from a table that is not theirs, at these voltages [V].

    Full and empty are what their voltages say: there a table cannot be far off.
    """
    z = curve.inverse(volt)
    if curve.own:
        return np.asarray(TABLE_SD_V * np.clip(np.minimum(z, 1.0 - z) / NEAR_END, ENDS_SHARE, 1.0), float)
    return np.asarray(np.interp(z, BOOK_SD[:, 0], BOOK_SD[:, 1]), float)


def _flat_sd(curve: OcvCurve, volt: Floats) -> Floats:
    """Return how far cells stand from a flat table beyond its plateau [V]: up and down, and by its knees sideways."""
    z = curve.inverse(volt)
    knees = FLAT_ASIDE if curve.own else BOOK_FLAT_ASIDE
    aside = knees * np.clip(np.minimum(z, 1.0 - z) / NEAR_END, FLAT_ENDS_SHARE, 1.0)
    return np.asarray(np.hypot(FLAT_SD_V, curve.slope(z) * aside), float)


def table_sd(curve: OcvCurve, volt: Floats) -> Floats:
    """Return how far a settled cell may stand from the table at these voltages [V], one sd."""
    if curve.flat:
        return np.asarray(np.hypot(FLAT_REST_SD_V, _flat_sd(curve, volt)), float)
    return _table_sd(curve, volt)


@dataclass(frozen=True)
class _Points:
    """What is laid onto the table: p = (z0, capacity over nominal, branch of the hysteresis in its sd) is sought.

    Attributes
    ----------
    drawn, seen, sd
        (n,) charge drawn [Ah], voltage seen there and its standard deviation [V].
    weight
        (n,) weight of each point beside that.
    on_branch
        (n,) False where the load's branch does not move the point: a settled rest.
    low, most
        (3,) bounds of p.
    """

    curve: OcvCurve
    nominal: float
    drawn: Floats
    seen: Floats
    sd: Floats
    weight: Floats
    on_branch: npt.NDArray[np.bool_]
    low: Floats
    most: Floats

    def left_of(self, ps: Floats) -> Floats:
        """Return (places, n + 2) what is left of every point and prior, for several p (places, 3) at once."""
        z0, scale, branch = ps[:, 0, None], ps[:, 1, None], ps[:, 2, None]
        volt = (
            self.curve.beyond(z0 - self.drawn / (self.nominal * scale))
            + branch * HYSTERESIS_SD_V * self.on_branch
        )
        out = np.empty((len(ps), len(self.drawn) + 2))
        out[:, :-2] = self.weight * (volt - self.seen) / self.sd
        out[:, -2], out[:, -1] = (ps[:, 1] - 1.0) / CAPACITY_SD, ps[:, 2]
        return out

    def left(self, p: Floats) -> Floats:
        """Return (n + 2,) what is left at one p."""
        return np.asarray(self.left_of(p[None])[0], float)

    def slopes(self, p: Floats) -> Floats:
        """Return (n + 2, 3) forward differences of `left`, all from one evaluation."""
        step = FORWARD * np.where(p >= 0, 1.0, -1.0) * np.maximum(1.0, np.abs(p))
        step = np.where((p + step < self.low) | (p + step > self.most), -step, step)
        moved = p + step
        found = self.left_of(np.vstack([p, np.where(np.eye(3, dtype=bool), moved, p)]))
        return np.asarray(((found[1:] - found[0]) / (moved - p)[:, None]).T, float)

    def valleys(self) -> Floats:
        """Return the best places (up to `VALLEYS`, 3) of the valleys of the cost over state of charge."""
        places = np.stack(np.meshgrid(TRIED_PLACES, TRIED_CAPACITIES, 0.0, indexing="ij"), axis=-1)[:, :, 0]
        cost = np.sqrt(1.0 + self.left_of(places.reshape(-1, 3)) ** 2).sum(axis=1).reshape(places.shape[:2])
        least = cost.min(axis=1)
        around = np.pad(least, 1, constant_values=np.inf)
        valleys = np.flatnonzero((least <= around[:-2]) & (least <= around[2:]))
        lowest = valleys[np.argsort(least[valleys], kind="stable")[:VALLEYS]]
        return np.asarray(places[lowest, cost[lowest].argmin(axis=1)], float)

    def best(self, volt: float) -> OptimizeResult:
        """Return the descent that ends lowest; `volt` [V] is where the curve begins."""
        if self.curve.flat:
            # knees bent from point to point catch a descent: the best of many, each stopped early
            guess, within = float(self.curve.inverse(np.array([volt]))[0]), EARLY
            starts = [[z, 1.0, 0.0] for z in {round(guess, 3), *np.linspace(0.1, 1.0, 10).round(2).tolist()}]
        else:
            starts, within = self.valleys().tolist(), CLOSELY
        tried = [
            least_squares(
                self.left,
                start,
                self.slopes,
                bounds=(self.low, self.most),
                loss="soft_l1",
                ftol=within[0],
                xtol=within[1],
                gtol=within[1],
            )
            for start in starts
        ]
        return min(tried, key=lambda found: float(found.cost))


def align(
    q: Floats,
    volt: Floats,
    curve: OcvCurve,
    nominal: float,
    *,
    under_load: Floats | None = None,
    rests: Anchors = NONE,
    lead: Anchors = NONE,
) -> Alignment:
    """Lay the string's curve onto the table.

    Parameters
    ----------
    q, volt
        (n,) charge drawn [Ah], rising, and open-circuit voltage there [V].
    curve
        The table.
    nominal
        Nominal capacity [Ah].
    under_load
        (n,) standard deviation of `volt` from what was taken off it as polarisation [V]; None for none.
    rests
        Where the voltage was seen settled.
    lead
        Open-circuit voltages beyond `q`, where single cells went ahead of the middle one: near full or empty they
        tell more than a plateau does.
    """
    sd = np.hypot(
        FLAT_SD_V if curve.flat else _table_sd(curve, volt), 0.0 if under_load is None else under_load
    )
    high = 4.0 if curve.flat else 1e-6
    every = INDEPENDENT_EVERY if curve.own or curve.flat else BOOK_INDEPENDENT_EVERY
    share = np.sqrt(max((q[-1] - q[0]) / nominal / every, 1.0) / len(q))
    # what a table errs by beyond the middle cell's span is one error, not as many as there are points
    lead_sd = np.hypot(_flat_sd(curve, lead.volt) if curve.flat else _table_sd(curve, lead.volt), lead.sd)
    lead_sd = lead_sd * np.sqrt(max(len(lead.charge), 1))
    rests = merged(rests, SAME_PLACE * nominal)
    rest_sd = np.hypot(FLAT_REST_SD_V if curve.flat else _table_sd(curve, rests.volt), rests.sd)

    points = _Points(
        curve,
        nominal,
        np.concatenate([q, lead.charge, rests.charge]),
        np.concatenate([volt, lead.volt, rests.volt]),
        np.concatenate([np.broadcast_to(sd, q.shape), lead_sd, rest_sd]),
        np.concatenate([np.full(len(q), share), np.ones(len(lead.charge) + len(rests.charge))]),
        np.arange(len(q) + len(lead.charge) + len(rests.charge)) < len(q) + len(lead.charge),
        np.array([-0.1, 0.5, -high]),
        np.array([1.15, 1.6, high]),
    )
    best = points.best(float(volt[0]))
    jacobian = np.asarray(best.jac, float)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    z0, scale = float(best.x[0]), float(best.x[1])
    if not curve.flat:
        slope = max(float(curve.slope(np.array([np.clip(z0, 0, 1)]))[0]), 1e-3)
        here = float(_table_sd(curve, curve.voltage(np.array([np.clip(z0, 0.0, 1.0)])))[0])
        least = 0.5 * here / slope
    else:
        least = 0.002
    both = covariance[:2, :2] * np.outer([1.0, nominal], [1.0, nominal])
    return Alignment(
        z0,
        float(np.hypot(np.sqrt(max(covariance[0, 0], 0.0)), least)),
        nominal * scale,
        float(np.sqrt(max(both[1, 1], 0.0))),
        float(volt.max() - volt.min()),
        float(best.x[2]) * HYSTERESIS_SD_V if curve.flat else 0.0,
        both,
    )
