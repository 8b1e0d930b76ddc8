"""Resistance from single clean steps of the current: after a rest or a steady load, before a steady load or a rest.

A current that holds, steps, and holds again tells the resistance by itself, as a pulse test does:

    R(10 s) = -(V(t0 + 10 s) - V(t0 + 10 s | no step)) / dI - u' 10 s / (3600 Q)

with t0 the moment of the step (of a ramp, where half of its charge has flowed), dI its size, the voltage without the
step gone on as it went before, and u' the slope of the open-circuit curve over the charge, Q the capacity [Ah]
(the pulse method of ISO 12405-4 and the two-step method of IEC 61960; the slope's part as Pillai et al. 2025,
arXiv:2505.06410, treat it). Each value is a mean over several seconds, so that rounding and noise weigh less; what the
fall grows by over that time is taken from the string, in proportion.

Judgement: all windows, least sizes and floors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import t_factor
from bmslogs.analysis.rounding import lasting_error
from bmslogs.base.nan_statistics import nanmean, nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

PULSE_S = 10.0
STEADY_S, AFTER_S = 9.5, 7.4
"""The current must hold this long before a step, and from its middle to the last row after it [s]: of a pulse of 10 s
rows further apart show less."""
RAMP_MOST_S = 15.0
LEAST_C_RATE, LEAST_NOISES = 0.03, 8.0
"""Least step, as a share of the capacity per hour and in noises of the current."""
WANDER = 0.06
"""The current may wander by this share of the step while it "holds"."""
BEFORE_S, WINDOW_S, EARLY_S, LATE_S = 40.0, (5.0, 20.0), (1.5, 4.5), (45.0, 80.0)
"""Seconds before the step that tell the level, and after it those that tell the fall at 10 s, early and late."""
GUARD_S, LAG_SD_S = 2.0, 0.4
"""How far current and voltages are read apart [s], at most where rows are close, and one sd."""
USUAL_GROWTH = 0.12
"""Growth of the fall per unit of the logarithm of time, as a share of it, where a log does not show it."""
SLOPE_ERROR, RELATIVE_FLOOR = 0.4, 0.003
"""How well the slope of the curve is known, as a fraction, and what one step leaves of every ratio (one sd)."""
MOST_TREND = 0.3
"""A string that moved by more than this share of the fall in as much time before the step is not read there."""
KNEE_SHARE = 0.1
"""By which share the resistances of two cells differ whose slopes differ by e (choice, one sd)."""
MOST_LATE = 0.35
"""Nor one that still moves by more than this share of the fall in as much time, up to a minute after: it stands on a
knee (choice)."""
MOST_STEPS = 24


@dataclass(frozen=True)
class Step:
    """A clean step: rows that hold before it and after it, its moment [s] and its size [A]."""

    before: slice
    after: slice
    moment: float
    amps: float
    ramp_s: float


@dataclass(frozen=True)
class Readings:
    """What the steps are read from.

    Attributes
    ----------
    seconds, current, volts
        (rows,) [s], (rows,) [A], NaN where missing, (rows, cells) [V].
    interval_s, refresh_s
        Time between rows, and between new voltages [s].
    voltage_step
        Step of the voltages [V].
    trusted
        (cells,) cells whose readings count.
    disturbed
        (rows, cells) True where a reading moves for another reason (bleeding); None for nowhere.
    """

    seconds: Floats
    current: Floats
    volts: Floats
    interval_s: float
    refresh_s: float
    voltage_step: float
    trusted: Bools
    disturbed: Bools | None = None


@dataclass(frozen=True)
class StepFit:
    """What the steps of a log say.

    Attributes
    ----------
    ohm
        (cells,) resistance 10 s after a step [ohm].
    common_se
        What all cells share of its error, as a fraction.
    relative, relative_se
        (cells,) ratio to the median of the trusted cells, standard error.
    growth, growth_se
        (cells,) by how much more the fall grows from a few seconds to a minute than the middle cell's, as a fraction,
        standard error; NaN where no step lasts so long.
    steps
        The steps.
    amps
        Their usual size [A].
    """

    ohm: Floats
    common_se: float
    relative: Floats
    relative_se: Floats
    growth: Floats
    growth_se: Floats
    steps: list[Step]
    amps: float

    @property
    def middle(self) -> float:
        """Resistance of the middle cell [ohm]."""
        return float(nanmedian(self.ohm / self.relative))


@dataclass(frozen=True)
class _Read:
    """One step as read: falls per ampere [ohm] with standard errors, and what all cells share.

    `growth_apart` is what a cell adds to its growth by moving otherwise than the string before the step, (cells,).
    """

    ohm: Floats
    se: Floats
    shared: float
    growth: Floats
    growth_se: float
    growth_shared: float
    growth_apart: Floats


def clean_steps(
    seconds: Floats, current: Floats, section: Ints, capacity: float, interval: float | None = None
) -> list[Step]:
    """Find the steps of a current that holds before and after.

    Parameters
    ----------
    seconds, current, section
        (rows,) [s], [A] (NaN where missing), number of the section between pauses.
    capacity
        [Ah].
    interval
        Usual interval between rows [s]; None: their median.
    """
    if len(seconds) < 4:
        return []
    interval = float(np.median(np.diff(seconds))) if interval is None else interval
    jump = np.abs(np.diff(current))
    quick = 1.4826 * float(nanmedian(jump)) / np.sqrt(2.0) if np.isfinite(jump).any() else 0.0
    noise = min(quick, 0.02 * capacity)
    past = _holds(
        seconds, current, section, noise, capacity, -(np.ceil(STEADY_S / interval) + 0.2) * interval
    )
    window = (max(np.floor(AFTER_S / interval + 1e-6), 1.0) + 0.2) * interval
    coming = np.flatnonzero(_holds(seconds, current, section, noise, capacity, window))
    out: list[Step] = []
    for a in np.flatnonzero(past[:-1] & ~past[1:]):
        place = int(np.searchsorted(coming, a + 1))
        if place == len(coming) or section[coming[place]] != section[a]:
            continue
        b = int(coming[place])
        if seconds[b] - seconds[a] <= max(RAMP_MOST_S, 1.5 * interval):
            one = _step(seconds, current, section, int(a), b, noise, interval)
            if one is not None and abs(one.amps) > max(LEAST_C_RATE * capacity, LEAST_NOISES * noise):
                out.append(one)
    out.sort(key=lambda s: -abs(s.amps))
    return sorted(out[:MOST_STEPS], key=lambda s: s.moment)


def _holds(
    seconds: Floats, current: Floats, section: Ints, noise: float, capacity: float, window_s: float
) -> Bools:
    """Return (rows,) True where the current holds over the window that begins (positive) or ends at the row."""
    rows = np.arange(len(seconds))
    if window_s > 0:
        low, high = rows, np.searchsorted(seconds, seconds + window_s + 1e-6, side="right")
    else:
        low, high = np.searchsorted(seconds, seconds + window_s - 1e-6, side="left"), rows + 1
    far = seconds[high - 1] - seconds[low] >= min(
        abs(window_s) - 1.3 * float(np.median(np.diff(seconds))), AFTER_S
    )
    known = ~np.isnan(current)
    filled = np.where(known, current, 0.0)
    middle = filled.mean()
    count = high - low
    first = np.concatenate([[0.0], np.cumsum(filled - middle)])
    second = np.concatenate([[0.0], np.cumsum((filled - middle) ** 2)])
    missing = np.concatenate([[0], np.cumsum(~known)])
    mean = (first[high] - first[low]) / count
    sd = np.sqrt(np.maximum((second[high] - second[low]) / count - mean**2, 0.0))
    least = np.maximum(max(1.6 * noise, 0.25 * LEAST_C_RATE * capacity), 0.5 * WANDER * np.abs(mean + middle))
    good = (section[high - 1] == section[low]) & (missing[high] == missing[low]) & (count > 1)
    return np.asarray(far & good & (sd <= least), bool)


def _step(
    seconds: Floats, current: Floats, section: Ints, a: int, b: int, noise: float, interval: float
) -> Step | None:
    """Return the step between rows a and b, widened to all rows over which the current holds; None for none."""
    first = int(np.searchsorted(seconds, seconds[a] - BEFORE_S))
    last = int(np.searchsorted(seconds, seconds[b] + LATE_S[1], side="right")) - 1
    old = float(np.median(current[max(first, int(np.searchsorted(seconds, seconds[a] - STEADY_S))) : a + 1]))
    new = float(np.median(current[b : int(np.searchsorted(seconds, seconds[b] + STEADY_S, side="right"))]))
    amps = new - old
    if np.isnan(current[a : b + 1]).any() or amps == 0.0:
        return None
    most = max(WANDER * abs(amps), 4.0 * noise)
    # the first row of a ramp may still pass for a current that holds
    while a > first and abs(current[a] - old) > 0.6 * most:
        a -= 1
    while b < last and abs(current[b] - new) > 0.6 * most:
        b += 1
    off = np.flatnonzero(
        ~(np.abs(current[first : a + 1] - old) <= most) | (section[first : a + 1] != section[a])
    )
    before = slice(first + (int(off[-1]) + 1 if len(off) else 0), a + 1)
    off = np.flatnonzero(
        ~(np.abs(current[b : last + 1] - new) <= most) | (section[b : last + 1] != section[b])
    )
    after = slice(b, b + int(off[0]) if len(off) else last + 1)
    if before.stop - before.start < 2 or after.stop <= after.start:
        return None
    if seconds[a] - seconds[before.start] < STEADY_S - 0.5 * interval:
        return None
    t, share = seconds[a : b + 1], (current[a : b + 1] - old) / amps
    flowed = float((0.5 * (share[1:] + share[:-1]) * np.diff(t)).sum())
    moment = float(np.clip(seconds[b] - flowed, seconds[a], seconds[b]))
    if seconds[after.stop - 1] - moment < AFTER_S:
        return None
    return Step(before, after, moment, amps, float(seconds[b] - seconds[a]))


def step_fit(steps: list[Step], r: Readings, slopes: Floats) -> StepFit | None:
    """Read the resistance of every cell off clean steps.

    Parameters
    ----------
    steps
        From `clean_steps`.
    r
        What they are read from.
    slopes
        (steps, cells) slope of the open-circuit curve at each cell over the charge drawn [V/Ah], as a positive number.

    Returns
    -------
    None where no step tells anything.
    """
    reads, used = [], []
    for one, slope in zip(steps, slopes, strict=True):
        read = _read(one, r, slope)
        if read is None:
            continue
        middle = float(nanmedian(read.ohm[r.trusted]))
        if middle > 0 and nanmedian(read.se[r.trusted]) < 0.5 * middle:
            reads.append(read)
            used.append(one)
    if not reads:
        return None
    middles = np.array([nanmedian(x.ohm[r.trusted]) for x in reads])
    ratio = np.array([x.ohm for x in reads]) / middles[:, None]
    se = np.hypot(np.array([x.se for x in reads]) / middles[:, None], RELATIVE_FLOOR)
    se = np.hypot(se, np.array([x.shared for x in reads])[:, None] * np.abs(np.nan_to_num(ratio - 1.0)) * 0.5)
    relative, relative_se = _weighted(ratio, se, r.trusted)
    weight = middles**2 / np.array([nanmedian(x.se[r.trusted]) ** 2 for x in reads])
    weight = weight / weight.sum()
    middle = float(weight @ middles)
    shared = float(weight @ [x.shared for x in reads])
    if len(reads) > 1:
        apart = float(
            np.sqrt((weight**2 * (middles / middle - 1.0) ** 2).sum() * len(reads) / (len(reads) - 1))
        )
        shared = float(np.hypot(shared, apart * t_factor(len(reads)) / 1.96))
    noise = float(nanmedian([nanmedian(x.se[r.trusted]) for x in reads])) / middle / np.sqrt(r.trusted.sum())
    growth, growth_se = _growth(reads, r.trusted)
    relative = relative / nanmedian(relative[r.trusted])
    amps = float(np.sqrt(weight @ np.array([s.amps for s in used]) ** 2))
    return StepFit(
        relative * middle,
        float(np.hypot(shared, noise)),
        relative,
        relative_se,
        growth,
        growth_se,
        used,
        amps,
    )


def _read(one: Step, r: Readings, slopes: Floats) -> _Read | None:
    """Read one step; None where too few rows tell of it."""
    slope = float(nanmedian(slopes[r.trusted]))
    before, after, since, late_s = _rows_around(one, r)
    here = after[(since >= late_s) & (since <= max(WINDOW_S[1], 2.5 * r.interval_s))]
    if not len(here):
        return None
    with np.errstate(all="ignore"):
        base, trend, scatter, apart = _before(before, one, r)
        fall = base - nanmean(r.volts[here], axis=0) + trend * float(np.mean(r.seconds[here] - one.moment))
    middle = float(nanmedian(fall[r.trusted]))
    # after a stronger load, or on a knee, the string moves by itself as much as by the step
    if not abs(middle) > 0 or abs(trend) * PULSE_S > MOST_TREND * abs(middle):
        return None
    seen = _common_growth(after, since, base, trend, r)
    growth = USUAL_GROWTH * middle if seen is None else seen
    # the open-circuit voltage cannot fall faster than the readings do, whatever the table says of its slope
    most = _late_rate(after, since, trend, scatter, r) * np.sign(one.amps) * PULSE_S
    if np.isfinite(most) and abs(most) > MOST_LATE * abs(middle):
        return None
    believed = float(np.clip(most / max(abs(slope * one.amps) * PULSE_S / 3600.0, 1e-12), 0.0, 1.0))
    slope, slopes = slope * believed, slopes * believed
    away = float(np.mean(np.log((r.seconds[here] - one.moment) / PULSE_S)))
    fall = fall - growth * away * fall / middle
    rounding = lasting_error(scatter, r.voltage_step) if r.voltage_step > 0 else 0.0
    rounding = max(rounding, r.voltage_step / np.sqrt(12.0) if scatter < 0.1 * r.voltage_step else 0.0)
    se = np.sqrt(
        scatter**2 * (1.0 / len(before) + 1.0 / len(here))
        + 2.0 * rounding**2
        + (apart * PULSE_S) ** 2
        + ((slopes - slope) * one.amps * PULSE_S / 3600.0) ** 2  # a cell on its knee moves by itself
    )
    ocv = slope * one.amps * PULSE_S / 3600.0
    timing = np.hypot(LAG_SD_S, r.interval_s / np.sqrt(12.0)) + 0.2 * one.ramp_s
    shared = np.sqrt(
        (SLOPE_ERROR * ocv) ** 2
        + (growth * timing / PULSE_S) ** 2
        + (0.5 * growth * away) ** 2
        + (0.3 * trend * PULSE_S) ** 2
    )
    ohm = (fall - ocv) / one.amps
    # resistance rises towards a knee as the slope does: cells that lie apart there are not alike
    with np.errstate(all="ignore"):
        apart_there = np.abs(np.log(np.maximum(slopes, 1e-9) / max(slope, 1e-9)))
    se = np.hypot(se, KNEE_SHARE * np.minimum(np.nan_to_num(apart_there), 2.0) * abs(middle - ocv))
    if r.disturbed is not None:
        flags = r.disturbed[one.before.start : here[-1] + 1]
        own = flags.any(axis=0) & ~flags.all(axis=0)
        ohm = np.where(own | np.roll(own, 1) | np.roll(own, -1), np.nan, ohm)
    grown, grown_se, grown_shared, away_s = _minute(
        one, after, since, base, trend, scatter, rounding, slope, r
    )
    return _Read(
        ohm,
        se / abs(one.amps),
        float(shared / abs(middle - ocv)),
        grown,
        grown_se,
        grown_shared,
        apart * away_s / abs(one.amps),
    )


def _rows_around(one: Step, r: Readings) -> tuple[Ints, Ints, Floats, float]:
    """Return the rows before and after a step that tell of it, the time since [s], and when they begin to [s]."""
    before = np.arange(one.before.start, one.before.stop)
    # the voltages of the last rows may be read after a step that the current does not show yet, before and after
    guard = max(1.05 * r.interval_s, min(2.05 * r.interval_s, GUARD_S))
    sure = before[r.seconds[before] < r.seconds[before[-1]] - guard]
    before = sure if len(sure) >= 2 else before[:-1] if len(before) > 2 else before
    after = np.arange(one.after.start, one.after.stop)
    since = r.seconds[after] - one.moment
    kept = since < since[-1] - guard
    if (kept & (since >= WINDOW_S[0])).any():
        after, since = after[kept], since[kept]
    late_s = max(WINDOW_S[0], min(r.refresh_s, 10.0)) if r.refresh_s > 3.0 else WINDOW_S[0]
    return before, after, since, late_s


def _before(rows: Ints, one: Step, r: Readings) -> tuple[Floats, float, float, Floats]:
    """Return what the readings do before a step.

    Level of every cell at the step (cells,) [V], the string's trend [V/s], the readings' scatter [V], and by how much
    each cell's own trend is surely another (cells,) [V/s].
    """
    volts, t = r.volts[rows], r.seconds[rows] - one.moment
    middle = nanmean(volts[:, r.trusted], axis=1)
    good = np.isfinite(middle)
    quick = np.diff(volts[:, r.trusted], axis=0)
    scatter = float(np.sqrt(nanmedian(nanmean(quick**2, axis=0)) / 2.0)) if len(quick) > 2 else 0.0
    scatter = max(scatter, 0.0 if r.voltage_step > 0 else 1e-4)
    trend, apart = 0.0, np.zeros(volts.shape[1])
    if good.sum() >= 4:
        trend = float(np.polyfit(t[good], middle[good], 1)[0])
        own = (
            (t - t.mean())
            @ np.nan_to_num(volts - nanmean(volts, axis=0))
            / float(((t - t.mean()) ** 2).sum())
        )
        sure = 3.0 * np.hypot(scatter, r.voltage_step) / np.sqrt(float(((t - t.mean()) ** 2).sum()))
        apart = np.maximum(np.abs(own - trend) - sure, 0.0)
    base = nanmean(volts, axis=0) - trend * float(t.mean())
    return base, trend, scatter, apart


def _common_growth(after: Ints, since: Floats, base: Floats, trend: float, r: Readings) -> float | None:
    """Return by how much the string's fall grows per unit of the logarithm of time [V]; None where not to be seen."""
    use = (since >= max(3.0, 1.5 * r.interval_s)) & (since <= 60.0)
    if use.sum() < 3 or since[use].max() < 1.8 * since[use].min():
        return None
    level = float(nanmean(base[r.trusted]))
    fall = level + trend * since[use] - nanmean(r.volts[after[use]][:, r.trusted], axis=1)
    good = np.isfinite(fall)
    return float(np.polyfit(np.log(since[use][good]), fall[good], 1)[0]) if good.sum() >= 3 else None


def _late_rate(after: Ints, since: Floats, trend: float, scatter: float, r: Readings) -> float:
    """Return how fast the string's voltage falls late after the step, at most [V/s]; infinite where not to be seen."""
    late = (since >= 0.5 * min(since[-1], 60.0)) & (since <= 60.0)
    if late.sum() < 3 or since[-1] < 12.0:
        return np.inf
    t = since[late] - since[late].mean()
    fall = trend * t - nanmean(r.volts[after[late]][:, r.trusted], axis=1)
    error = np.hypot(scatter, 0.3 * r.voltage_step) / np.sqrt(r.trusted.sum() * float(t @ t))
    rate = float(t @ np.nan_to_num(fall)) / float(t @ t)
    return float(rate + np.sign(rate) * 2.0 * float(error))


def _minute(
    one: Step,
    after: Ints,
    since: Floats,
    base: Floats,
    trend: float,
    scatter: float,
    rounding: float,
    slope: float,
    r: Readings,
) -> tuple[Floats, float, float, float]:
    """Return the growth of the fall from a few seconds to a minute [ohm], its standard error, the string's share.

    And the time between the two [s].
    """
    nothing = np.full(r.volts.shape[1], np.nan), np.nan, np.nan, np.nan
    early = after[
        (since >= max(EARLY_S[0], 1.5 * r.refresh_s)) & (since <= max(EARLY_S[1], 2.6 * r.refresh_s))
    ]
    late = after[(since >= LATE_S[0]) & (since <= LATE_S[1])]
    if not len(early) or not len(late) or r.refresh_s > 3.0 or since[-1] < 60.0:
        return nothing
    with np.errstate(all="ignore"):
        apart = float(r.seconds[late].mean() - r.seconds[early].mean())
        grown = nanmean(r.volts[early], axis=0) - nanmean(r.volts[late], axis=0) + trend * apart
    ocv = slope * one.amps * apart / 3600.0
    se = np.sqrt(scatter**2 * (1.0 / len(early) + 1.0 / len(late)) + 2.0 * rounding**2)
    shared = np.hypot(SLOPE_ERROR * ocv, 0.3 * trend * apart)
    return (grown - ocv) / one.amps, float(se) / abs(one.amps), float(shared) / abs(one.amps), apart


def _weighted(ratio: Floats, se: Floats, trusted: Bools) -> tuple[Floats, Floats]:
    """Return the weighted mean over steps (axis 0) and its standard error, by the errors and by the scatter."""
    weight = np.where(np.isfinite(ratio), se**-2, 0.0)
    total = np.where(weight.sum(axis=0) > 0, weight.sum(axis=0), np.nan)
    mean = np.nansum(weight * np.nan_to_num(ratio), axis=0) / total
    formal = np.sqrt(1.0 / total)
    n = np.isfinite(ratio).sum(axis=0)
    if len(ratio) < 2:
        return mean, formal
    with np.errstate(all="ignore"):
        chi2 = np.nansum(weight * (ratio - mean) ** 2, axis=0) / np.maximum(n - 1, 1)
        usual = float(nanmean(np.minimum(chi2[trusted], 4.0 * nanmedian(chi2[trusted]) + 1e-12)))
    # a cell's own scatter counts where it is far above the others'; of a few steps it hardly tells more than theirs
    own = np.where(chi2 > 4.0 * max(usual, 1.0), chi2, max(usual, 1.0))
    floor = RELATIVE_FLOOR / np.sqrt(2.0)
    return mean, np.hypot(formal * np.sqrt(own), floor)


def _growth(reads: list[_Read], trusted: Bools) -> tuple[Floats, Floats]:
    """Return the growth to a minute over the middle cell's, less one, and its standard error."""
    cells = len(trusted)
    ratio, se = [], []
    for x in reads:
        middle = float(nanmedian(x.growth[trusted])) if np.isfinite(x.growth[trusted]).any() else np.nan
        if middle > 0 and x.growth_se < 0.5 * middle:
            ratio.append(x.growth / middle - 1.0)
            away = np.abs(x.growth / middle - 1.0)
            # what still settles from the load before settles the more in a cell of more resistance
            own = np.hypot(x.growth_se, x.growth_apart) / middle
            se.append(np.sqrt(own**2 + 0.02**2 + (x.growth_shared / middle * away) ** 2))
    if not ratio:
        return np.full(cells, np.nan), np.full(cells, np.nan)
    return _weighted(np.array(ratio), np.array(se), trusted)
