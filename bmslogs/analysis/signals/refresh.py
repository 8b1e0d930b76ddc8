"""How often each channel is read anew: loggers that renew a few channels a row leave the others as they were.

Where the load steps, a reading that is new differs from the one before; one that is only repeated does not. So the
rows in which the current steps tell the share of the rows in which a channel is new, and channels that change in the
same rows are read in the same turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

STEPS = 4.0
"""The load's own drop must change by so many steps of the readings from row to row to prove a repeated one (choice)."""
LEAST_ROWS = 40
NEW_SHARE = 0.6
"""A channel that is new in more of the rows is not read in turns (choice)."""
SAME_TURN = 0.5
"""Two channels that change together in more of their changes belong to one turn (choice)."""
LEAST_PERIOD_S = 1.5
"""Turns that come round faster are a scan (choice)."""


@dataclass(frozen=True)
class Turns:
    """Channels that are read in turns.

    Attributes
    ----------
    groups
        Columns of each turn.
    fresh
        (rows, turns) True where the channels of a turn were read anew.
    period_s
        Usual time from one reading of a channel to its next [s].
    """

    groups: tuple[Ints, ...]
    fresh: Bools
    period_s: float


def find_turns(
    volts: Floats, current: Floats, seconds: Floats, step_V: float, usual_ohm: float
) -> Turns | None:
    """Find channels that are read in turns; None where all are read together, or where no load tells.

    Parameters
    ----------
    volts
        (rows, cells) as they were read [V].
    current
        (rows,) [A], NaN where not known.
    step_V, usual_ohm
        Step of the readings [V]; rough resistance of a cell [ohm].
    """
    if len(volts) < 4 * LEAST_ROWS or volts.shape[1] < 2:
        return None
    with np.errstate(invalid="ignore"):
        stepped = np.flatnonzero(np.abs(np.diff(current)) * usual_ohm > STEPS * step_V) + 1
    if len(stepped) < LEAST_ROWS:
        return None
    # a fair sample of them tells whether anything is to be found
    some = stepped[:: max(1, len(stepped) // 2000)]
    share = (volts[some] != volts[some - 1]).mean(axis=0)
    if np.median(share) > NEW_SHARE:
        return None
    changed = np.zeros(volts.shape, bool)
    with np.errstate(invalid="ignore"):
        changed[1:] = (np.diff(volts, axis=0) != 0) & ~np.isnan(volts[1:])
    # loads that step in time with the turns would hide some of them: all changes count from here on
    groups = _together(changed, np.asarray(changed.any(axis=0), bool))
    if len(groups) < 2:
        return None
    fresh = np.stack([changed[:, g].any(axis=1) for g in groups], axis=1)
    gaps = np.concatenate([np.diff(seconds[f]) for f in fresh.T])
    period = float(np.median(gaps)) if len(gaps) else 0.0
    if period < LEAST_PERIOD_S:
        return None
    fresh[0] = True
    return Turns(tuple(groups), fresh, period)


def _together(changed: Bools, live: Bools) -> list[Ints]:
    """Return the columns of each turn: channels most of whose changes fall on the same rows."""
    count = changed.sum(axis=0)
    marks = changed.astype(np.float32)
    both = marks.T @ marks
    alike = both > SAME_TURN * np.minimum.outer(count, count).clip(min=1)
    left = live.copy()
    out = []
    while left.any():
        seed = int(np.argmax(np.where(left, count, -1)))
        members = np.flatnonzero(left & alike[seed])
        members = np.union1d(members, [seed])
        left[members] = False
        out.append(members)
    # one that never changes is read in any of them
    still = np.flatnonzero(~live)
    if len(still) and out:
        out[0] = np.union1d(out[0], still)
    return out


def held_straight(volts: Floats, seconds: Floats, turns: Turns) -> Floats:
    """Return readings with what was only repeated replaced by a straight line between readings that are new [V]."""
    out = volts.copy()
    for group, fresh in zip(turns.groups, turns.fresh.T, strict=True):
        at = seconds[fresh]
        for i in group:
            v = volts[fresh, i]
            good = ~np.isnan(v)
            if good.sum() >= 2:
                out[:, i] = np.interp(seconds, at[good], v[good])
    return out


def carried(volts: Floats, seconds: Floats, fresh: Bools, groups: tuple[Ints, ...], drop: Floats) -> Floats:
    """Return readings as if all had been read at once [V], each carried between its own moments.

    What the load takes off follows the load; the rest, an open-circuit voltage, goes straight from reading to reading.

    Parameters
    ----------
    volts, drop
        (samples, cells) readings, and what the load takes off each cell's voltage [V].
    seconds
        (samples,) [s].
    fresh, groups
        (samples, turns) True where the channels of a turn were read anew, and the columns of each turn.
    """
    out = volts.copy()
    for group, new in zip(groups, fresh.T, strict=True):
        at = np.flatnonzero(new)
        for i in group:
            out[:, i] = np.interp(seconds, seconds[at], volts[at, i] + drop[at, i]) - drop[:, i]
    return out
