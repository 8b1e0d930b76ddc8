"""What other columns say of the clock: order of the date's parts, the zone, and the fraction of the second."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bmslogs.importers.plan.clock import Fraction, Steady
from bmslogs.importers.recognise.numeric_time import (
    ELAPSED,
    Counted,
    is_named,
    readings,
    track,
    unit_of,
)
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.stamps import MISSING, match_stamp, parse_one
from bmslogs.importers.text.words import Header

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
SECOND = 1_000_000
QUARTER = 900 * SECOND
FARTHEST_ZONE = 14.5 * 3600 * SECOND
"""[us]: no zone of the IANA database is further from UTC than 14 h."""
LEAST_UNNAMED = 1e9
"""Seconds since 1970 of 2001: a smaller number under a header that speaks of no time is none."""
COMPARED = 60
"""Choice: as many rows of the sample are compared."""
TWINS = 0.02
"""Choice: with fewer rows that share a stamp no fraction is looked for."""


def epochs_beside(sample: Sample, headers: list[Header], taken: tuple[int, ...]) -> list[tuple[int, Counted]]:
    """Return the other columns that count since 1970, or a spreadsheet's days, with what they count."""
    out = []
    for c in sample.columns:
        if c.index in taken or c.style is None or c.filled < 0.5 * sample.rows:
            continue
        named = is_named(headers[c.index])
        if not named and not np.nan_to_num(c.values[:1])[0] >= LEAST_UNNAMED:
            continue
        t = track(c, sample)
        if t is None or t.rising < 0.9 or not t.span:
            continue
        found = readings(t, unit_of(headers[c.index]), named)
        if len(found) == 1 and found[0].absolute:
            out.append((c.index, found[0]))
    return out


def counts_beside(
    sample: Sample, headers: list[Header], taken: tuple[int, ...], rows: Int64s
) -> list[Int64s]:
    """Return what other columns count since a start, at some rows of the sample [us]."""
    out = []
    for c in sample.columns:
        if (
            c.index in taken
            or c.style is None
            or c.filled < 0.95 * sample.rows
            or not is_named(headers[c.index])
        ):
            continue
        t = track(c, sample)
        if t is None or t.rising < 0.99 or not t.span:
            continue
        found = readings(t, unit_of(headers[c.index]), True)
        if len(found) == 1 and not found[0].absolute:
            out.append(counted_us(c, found[0], rows))
    return out


def runs_with(us: Int64s, other: Int64s) -> bool:
    """Whether a clock and a count go on together, to an hour of a change to summer time."""
    ahead = apart(us, other)
    return len(ahead) > 1 and float(np.ptp(ahead)) <= 3700 * SECOND


def counted_us(column: SampledColumn, counted: Counted, rows: Int64s) -> Int64s:
    """Return what a column of numbers says at some rows of the sample [us]."""
    values = column.values[rows]
    good = np.isfinite(values)
    seconds = np.where(good, values, 0.0) * counted.scale + counted.offset
    return np.where(good, np.rint(seconds * SECOND).astype(np.int64), MISSING)


def text_us(column: SampledColumn, order: str, rows: Int64s) -> Int64s:
    """Return what a column of stamps says at some rows of the sample [us]."""
    texts = column.array.take(_indices(rows)).to_pylist()
    return np.array([parse_one(t, order) if t else MISSING for t in texts], dtype=np.int64)


def zoned(column: SampledColumn, order: str) -> bool:
    """Whether the stamps of a column carry their zone."""
    return any(m.groupdict().get("z") for t in column.examples(1) if (m := match_stamp(t, order)) is not None)


def compared_rows(sample: Sample) -> Int64s:
    """Return rows over the whole sample."""
    return np.unique(np.linspace(0, max(sample.rows - 1, 0), COMPARED).astype(np.int64))


def apart(us: Int64s, other: Int64s) -> Int64s:
    """Return by how much one clock is ahead of another, where both say something [us]."""
    good = (us != MISSING) & (other != MISSING)
    return np.asarray((us - other)[good], dtype=np.int64)


def same_days(us: Int64s, other: Int64s) -> bool:
    """Whether two clocks may be one moment in two zones, nearly all the time."""
    ahead = apart(us, other)
    return len(ahead) > 0 and float(np.mean(np.abs(ahead) <= FARTHEST_ZONE)) > 0.8


def zone_between(us: Int64s, other: Int64s, coarse: int) -> int | None:
    """Return the zone in which `us` runs ahead of UTC [us]; None where it is no zone, or not always the same one."""
    ahead = apart(us, other)
    if len(ahead) < 2 or float(np.mean(np.abs(ahead) <= FARTHEST_ZONE)) < 0.8:
        return None
    zone = int(np.rint(np.median(ahead) / QUARTER)) * QUARTER
    near = np.abs(ahead - zone) <= coarse + 5 * SECOND
    return zone if float(near.mean()) > 0.95 else None


def coarseness(us: Int64s, sample: Sample) -> int:
    """Return the step of stamps that several rows share: a second or a minute [us]; 0 where hardly any does."""
    known = us[us != MISSING]
    if len(known) < 20 or (known % SECOND).any():
        return 0
    same = (np.diff(us) == 0) & (np.diff(sample.window) == 0) & (us[1:] != MISSING)
    if float(same.mean()) < TWINS:
        return 0
    return SECOND if (known % (60 * SECOND)).any() else 60 * SECOND


def find_fraction(
    sample: Sample, headers: list[Header], taken: tuple[int, ...], us: Int64s
) -> Fraction | None:
    """Find a column that parts the rows of a stamp: a counter that runs with the clock, or milliseconds of the second.

    Parameters
    ----------
    taken
        The clock's own columns.
    us
        Stamps of the sample's rows.
    """
    coarse = coarseness(us, sample)
    if not coarse:
        return None
    found = (
        _part(c, headers[c.index], us, sample, coarse) or _running(c, us, coarse)
        for c in _full(sample, taken)
    )
    return next((one for one in found if one is not None), None)


def _full(sample: Sample, taken: tuple[int, ...]) -> Iterator[SampledColumn]:
    """Yield the columns of numbers that have one in nearly every row, but those taken."""
    for c in sample.columns:
        if c.index not in taken and c.style is not None and c.filled >= 0.95 * sample.rows:
            yield c


def _part(c: SampledColumn, head: Header, us: Int64s, sample: Sample, coarse: int) -> Fraction | None:
    unit = unit_of(head)
    scale = {"ms": 1e3, "us": 1.0}.get(unit or "")
    good = np.isfinite(c.values) & (us != MISSING)
    if scale is None or coarse != SECOND or good.mean() < 0.95:
        return None
    part = c.values[good] * scale
    if part.min() < 0 or part.max() >= SECOND or np.ptp(part) < 0.2 * SECOND:
        return None
    step = np.diff(us[good] + np.rint(part).astype(np.int64))[np.diff(sample.window[good]) == 0]
    twin = (np.diff(us[good]) == 0)[np.diff(sample.window[good]) == 0]
    if not twin.any() or float(np.mean(step[twin] > 0)) < 0.98 or float(np.mean(step >= 0)) < 0.95:
        return None
    return Fraction(c.index, scale, 0, False, coarse)


def _running(c: SampledColumn, us: Int64s, coarse: int) -> Fraction | None:
    """Fit stamp <= value * scale + offset < stamp + its step, with the nominal scale or one that drifts a little."""
    good = np.isfinite(c.values) & (us != MISSING)
    if good.sum() < 20:
        return None
    values, stamps = c.values[good], us[good]
    span = float(np.ptp(values))
    if span <= 0 or np.ptp(stamps) < 3 * coarse:
        return None
    nought = int(stamps[0])
    since = (stamps - nought).astype(np.float64)
    slope = float(np.polyfit(values - values[0], since, 1)[0])
    nominal = next((s * 1e6 for _, s in ELAPSED if abs(slope / (s * 1e6) - 1) < 0.05), None)
    if nominal is None:
        return None
    for scale in (nominal, slope):
        if abs(scale / nominal - 1) > 1e-3:
            continue
        ahead = since - values * scale
        low, high = float(ahead.max()), float(ahead.min()) + coarse
        # besides the stamp's step the rounding of the count
        if low <= high + max(0.02 * coarse, 10.0**-c.decimals * nominal):
            return Fraction(c.index, scale, nought + round(low), True, coarse)
    return None


def find_steady(
    sample: Sample, headers: list[Header], taken: tuple[int, ...], us: Int64s, first: int, end: int
) -> Steady | None:
    """Find a count that rises through the whole log and runs with the stamps of the clock while that is set.

    Parameters
    ----------
    taken
        The clock's own columns.
    us
        Stamps of the sample's rows.
    first, end
        Between them a clock was set [us].
    """
    known = (us >= first) & (us < end)
    if known.sum() < 20:
        return None
    coarse = SECOND if not (us[known] % SECOND).any() else 1000
    for c in _full(sample, taken):
        if not is_named(headers[c.index]):
            continue
        values = c.values[np.isfinite(c.values)]
        if len(values) < 20 or (np.diff(values) < 0).any() or values[-1] == values[0]:
            continue
        found = _running(c, np.where(known, us, MISSING), coarse)
        if found is not None:
            middle = 0 if coarse == SECOND else -coarse // 2
            return Steady(c.index, found.scale, found.offset + middle, first, end)
    return None


def _indices(rows: Int64s) -> object:
    from bmslogs.importers.text.arrow import arrow_numbers

    return arrow_numbers(rows)
