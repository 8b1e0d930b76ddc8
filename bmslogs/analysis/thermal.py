"""Temperatures: sensors that lie, places that run hot.

A place warms by its own loss: T - T_start follows the square of the current through a slow filter (lumped heat
balance; Bernardi et al., J. Electrochem. Soc. 132, 1985, 5, without the reversible part, which averages out over a
drive). A wrong thermistor curve turns the reading about 25 degC.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.models import warm_place
from bmslogs.analysis.models.cell_warmth import NEAR_CELLS, per_kelvin
from bmslogs.analysis.polarisation import low_pass
from bmslogs.analysis.regression import block_fit, equal_blocks, jackknife_se, t_factor
from bmslogs.analysis.sampling import row_medians
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmax, nanmean, nanmedian, nanmin

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TAUS_S = (600.0, 1200.0, 2400.0, 4800.0)
NOW_AND_THEN = 0.05
"""A sensor without a reading in a larger share of the rows, while the others have theirs, opens now and then
(choice)."""
JUMP_K, JUMP_S, JUMP_LEAST = 8.0, 60.0, 3
"""A reading that moves by more [K] between rows no further apart [s], and back, so many times, while the others do not:
no place of a pack has so little mass (choice)."""
REGULAR_SHARE = 0.9
"""A reading of which so many come at one interval, to within a row, is read more seldom than the others (choice)."""
OPEN_BELOW_C, SHORT_ABOVE_C = -38.0, 115.0
STUCK_MOVE_C = 1.5
STANDS_C, STANDS_SHARE, PARTS = 4.0, 0.03, 24
"""A reading that trembles stands still where the others moved by the first [K] and it by less than that share of it, by
the means of so many parts of the log (choice: no place of a pack has so much less of its warmth)."""
SHIFT_LEAST_K, CURVE_LEAST_K = 3.0, 2.0
"""Least size of practical weight of a shift after a soak, and of a wrong curve at the log's end that is further from 25
degC: it is off by more elsewhere [K] (judgement: common practice, no source)."""
PAIR_FAR_K = 8.0
"""Two sensors that part surely by more are told of, whatever makes it: one is off, or one place needs a look [K]
(judgement)."""
TURN_LEAST, TURN_MOST = 0.04, 0.30
"""Turns of a reading about 25 degC that speak of a wrong thermistor curve: usual parts are up to a fifth apart
(choice)."""
CELLS_APART = 0.05
"""How far the cells of a place drop more or less than the others of themselves, as a fraction (one sd; judgement)."""
LONE_LEAST, SHARED_ODDS = 0.6, 4.0
"""A sensor that stands out of its neighbours by less than this share does not stand alone: log odds for its place
(judgement)."""
OWN_COURSE = 0.35
"""How far the rise of a place is off from its heat per square ampere, as a share of what it rises more or less than the
others: its time constant is its own (half width, judgement)."""
UNSURE_HEATING = 0.15
"""Of a place whose heating the filter tells to no better than this share of the middle's, its rise itself is asked
(choice)."""
ROUNDED_RISE = 1.96 * np.sqrt(4.0 / 12.0)
"""Half width of one place's rise less another's, in steps of the reading: four readings are off by up to half a step
each, standard deviation 1 / sqrt(12) (uniform law)."""
WARMED_LEAST_K, WARMING_LEAST_S = 0.3, 600.0
"""A pack whose mean temperature moves by less over a log, or that is logged for less long, does not tell its places
apart (choice)."""
IDLE_C_RATE = 0.03
"""Rms current, as a share of the capacity per hour, that warms no pack (choice: some hundredths of a kelvin)."""
HEATING_CURRENT_C_RATE, CHARGE_CURRENT_C_RATE = 0.15, 0.3
"""Least rms current over a log, as a share of the capacity per hour, that tells places apart by their warmth: with a
drive in it, and without one, where the air around decides as much (choice)."""


@dataclass(frozen=True)
class SensorFault:
    """A temperature sensor whose reading is not to be believed, or of which the log cannot say whether it is.

    Attributes
    ----------
    column
        Sensor (0-based).
    kind
        ``open``, ``short``, ``stuck``, ``jumps``, ``offset`` or ``curve``; the likelier one.
    size_C, half_C
        How far it is off, with the half width of the 95 % interval [K]; None where that cannot be said.
    doubt
        None where the sensor is surely off; else what explains the log as well: ``hot`` (a place that warms more),
        ``air`` (a place in other air), ``either`` (of two sensors one is off, or their places differ), ``place`` (a
        corner that stood colder or warmer when the log began).
    share
        With ``hot``: how much more the place would warm than the middle, as a fraction.
    reads_warm
        Whether it reads, or would read at freezing, warmer than it is.
    """

    column: int
    kind: str
    size_C: float | None
    half_C: float | None
    evidence: str
    doubt: str | None = None
    share: float = 0.0
    reads_warm: bool = False


def sensor_faults(
    temperature: Floats,
    seconds: Floats,
    soaked: Bools,
    current: Floats | None = None,
    idle: bool = False,
) -> list[SensorFault]:
    """Find temperature sensors at fault.

    Parameters
    ----------
    temperature
        (rows, sensors) [degC], sensors in the order of their places.
    seconds
        (rows,) [s].
    soaked
        (rows,) True where the pack had rested long enough for all places to be alike, or had not yet been loaded.
    current
        (rows,) [A] without NaN; None where the log has no current.
    idle
        Whether so little current flowed that the weather alone moved the pack.
    """
    found: list[SensorFault] = []
    rows, n = temperature.shape
    if n == 0 or rows == 0:
        return found
    good = _unbroken(temperature, seconds, _readable(temperature, found), found)
    if len(good) < 2 or rows < 20:
        return found
    good = _moving(temperature, good, found)
    if len(good) < 2:
        return found
    return found + _weighed(temperature[:, good], seconds, soaked, current, good, idle)


def _readable(temperature: Floats, found: list[SensorFault]) -> Ints:
    """Return the sensors that are neither open nor short; the others are added to `found`."""
    with np.errstate(all="ignore"):
        level = nanmedian(temperature, axis=0)
    silent = np.asarray(np.isnan(temperature).all(axis=0))
    missing = np.isnan(temperature).mean(axis=0)
    least = float(np.min(missing[~silent])) if (~silent).sum() >= 2 else 1.0
    good = []
    for j in range(temperature.shape[1]):
        if silent[j] and not silent.all():
            found.append(SensorFault(j, "open", None, None, "it gives no reading while the others do"))
        elif missing[j] > NOW_AND_THEN and least < 0.1 * missing[j] and not _regular(temperature[:, j]):
            share = f"it gives no reading in {missing[j] * 100:.0f} % of the rows while the others do"
            found.append(SensorFault(j, "open", None, None, share))
        elif level[j] <= OPEN_BELOW_C:
            found.append(
                SensorFault(j, "open", None, None, f"it reads {level[j]:.0f} degC, as an open circuit does")
            )
        elif level[j] >= SHORT_ABOVE_C:
            found.append(
                SensorFault(j, "short", None, None, f"it reads {level[j]:.0f} degC, as a short circuit does")
            )
        elif not silent[j]:
            good.append(j)
    return np.array(good, np.int64)


def _unbroken(temperature: Floats, seconds: Floats, good: Ints, found: list[SensorFault]) -> Ints:
    """Return the sensors whose readings do not jump to and fro; the others are added to `found`."""
    near = np.diff(seconds) <= JUMP_S
    with np.errstate(invalid="ignore"):
        jumps = (np.abs(np.diff(temperature[:, good], axis=0)) > JUMP_K) & near[:, None]
    counts = jumps.sum(axis=0)
    usual = int(np.median(counts)) if len(counts) >= 3 else 0
    keep = []
    for k, j in enumerate(good.tolist()):
        back_and_forth = 2 * JUMP_LEAST
        if counts[k] >= back_and_forth and counts[k] > 3 * usual:
            size = float(np.median(np.abs(np.diff(temperature[:, j]))[jumps[:, k]]))
            found.append(
                SensorFault(
                    j,
                    "jumps",
                    None,
                    None,
                    f"{int(counts[k])} times it jumps by {size:.0f} K or so from one row to the next, as no cell can",
                )
            )
        else:
            keep.append(j)
    return np.array(keep, np.int64)


def _regular(reading: Floats) -> bool:
    """Whether a sensor's readings come at one interval of rows: it is read more seldom, not open now and then."""
    between = np.diff(np.flatnonzero(np.isfinite(reading)))
    if len(between) < 2:
        return False
    usual = float(np.median(between))
    return usual > 1.0 and float(np.mean(np.abs(between - usual) <= 1.0)) > REGULAR_SHARE


def _moving(temperature: Floats, good: Ints, found: list[SensorFault]) -> Ints:
    """Return the sensors that move; those that stand still while all others move are added to `found`."""
    t = temperature[:, good]
    with np.errstate(all="ignore"):
        moved = nanmax(t, axis=0) - nanmin(t, axis=0)
        level, middle = nanmedian(t, axis=0), row_medians(t)
    step = reading_step(t)
    courses = np.array([_course(reading) for reading in t.T])
    keep = []
    for k, j in enumerate(good):
        # a place that warms least moves half as far as its neighbours; a coarse reading stands still for long
        others = (
            float(np.quantile(np.delete(moved, k), 0.25)) if len(good) > 2 else float(np.delete(moved, k)[0])
        )
        still = moved[k] < 1e-6 and others > max(STUCK_MOVE_C, 2.5 * step)
        # a reading that trembles by its last digits stands still as well
        went = float(np.quantile(np.delete(courses, k), 0.25))
        # and one that moved until it stood still for good
        run = _longest_still(t[:, k])
        with np.errstate(all="ignore"):
            passed = nanmax(t[run], axis=0) - nanmin(t[run], axis=0)
        beside = float(np.quantile(np.nan_to_num(np.delete(passed, k)), 0.25))
        if not still and beside > max(STANDS_C, 2.5 * step):
            found.append(
                SensorFault(
                    int(j),
                    "stuck",
                    float(nanmax(np.abs(t[run, k] - middle[run]))),
                    None,
                    f"it reads {t[run.start, k]:.1f} degC without a change for {_share(run, len(t))} of the log while "
                    f"the others moved by {beside:.1f} K",
                )
            )
        elif still or (went > STANDS_C and courses[k] < max(step, STANDS_SHARE * went)):
            found.append(
                SensorFault(
                    int(j),
                    "stuck",
                    float(nanmax(np.abs(level[k] - middle))),
                    None,
                    f"it reads {level[k]:.1f} degC "
                    f"{'without a change' if still else f'within {moved[k]:.1f} K'} while the "
                    f"others moved by {others:.1f} K",
                )
            )
        else:
            keep.append(j)
    return np.array(keep, np.int64)


def _longest_still(reading: Floats) -> slice:
    """Return the rows of the longest time without a change of a reading."""
    starts = np.r_[0, np.flatnonzero(~(reading[1:] == reading[:-1])) + 1, len(reading)]
    longest = int(np.argmax(np.diff(starts)))
    return slice(int(starts[longest]), int(starts[longest + 1]))


def _share(run: slice, rows: int) -> str:
    return f"{100.0 * (run.stop - run.start) / rows:.0f} %"


def _course(reading: Floats) -> float:
    """Return how far a reading moved once its noise is averaged out: range of the means of parts of the log [K]."""
    known = reading[np.isfinite(reading)]
    means = [part.mean() for part in np.array_split(known, PARTS) if len(part)]
    return float(np.ptp(means)) if means else 0.0


def reading_step(temperature: Floats) -> float:
    """Return the step of the readings [K]: the least change between rows; 0.1 where none changes."""
    change = np.abs(np.diff(temperature[:20000], axis=0))
    change = change[np.isfinite(change) & (change > 1e-3)]
    return float(np.quantile(change, 0.05)) if len(change) else 0.1


def _weighed(
    temperature: Floats,
    seconds: Floats,
    soaked: Bools,
    current: Floats | None,
    columns: Ints,
    idle: bool,
) -> list[SensorFault]:
    """Sensors that part from the others, each explanation weighed on the same rows."""
    pair = len(columns) == 2
    with np.errstate(all="ignore"):
        middle = nanmean(temperature, axis=1) if pair else row_medians(temperature)
    if np.isfinite(middle).sum() < 20:
        return []
    course, start = warm_place.warmth(middle, seconds, current, soaked, idle)
    levels = warm_place.block_means(temperature, start)
    for k in range(levels.shape[1]):
        known = np.isfinite(levels[:, k])
        levels[:, k] = np.interp(course.seconds, course.seconds[known], levels[known, k])
    if pair:
        return _pair(levels, course, reading_step(temperature), columns)
    away = levels - np.median(levels, axis=1, keepdims=True)
    found = []
    lone = np.array([lone_share(furthest(away, k))[k] for k in range(away.shape[1])])
    for k, weighed in enumerate(warm_place.weigh(away, course, reading_step(temperature))):
        # places are not alike to the last tenth of a kelvin: what the others are apart this one may be, too
        apart = float(np.median(np.abs(np.delete(np.median(away, axis=0), k)))) * 1.4826
        weighed.sd["shift"] = float(np.hypot(weighed.sd["shift"], max(apart, 0.25)))
        if course.soaked:  # where all places are alike a shift is read off
            weighed.size["shift"] = float(
                np.mean(away[warm_place.block_means(soaked.astype(float), start) > 0.5, k])
            )
        fault = _verdict(weighed, course, float(lone[k]), int(columns[k]), len(columns))
        if fault is not None:
            found.append(fault)
    # no more than a minority can be off: the others are what it is told by
    return found if 2 * len(found) < len(columns) else []


def furthest(away: Floats, k: int) -> Floats:
    """Return (sensors,) how far all stand from the middle where sensor `k` does most: what turns stands there by none.

    Parameters
    ----------
    away
        (blocks, sensors) reading less the middle of the sensors [K].
    """
    size = away[:, k] * np.sign(away[np.argmax(np.abs(away[:, k])), k])
    return np.asarray(np.median(away[size >= np.quantile(size, 0.5)], axis=0), float)


def lone_share(away: Floats) -> Floats:
    """Return (sensors,) share of each sensor's distance from the middle that its neighbours do not lead up to.

    One where the neighbours stand at the middle, nought where one stands as far out or, at an end, where a straight
    line through the two nearest reaches it, as along a gradient.
    """
    n, out = len(away), np.ones(len(away))
    for k in range(n):
        if 0 < k < n - 1:
            led = [away[k - 1], away[k + 1]]
        else:
            near, next_ = (away[1], away[2]) if k == 0 else (away[-2], away[-3])
            led = [near, 2 * near - next_]
        reached = max(led, key=lambda x: x * np.sign(away[k]))
        out[k] = np.clip(1.0 - reached / away[k], 0.0, 1.0) if away[k] else 0.0
    return out


def _verdict(
    found: warm_place.Weighed, course: warm_place.Warmth, lone: float, column: int, sensors: int
) -> SensorFault | None:
    """Return the fault of one of so many sensors, surely or perhaps; None where the place explains it."""
    if not TURN_LEAST <= abs(found.size["curve"]) <= TURN_MOST:  # no usual part turns so
        found = replace(found, odds=found.odds | {"curve": -np.inf})
    true_place = found.true_place
    if lone < LONE_LEAST:  # the air of these places has long been other than that of the rest
        true_place = max(true_place, found.fault + SHARED_ODDS)
    # one of many looks odd by chance the more often the more there are
    if found.fault < warm_place.WITHIN + np.log(sensors):
        return None
    # a place that stands by itself, surely far from the rest, is told whatever explains it
    told = lone >= LONE_LEAST and abs(found.size["shift"]) - 1.96 * found.sd["shift"] > SHIFT_LEAST_K
    if true_place - found.fault > warm_place.WITHIN and not told:
        return None
    doubt = None
    if found.fault - true_place <= warm_place.WITHIN:
        hot = found.odds["place"] >= found.odds["air"] and found.size["place"] > 0
        doubt = "hot" if hot else "air"
    return _described(found, course, column, doubt)


def _described(
    found: warm_place.Weighed, course: warm_place.Warmth, column: int, doubt: str | None
) -> SensorFault | None:
    """Return the fault in words and numbers; None where it is too small to matter."""
    turned = warm_place.turned(course.middle)
    far = float(turned[np.argmax(np.abs(turned))])
    curve = found.odds["curve"] > found.odds["shift"]
    both = abs(found.odds["curve"] - found.odds["shift"]) < warm_place.WITHIN
    turn, shift = found.size["curve"], found.size["shift"]
    soak = "before the load and under it alike" if course.soaked else "throughout the log"
    spanned = f"while the pack went from {course.middle.min():.0f} to {course.middle.max():.0f} degC"
    if curve:
        size, half = turn * far, 1.96 * found.sd["curve"] * abs(far) + 0.1 * abs(turn * far)
        # a wrong curve that is off by little at this temperature is off by more further from 25 degC
        if abs(size) + half < CURVE_LEAST_K or abs(size) < 0.9 * CURVE_LEAST_K:
            return None
        says = f"it is off by {turn * 100:+.0f} % of the distance from 25 degC, as with a wrong thermistor curve, "
        says += spanned
        if both:
            says += f"; a shift of {shift:+.1f} K explains it as well"
        return SensorFault(column, "curve", size, half, says, doubt, found.size["place"], turn < 0)
    half = 1.96 * found.sd["shift"]
    if abs(shift) + half < SHIFT_LEAST_K or abs(shift) < 0.75 * SHIFT_LEAST_K:
        return None
    says = f"it reads {shift:+.1f} K from the others, {soak}, {spanned}"
    cold = both and turn < 0 and shift > 0
    if cold:
        says += "; a wrong thermistor curve explains it as well"
    return SensorFault(column, "offset", shift, half, says, doubt, found.size["place"], cold or shift > 0)


def _pair(levels: Floats, course: warm_place.Warmth, step: float, columns: Ints) -> list[SensorFault]:
    """Two sensors that part all log long: one of them is off, or their places differ; nothing says which."""
    found = warm_place.weigh((levels[:, 1] - levels[:, 0])[:, None], course, step)[0]
    apart, half = found.size["shift"], 1.96 * float(np.hypot(found.sd["shift"], 0.5))
    as_usual = found.fault < warm_place.WITHIN or found.true_place - found.fault > warm_place.WITHIN
    if as_usual and not (found.fault > warm_place.WITHIN and abs(apart) - half > PAIR_FAR_K):
        return []
    if abs(apart) + half < SHIFT_LEAST_K or abs(apart) < 0.75 * SHIFT_LEAST_K:
        return []
    text = (
        f"the two sensors part by {abs(apart):.1f} K {'before the load and under it alike' if course.soaked else 'all'}"
        f"{'' if course.soaked else ' log long'}; nothing says which of them is off, or whether their places differ so"
    )
    return [
        SensorFault(int(j), "offset", sign * apart, half, text, "either", 0.0, bool(sign * apart > 0))
        for j, sign in zip(columns, (-1.0, 1.0), strict=True)
    ]


def settled_by_cells(
    faults: list[SensorFault], ratio: Floats, at: list[Bools], middle_C: float
) -> list[SensorFault]:
    """Return the faults less those that the cells' resistances speak against: cells that are colder drop more.

    Parameters
    ----------
    faults
        From `sensor_faults`.
    ratio
        (cells,) resistance over the pack's middle; NaN where not known.
    at
        For each sensor (cells,) True where it is the nearest.
    middle_C
        The pack's temperature [degC].
    """
    out = []
    doubted = [f for f in faults if f.kind == "offset" and f.size_C is not None]
    pair = [f for f in doubted if f.doubt == "either"]
    for fault in faults:
        if fault not in doubted or fault.size_C is None:
            out.append(fault)
            continue
        here = at[fault.column] & np.isfinite(ratio)
        others = np.isfinite(ratio) & ~here
        if fault in pair and len(pair) == 2:
            others &= at[next(f for f in pair if f is not fault).column]
        if not here.any() or not others.any():
            out.append(fault)
            continue
        told = float(np.log(np.median(ratio[here]) / np.median(ratio[others])))
        real = -per_kelvin(middle_C) * fault.size_C
        # cells of a place differ from the others by their age too; the activation energy is known to a third, and what
        # a sensor reads that speaks for many cells holds for some of them only
        unsure = 0.35 if here.sum() <= NEAR_CELLS else 0.5
        # what parts the cells the other way speaks for no such difference, however far it parts them
        for_it = told if told * real > 0 else 0.0
        odds = _normal(for_it, real, float(np.hypot(CELLS_APART, unsure * real))) - _normal(
            for_it, 0.0, CELLS_APART
        )
        # that two places differ is likelier from the outset than that one of two sensors is off
        if odds > (0.0 if fault in pair else warm_place.WITHIN):
            continue
        if odds < -warm_place.WITHIN:
            fault = replace(
                fault,
                doubt={"air": None, "place": None, "either": "one"}.get(fault.doubt or "", fault.doubt),
                evidence=f"{fault.evidence}; the cells there drop {np.expm1(told) * 100:+z.0f} % more, not the "
                f"{np.expm1(real) * 100:+z.0f} % that such a difference would make",
            )
        out.append(fault)
    return out


def _normal(x: float, mean: float, sd: float) -> float:
    return float(-0.5 * ((x - mean) / sd) ** 2 - np.log(sd))


@dataclass(frozen=True)
class Heating:
    """Rise per ampere squared of each sensor [K/A^2].

    Attributes
    ----------
    slope, half_width
        (sensors,) [K/A^2]; NaN where a sensor is not to be believed.
    relative_half_width
        (sensors,) half width of slope less the median's, what all share taken out [K/A^2].
    rounding
        (sensors,) half width that the step of the readings alone leaves a slope less another [K/A^2].
    tau_s
        Time constant that fits the mean rise best [s].
    """

    slope: Floats
    half_width: Floats
    relative_half_width: Floats
    rounding: Floats
    tau_s: float


def heating(temperature: Floats, current: Floats, seconds: Floats, trusted: Bools, least_A: float) -> Heating:
    """Estimate how much each place warms per ampere squared over a drive.

    Parameters
    ----------
    temperature, current, seconds
        (rows, sensors) [degC]; (rows,) [A], [s]; no NaN in trusted sensors.
    trusted
        (sensors,) True where the sensor is believed.
    least_A
        Least rms current [A] whose warmth tells places apart.

    Raises
    ------
    NotEnoughData
        Too little current for the rise to speak.
    """
    rms = float(np.sqrt((current**2).mean()))
    if rms < least_A:
        raise NotEnoughData(f"the rms current of {rms:.0f} A warms the pack too little to compare places")
    if trusted.sum() < 2 or len(seconds) < 120:
        raise NotEnoughData("fewer than two sensors that can be compared, or a log of fewer than 120 rows")
    if seconds[-1] - seconds[0] < WARMING_LEAST_S:
        raise NotEnoughData(f"{seconds[-1] - seconds[0]:.0f} s are too short for places to warm apart")
    step = max(1, len(seconds) // 2000)
    pick = slice(None, None, step)
    y = temperature[pick][:, trusted]
    hours = (seconds[pick] - seconds[0]) / 3600.0
    warmed = float(np.ptp(np.quantile(y.mean(axis=1), [0.02, 0.98])))
    if warmed < WARMED_LEAST_K:
        raise NotEnoughData(f"the pack's temperature moved by {warmed:.1f} K only")
    best: tuple[float, float, Floats] | None = None
    section = warm_place.warm_sections(seconds)
    for tau in TAUS_S:
        column = low_pass(current**2, seconds, section, tau)[pick]
        design = np.column_stack([np.ones_like(hours), np.exp(-(seconds[pick] - seconds[0]) / tau), column])
        mean = y.mean(axis=1)
        left = mean - design @ np.linalg.lstsq(design, mean, rcond=None)[0]
        cost = float((left**2).mean())
        if best is None or cost < best[0]:
            best = (cost, tau, design)
    assert best is not None
    _, tau, design = best
    fit = block_fit(design, y, equal_blocks(len(design), 8))
    k = fit.blocks
    slope = fit.coef[2]
    relative = fit.without[:, 2] - np.median(fit.without[:, 2], axis=1, keepdims=True)
    half, relative_half = t_factor(k) * jackknife_se(fit.without[:, 2]), t_factor(k) * jackknife_se(relative)
    middle = float(np.median(slope))
    if y.shape[1] >= 3 and middle > 0:
        # a place with a time constant of its own follows the middle's filter badly, and its own readings well
        share, share_half = rise_share(y)
        better = (relative_half > UNSURE_HEATING * middle) & (share_half * middle < relative_half)
        slope = np.where(better, share * middle, slope)
        relative_half = np.where(better, share_half * middle, relative_half)
        half = np.where(better, np.hypot(relative_half, float(np.median(half))), half)
    rounding = np.full_like(slope, ROUNDED_RISE * reading_step(y) / float(np.ptp(design[:, 2])))
    half, relative_half = np.hypot(half, rounding), np.hypot(relative_half, rounding)
    out = [np.full(len(trusted), np.nan) for _ in range(4)]
    for full, part in zip(out, (slope, half, relative_half, rounding), strict=True):
        full[trusted] = part
    return Heating(out[0], out[1], out[2], out[3], tau)


def rise_share(temperature: Floats) -> tuple[Floats, Floats]:
    """Return by how much each place rose where the middle of the others rose by one kelvin, and the half width.

    Parameters
    ----------
    temperature
        (rows, sensors) [degC], three sensors or more.

    Notes
    -----
    From the first part of the log to the warmest, whenever that was. What stood apart at first may come together of
    itself; a place with a time constant of its own shows the less of its heat the more it differs.
    """
    parts = np.stack([part.mean(axis=0) for part in np.array_split(temperature, PARTS)])
    noise = float(np.median(np.std(np.diff(parts, n=2, axis=0), axis=0))) / np.sqrt(6.0)
    n = temperature.shape[1]
    share, half = np.full(n, np.nan), np.full(n, np.inf)
    for j in range(n):
        others = np.median(np.delete(parts, j, axis=1), axis=1)
        rise = float(others.max() - others[0])
        if rise < WARMED_LEAST_K:
            continue
        share[j] = (parts[:, j].max() - parts[0, j]) / rise
        scatter = 1.96 * np.hypot(noise, 0.05) * np.sqrt(2.0) / rise
        half[j] = np.sqrt(
            scatter**2 + (OWN_COURSE * (share[j] - 1.0)) ** 2 + ((parts[0, j] - others[0]) / rise) ** 2
        )
    return share, half
