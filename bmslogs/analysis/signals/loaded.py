"""Rows under load and a while after, and how lively a load is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.stretches import Stretch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

REST_AFTER_LOAD_S = 900.0
"""A quarter of an hour after a load its slow part still relaxes and is told by that (choice)."""
CHANGE_SHARE, CHANGE_WITHIN_S = 0.1, 10.0
"""A change of the load is this share of the largest current within so many seconds (choice)."""
PULL_MOST_S = 120.0
"""In so long a pull the open-circuit voltage hardly moves (choice)."""


def loaded_rows(parts: Sequence[Stretch], kind: str, seconds: Floats, at_rest: Bools, section: Ints) -> Bools:
    """Return (rows,) True in stretches of a kind and in the rest that follows each, a quarter of an hour of it.

    Parameters
    ----------
    parts
        What the pack was doing.
    seconds, at_rest, section
        (rows,) time [s], True where nothing flows, number of the section: what follows a pause is no rest after a load.
    """
    out = np.zeros(len(seconds), bool)
    for part in parts:
        if part.kind != kind:
            continue
        last = int(np.searchsorted(seconds, seconds[part.last] + REST_AFTER_LOAD_S))
        end = part.last + 1
        while end < last and at_rest[end] and section[end] == section[part.last]:
            end += 1
        out[part.first : end] = True
    return out


def load_changes(current: Floats, seconds: Floats, interval: float, faint_A: float) -> int:
    """Return how often the current changes by a fair share of its largest within a short while; ramps of hours do not.

    A pull that is over within two minutes is two changes, however slowly it rose and fell.

    Parameters
    ----------
    current, seconds
        (rows,) [A], NaN where not known, and [s].
    interval
        Usual interval between rows [s].
    faint_A
        A change of no more than this is what a sensor reads of nothing [A].
    """
    known = np.nan_to_num(current)
    least = CHANGE_SHARE * float(np.abs(known).max(initial=0.0))
    if not least > faint_A:
        return 0
    before = np.searchsorted(seconds, seconds - max(CHANGE_WITHIN_S, 2.0 * interval))
    away = np.abs(known - known[before]) > least
    first = np.flatnonzero(away & ~np.r_[False, away[:-1]])
    last = np.flatnonzero(away & ~np.r_[away[1:], False])
    back = np.abs(known[last] - known[before[first]]) < least
    return len(first) + int((back & (seconds[last] - seconds[first] < PULL_MOST_S)).sum())
