"""Which slopes are said: beyond chance over all lines of the pack, of a size that matters, no single log's doing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from bmslogs.findings.history.gathered import Floats
from bmslogs.findings.history.strands import Strands

LEVEL = 0.01
"""Chance that a pack without any drift is told one, over all its cells and quantities."""
YEAR_MONTHS = 12.0
MOST_UNSURE = 3.0
"""A time ahead is told where its later end is at most so many times its earlier (judgement)."""


def weighed(strands: Mapping[str, tuple[Strands, ...]], capacity_Ah: float) -> dict[str, tuple[Strands, ...]]:
    """Return the strands with their claims filled in.

    Holm's step-down test (Scand. J. Stat. 6 (1979) 65) over all lines of all topics at 1 % a pack; a drift that is
    too small to matter within a year is none, and one that a single period made is none.
    """
    every = [s for group in strands.values() for s in group]
    p = np.concatenate([s.p for s in every]) if every else np.zeros(0)
    sure = holm(p, LEVEL)
    out: dict[str, tuple[Strands, ...]] = {}
    at = 0
    for key, group in strands.items():
        made = []
        for s in group:
            mine = sure[at : at + len(s.p)]
            at += len(s.p)
            made.append(s.claimed(mine & s.steady & matters(s, capacity_Ah)))
        out[key] = tuple(made)
    return out


def holm(p: Floats, level: float) -> np.ndarray:
    """Return which hypotheses fall at a family-wise level; NaN is not a test."""
    out = np.zeros(len(p), bool)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known])]
    for k, index in enumerate(order):
        if p[index] > level / (len(order) - k):
            break
        out[index] = True
    return out


def size_of(s: Strands, capacity_Ah: float) -> float:
    """Return the size that matters [unit of the strands]; of the pack's own line, a fraction of its level."""
    size = s.topic.size(capacity_Ah)
    if s.columns == (None,) and s.against is None and not s.topic.least_per_Ah and np.isfinite(s.level[0]):
        return size * abs(float(s.level[0]))
    return size


def matters(s: Strands, capacity_Ah: float) -> np.ndarray:
    """Return (columns,) whether the slope's far bound comes to the size that matters within a year."""
    far = np.fmax(np.abs(s.slope_low), np.abs(s.slope_high)) * YEAR_MONTHS
    return np.asarray(np.nan_to_num(far) >= size_of(s, capacity_Ah))


@dataclass(frozen=True)
class Ahead:
    """When a line comes to a level: months from its last log, with the interval's ends; nought where it is past."""

    months: float
    soonest: float
    latest: float


def time_to(
    level: float, target: float, slope: float, low: float, high: float, most_months: float
) -> Ahead | None:
    """Return when a line at `level` comes to `target`, None where that cannot be said.

    Not said where the line goes the other way, where the interval of the time is wider than threefold, or further
    ahead than the logs reach back, `most_months`.
    """
    way = np.sign(slope)
    left = (target - level) * way
    if left <= 0:
        return Ahead(0.0, 0.0, 0.0)
    fast, slow = max(abs(low), abs(high)), min(abs(low), abs(high))
    if low * high <= 0 or left / slow > MOST_UNSURE * left / fast or left / abs(slope) > most_months:
        return None
    return Ahead(left / abs(slope), left / fast, left / slow)
