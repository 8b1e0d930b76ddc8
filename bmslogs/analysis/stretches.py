"""What the pack was doing: drive, charge, rest, parked; and the current's reading when nothing flows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.base.nan_statistics import nanmax, nanmean, nanmedian
from bmslogs.base.results import Kind

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

REST_C_RATE = 1 / 200
"""Below this share of the nominal capacity per hour the pack rests (judgement: common practice, no source)."""
REST_LEAST_S = 120.0
"""A shorter pause belongs to the drive or charge around it (choice)."""
CHARGE_LEAST_S = 240.0
"""Current flows in for this long without a pause: a charge, not regeneration downhill (choice)."""
IDLE_SHARE = 0.1
"""Less than this share of a charge's current beside it is no drive of its own (choice)."""
ZERO_NEAR, ZERO_FAR = 0.03, 0.25
"""A sensor's zero lies within the first as a rule and seldom beyond the second, where charges stand, as a share of the
capacity per hour (judgement, no source)."""
CROSSED_C_RATE = 0.05
"""A current that comes back to nought swings this far beyond it both ways, as a share of the capacity per hour
(choice)."""
LEVELS = 2
"""Levels at which the current stands that are looked at within each of these (choice)."""
SELDOM_S, NOISES, STANDING_SHARE = 2.0, 1.5, 0.5
"""Where rows are further apart [s], the share of them that must read within so many noises of a level at which the
current stands (choice)."""
PARKED_LEAST_S = 6 * 3600.0
"""A rest of this length is a parked vehicle (choice)."""


@dataclass(frozen=True)
class Stretch:
    """Rows ``first`` to ``last`` (inclusive) in which the pack did one thing."""

    kind: Kind
    first: int
    last: int

    @property
    def rows(self) -> slice:
        """The rows as a slice."""
        return slice(self.first, self.last + 1)


def smooth(values: Floats, seconds: Floats, window_s: float) -> Floats:
    """Return the running mean of `values` over a centred window of `window_s`; NaN counts as missing."""
    good = ~np.isnan(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(good, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(good)])
    low = np.searchsorted(seconds, seconds - window_s / 2, side="left")
    high = np.searchsorted(seconds, seconds + window_s / 2, side="right")
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((total[high] - total[low]) / (count[high] - count[low]), float)


@dataclass(frozen=True)
class Still:
    """A level at which the current stands still, time and again.

    Attributes
    ----------
    amps
        The level [A].
    rows
        (rows,) True where the current stays within `REST_C_RATE` of it.
    seconds
        For how long in all [s].
    visits
        How many times it came back to it.
    """

    amps: float
    rows: Bools
    seconds: float
    visits: int


def current_at_rest(current: Floats, seconds: Floats, capacity: float) -> tuple[float, Bools]:
    """Find the reading of the current sensor when nothing flows, by the current alone.

    The commonest smoothed value near nought that hardly changes; a pack that never rests has none.

    Returns
    -------
    zero
        Reading at rest [A]; 0.0 where the log has no rest.
    quiet
        (rows,) True where the current stays within `REST_C_RATE` of it.
    """
    near = [s for s in still_levels(current, seconds, capacity) if abs(s.amps) < ZERO_NEAR * capacity]
    return (near[0].amps, near[0].rows) if near else (0.0, np.zeros(len(current), bool))


def still_levels(current: Floats, seconds: Floats, capacity: float) -> list[Still]:
    """Return levels at which the current stands still: those near nought first, the commonest first among each.

    A sensor's zero is off by some per cent of its range as a rule, but it may be off by any amount, and a load may
    stand near nought as well: which it is the current alone does not say.
    """
    window = max(20.0, 7.5 * float(np.median(np.diff(seconds)))) if len(seconds) > 1 else 20.0
    level = smooth(current, seconds, window)
    spread = np.sqrt(np.maximum(smooth(current**2, seconds, window) - level**2, 0.0))
    # where the sensor is noisier than that, the mean over the window may wander a little further
    quick = 1.4826 * float(nanmedian(np.abs(np.diff(current)))) / np.sqrt(2.0) if len(current) > 2 else 0.0
    usual = float(np.median(np.diff(seconds))) if len(seconds) > 1 else 1.0
    noise = min(quick, 0.02 * capacity)
    if usual > SELDOM_S:  # from row to row the current itself moves: the rows that hardly do tell the noise
        noise = min(noise, _stillest(current))
    rest = max(capacity * REST_C_RATE, 0.05, 4.0 * noise / np.sqrt(max(window / usual, 1.0)))
    steady = spread < max(4 * rest, 0.02 * capacity)
    out: list[Still] = []
    for most in (ZERO_NEAR, ZERO_FAR, np.inf):
        if max((s.seconds for s in out), default=0.0) > 0.25 * (seconds[-1] - seconds[0]):
            break  # none further off can stand far longer
        left = (np.abs(level) < most * capacity) & steady
        for still in out:
            left &= np.abs(level - still.amps) > 2.0 * rest
        for _ in range(LEVELS):
            if left.sum() < 10:
                break
            found = _commonest(level, left, rest, seconds, steady)
            if usual <= SELDOM_S or _stands(current, found, max(rest, NOISES * noise)):
                out.append(found)
            left &= np.abs(level - found.amps) > 2.0 * rest
    return out


def _stillest(current: Floats) -> float:
    """Return the sensor's noise [A] by the rows that change least: a tenth of them is taken to stand still."""
    change = np.abs(np.diff(current))
    change = change[np.isfinite(change)]
    if not len(change):
        return np.inf
    normal_tenth = 0.1257  # of a normal law a tenth lies within so many standard deviations
    return float(np.quantile(change, 0.1) / (normal_tenth * np.sqrt(2.0)))


def _stands(current: Floats, found: Still, most: float) -> bool:
    """Whether the rows themselves read near a level: the mean of a drive that is logged seldom stands as a rest does.

    In quicker logs what moves from row to row is the sensor's noise, however large, and the mean is enough.
    """
    return bool((np.abs(current[found.rows] - found.amps) <= most).mean() >= STANDING_SHARE)


def _commonest(level: Floats, left: Bools, rest: float, seconds: Floats, steady: Bools) -> Still:
    values = level[left]
    edges = np.arange(values.min() - rest, values.max() + 2 * rest, rest)
    counts, edges = np.histogram(values, edges)
    top = int(np.argmax(counts))
    inside = left & (level >= edges[top] - rest / 2) & (level <= edges[top + 1] + rest / 2)
    zero = float(np.median(level[inside]))
    quiet = _closed(steady & (np.abs(level - zero) <= rest), level - zero, seconds, 3 * rest)
    runs = [(a, b) for a, b in _runs(quiet) if b > a]
    return Still(zero, quiet, float(sum(seconds[b] - seconds[a] for a, b in runs)), len(runs))


def _closed(quiet: Bools, level: Floats, seconds: Floats, most: float) -> Bools:
    """Count a short stir between two quiet spells, such as noise makes, as quiet."""
    out = quiet.copy()
    longest = max(120.0, 6.5 * float(np.median(np.diff(seconds)))) if len(seconds) > 1 else 120.0
    for a, b in _runs(~quiet):
        inside = a > 0 and b < len(quiet) - 1
        if inside and seconds[b] - seconds[a] < longest and nanmax(np.abs(level[a : b + 1])) < most:
            out[a : b + 1] = True
    return np.asarray(out, bool)


def _runs(mask: Bools) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return list(zip(edge[::2].tolist(), (edge[1::2] - 1).tolist(), strict=True))


def stretches(
    seconds: Floats, current: Floats, quiet: Bools, section: npt.NDArray[np.int64]
) -> list[Stretch]:
    """Part a log into stretches.

    Parameters
    ----------
    seconds, current
        (rows,) [s], [A].
    quiet
        (rows,) True where the pack rests, from `current_at_rest`.
    section
        (rows,) number of the section between long pauses.
    """
    out: list[Stretch] = []
    for number in range(int(section[-1]) + 1 if len(section) else 0):
        rows = np.flatnonzero(section == number)
        first, last = int(rows[0]), int(rows[-1])
        rests = [
            (first + a, first + b)
            for a, b in _runs(quiet[first : last + 1])
            if seconds[first + b] - seconds[first + a] >= REST_LEAST_S or (a == 0 and b == last - first)
        ]
        at = first
        for a, b in [*rests, (last + 1, last + 1)]:
            if a > at:
                acts = _activities(seconds, current, at, a - 1)
                # what idles beside a charge belongs to the rest beside that
                if len(acts) > 1 and acts[-1].kind == "rest" and a <= last:
                    a = acts.pop().first
                if len(acts) > 1 and acts[0].kind == "rest" and at > first:
                    out[-1] = _rest(seconds, out[-1].first, acts.pop(0).last)
                out += acts
            if b >= a and a <= last:
                out.append(_rest(seconds, a, b))
            at = b + 1
    return out


def _rest(seconds: Floats, first: int, last: int) -> Stretch:
    long = seconds[last] - seconds[first] >= PARKED_LEAST_S
    return Stretch("parked" if long else "rest", first, last)


def _activities(seconds: Floats, current: Floats, first: int, last: int) -> list[Stretch]:
    """Part what lies between two rests into drives and charges: a charge takes current in for minutes on end."""
    part = current[first : last + 1]
    known = part[~np.isnan(part)]
    if not len(known):
        return [Stretch("rest", first, last)]
    noise = 0.01 * float(np.max(np.abs(known)))
    out: list[Stretch] = []
    at = first
    for a, b in _runs(~(part > noise)):
        inside = part[a : b + 1]
        long = seconds[first + b] - seconds[first + a] >= CHARGE_LEAST_S or (
            a == 0 and b == last - first and b > a
        )
        level = float(nanmean(inside)) if long else 0.0
        if level < -3 * noise and (inside < -noise).mean() > 0.8:
            if first + a > at:
                idle = _idles(seconds, current, at, first + a - 1, level)
                out.append(Stretch("rest" if idle else "drive", at, first + a - 1))
            out.append(Stretch("charge", first + a, first + b))
            at = first + b + 1
            if at <= last and _idles(seconds, current, at, last, level):
                out.append(Stretch("rest", at, last))
                at = last + 1
    if at <= last:
        out.append(Stretch("drive", at, last))
    return out


def _idles(seconds: Floats, current: Floats, first: int, last: int, level: float) -> bool:
    """Whether rows beside a charge of `level` [A] are too few for a rest, and hold no more than a sensor's noise."""
    if seconds[last] - seconds[first] >= REST_LEAST_S:
        return False
    return bool(nanmax(np.abs(current[first : last + 1])) < IDLE_SHARE * abs(level))


def kinds(parts: list[Stretch]) -> list[Kind]:
    """Return the kinds that occur, in the order of the vocabulary."""
    have = {p.kind for p in parts}
    order: tuple[Kind, ...] = ("drive", "rest", "charge", "parked")
    return [k for k in order if k in have]
