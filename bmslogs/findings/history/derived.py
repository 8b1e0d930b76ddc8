"""Quantities of a history that no single answer holds: charge at full, bleeding a week, heating as a share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.findings.history.gathered import Floats, Gathered, Told, middle, row_median

NATURAL_CAPACITY = 0.03
"""95 % half width of a cell's capacity against the pack's where no log tells it, fraction (judgement)."""
NEAREST = 3
"""Logs whose capacities carry a charge to full: those nearest in time (choice)."""
BLED_DAYS = 28.0
"""Bleeding is added up over four weeks: single weeks differ by how the vehicle was used (choice)."""


def offset_at_full(g: Gathered) -> Told | None:
    """Return by how much each cell is fuller than the pack's middle one at full charge [Ah].

    From what is still to be bled where a charge went to its end; else from the charge at the log's beginning, carried
    to full with the capacities that the pack's logs tell: a small cell lags at half charge without being unbalanced.
    """
    bled, start = (
        t if t is not None and t.columns else None for t in map(g.told.get, ("bleed_needed", "soc_offset"))
    )
    some = bled or start
    if some is None:
        return None
    value, half = (np.full((len(g.ids), len(some.columns)), np.nan) for _ in range(2))
    if start is not None:
        value, half = _carried(g, start)
    if bled is not None and bled.columns == some.columns:
        rest = bled.value - row_median(bled.value)[:, None]
        # the emptiest cell has nothing to be bled and no interval of its own: the middle one's stands in
        wide = np.fmax(bled.half, row_median(bled.half)[:, None])
        told = bled.tells[:, None] & np.isfinite(rest)
        value, half = np.where(told, rest, value), np.where(told, wide, half)
    tells = np.isfinite(value).any(axis=1)
    sources = [t for t in (start, bled) if t is not None]
    why = tuple(
        ""
        if tells[k]
        else next((t.why[k] for t in sources if t.why[k]), "") or "its charge at the beginning is open"
        for k in range(len(g.ids))
    )
    spoiled = np.logical_or.reduce([t.spoiled for t in sources if t.columns == some.columns])
    return Told(
        some.columns,
        value,
        value - half,
        value + half,
        np.full(value.shape, np.nan),
        some.conditions,
        why,
        spoiled,
    )


def _carried(g: Gathered, start: Told) -> tuple[Floats, Floats]:
    """Return the offset at the log's beginning carried to full, and its half width [Ah]."""
    size = np.zeros(start.value.shape)
    unsure = np.full(len(start.columns), NATURAL_CAPACITY)
    known = g.told.get("capacity_relative")
    if known is not None and known.columns == start.columns and np.isfinite(known.value).any():
        near = _nearest(g, known)
        size = np.where(np.isfinite(near), near - 1.0, 0.0)
        half = row_median(known.half.T)
        unsure = np.where(np.isfinite(half), half, NATURAL_CAPACITY)
    lack = 1.0 - _charge_at_start(g, start)[:, None]
    fraction = start.value * (1 + size) - size * lack
    half = np.hypot(start.half, unsure * lack)
    return fraction * g.pack.nominal_capacity_Ah, half * g.pack.nominal_capacity_Ah


def _nearest(g: Gathered, told: Told, count: int = NEAREST) -> Floats:
    """Return (logs, columns) the middle of the values that the logs nearest in time tell: a capacity may fall."""
    rows = np.flatnonzero(told.tells)
    if not rows.size:
        return np.full(told.value.shape, np.nan)
    days = (g.start - g.start[0]) / np.timedelta64(1, "D")
    near = np.argsort(np.abs(days[:, None] - days[rows][None, :]), axis=1, kind="stable")[:, :count]
    return middle(told.value[rows][near], 1)


def _charge_at_start(g: Gathered, told: Told) -> Floats:
    """Return (logs,) the charge of the pack's middle at the first row, 0..1; NaN where a log went both ways."""
    low, high = told.conditions["soc_low"], told.conditions["soc_high"]
    out = np.full(len(g.ids), np.nan)
    for k, kinds in enumerate(g.kinds):
        up, down = "charge" in kinds, "drive" in kinds
        out[k] = np.nan if up and down else low[k] if up else high[k] if down else (low[k] + high[k]) / 2
    return out


def bled_weekly(g: Gathered) -> Told | None:
    """Return each cell's commanded bleeding [Ah per week], one value a four weeks, at the last log of them.

    What was bled while the logger slept is in no log. The interval is that of a sum of unlike amounts: its variance
    is the sum of their squares, as if they came by chance (compound Poisson).
    """
    told = g.told.get("bleed_done")
    if told is None or not np.isfinite(told.value).any():
        return None
    rows = np.flatnonzero(told.tells)
    days = (g.start - g.start[rows[0]]) / np.timedelta64(1, "D")
    part = np.floor(days / BLED_DAYS)
    value, half = (np.full(told.value.shape, np.nan) for _ in range(2))
    for k in np.unique(part[rows]):
        here = rows[part[rows] == k]
        weeks = min(BLED_DAYS, float(days[-1]) - k * BLED_DAYS) / 7.0
        if weeks < BLED_DAYS / 14.0:  # less than half of the four weeks has gone by
            continue
        amounts = np.nan_to_num(told.value[here])
        value[here[-1]] = amounts.sum(axis=0) / weeks
        own = 1.96 * np.sqrt((amounts**2).sum(axis=0)) / weeks
        half[here[-1]] = np.maximum(own, max(float(np.median(own)), 1e-3))
    why = tuple("" if t else w for t, w in zip(told.tells, told.why, strict=True))
    return Told(
        told.columns, value, np.maximum(value - half, 0.0), value + half, told.temperature, told.conditions, why,
        told.spoiled,
    )  # fmt: skip


def heating_share(g: Gathered) -> Told | None:
    """Return how much more each sensor's place warms per ampere squared, as a share of the pack's middle."""
    told = g.told.get("heating")
    if told is None:
        return None
    middle = told.conditions["middle"][:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(middle > 0, 1.0 / middle, np.nan)
    return Told(
        told.columns,
        told.value * scale,
        told.low * scale,
        told.high * scale,
        told.temperature,
        told.conditions,
        told.why,
        told.spoiled,
    )


def counted_up(
    g: Gathered, drawn: str, charged: str
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return (logs,) what was drawn and what was charged up to the end of each log; NaN for logs that lack it."""
    out = []
    for name in (drawn, charged):
        each = g.counters.get(name, np.full(len(g.ids), np.nan))
        out.append(np.where(np.isfinite(each), np.cumsum(np.nan_to_num(each)), np.nan))
    return out[0], out[1]
