"""Is a reading to be believed? Swapped taps, stuck channels, floating taps: before anything else is asked.

Signatures, by which a fault of the sense loom differs from a cell (algebra of a series string; the sum of the
readings stays whole while a tap wanders):

* swapped taps k, k+1: cell k reads V_k + V_k+1, the next the negative of V_k+1, the third V_k+1 + V_k+2;
* floating tap between k and k+1: one reads high by what the other reads low;
* stuck channel: stands still while the others move.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.rounding import step_of

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Kind = Literal["taps_swapped", "channel_stuck", "tap_open"]

STUCK_MOVE_V = 0.020
"""The others must have moved this far while a stuck channel stood still [V] (judgement, no source)."""
STUCK_STEPS = 8
STUCK_TURNS, RENEWALS = 8, 10
"""So many times the others must have been renewed, and so many of a channel's changes tell its own interval (choice:
while the others move over eight of their steps a reading repeats half of the time at most, all eight times by chance
in one of 256 at most, and over twenty rows and a minute of it far less)."""
STUCK_LEAST_S, STUCK_ROWS = 60.0, 20
MIRROR_CORRELATION = -0.9
MIRROR_LEAST_V = 0.004
FEW_CELLS, FEW_LEAST_V = 6, 0.02
"""Of fewer cells two others are hardly a measure: a mirror must be so deep there [V] (choice)."""
WRONG_LEAST_ROWS = 10
"""Fewer rows with readings of two cells and of none are a disturbance, not a wire (choice)."""
LEVEL_LEAST_V = 0.060
"""Two neighbours that stand apart by this much, one up and one down by the same [V] (choice)."""


@dataclass(frozen=True)
class SensingFault:
    """A fault of the sense loom or of a channel.

    Attributes
    ----------
    kind
        Which.
    columns
        Columns (0-based) whose reading is not to be believed.
    size_V
        How far a reading is off [V], where that can be said.
    evidence
        One line for people.
    share
        Of the rows in which it shows.
    rows
        Those rows; None: all of them.
    whole
        Whether the readings still add up to the string's voltage: not where some are cut off.
    """

    kind: Kind
    columns: tuple[int, ...]
    size_V: float | None
    evidence: str
    share: float = 1.0
    rows: npt.NDArray[np.int64] | None = None
    whole: bool = True


def swapped_taps(volts: Floats, low: float = 0.5, high: float = 4.9) -> list[SensingFault]:
    """Find pairs of sense wires that changed places, and wires that are off between a cell at nought and one at two.

    Told row by row, so that a plug that is wrong for part of a log is named and costs only those rows.

    Parameters
    ----------
    volts
        (rows, cells) [V] as they were read; a clipped reading may be nought, NaN or the end of the converter's range.
    low, high
        What a cell can have [V].
    """
    with np.errstate(all="ignore"):
        least, most = np.fmin.reduce(volts, axis=0), np.fmax.reduce(volts, axis=0)
    beside = np.zeros(len(most), bool)
    beside[1:] |= most[:-1] > high
    beside[:-1] |= most[1:] > high
    # a NaN among the least ones: nothing was read at all
    suspects = np.flatnonzero(~(least >= low) | (beside & np.isnan(volts).any(axis=0)))
    if not len(suspects):
        return []
    with np.errstate(all="ignore"):
        usual = float(np.nanmedian(np.nanmedian(volts, axis=0)))
    n = volts.shape[1]
    found: list[SensingFault] = []
    taken: set[int] = set()
    for k in suspects.tolist():
        rows, columns, kind = _wrong_wires(volts, k, usual, high)
        read = max(int((~np.isnan(volts).all(axis=1)).sum()), 1)
        if rows.sum() < min(WRONG_LEAST_ROWS, read) or taken & set(columns):
            continue
        with np.errstate(all="ignore"):
            level = np.nanmedian(volts[rows], axis=0)
        shown = "nothing" if not np.isfinite(level[k]) else f"{level[k]:.2f} V"
        others = ", ".join(
            "nothing" if not np.isfinite(level[j]) else f"{level[j]:.2f} V" for j in columns if j != k
        )
        share = float(rows.sum() / read)
        whole = abs(float(level[list(columns)].sum()) / usual - len(columns)) < 0.2
        when = "" if share > 0.95 else f", in {share * 100:.0f} % of the rows"
        named = "the middle one" if 0 < k < n - 1 and len(columns) == 3 else "one"
        found.append(
            SensingFault(
                kind,
                columns,
                2 * usual if kind == "taps_swapped" else usual,
                f"{named} reads {shown}, beside it {others}, where a usual cell reads {usual:.2f} V{when}",
                share,
                np.flatnonzero(rows),
                bool(whole),
            )
        )
        taken |= set(columns)
    return sorted(found, key=lambda f: (f.kind != "taps_swapped", f.columns))


def _wrong_wires(volts: Floats, k: int, usual: float, high: float) -> tuple[Bools, tuple[int, ...], Kind]:
    """Return in which rows the wires about cell `k` are wrong, the columns that this touches, and how.

    The middle of a swapped pair reads the negative of a cell, or nothing where negatives are cut off; both beside it
    read two cells, or the end of the range. A wire that is off leaves one cell nothing and its neighbour two.
    """
    n = volts.shape[1]
    v = volts[:, k]
    with np.errstate(invalid="ignore"):
        mirrored = v < -0.5 * usual
        silent = np.isnan(v) | (np.abs(v) < 0.1 * usual)
        sides = [j for j in (k - 1, k + 1) if 0 <= j < n]
        two = [
            ((volts[:, j] > 1.7 * usual) & (volts[:, j] < 2.3 * usual)) | (volts[:, j] > high) for j in sides
        ]
        raised = [volts[:, j] > 1.15 * usual for j in sides]
    every, some = np.logical_and.reduce(two), np.logical_or.reduce(two)
    swapped = (mirrored & (some | np.logical_and.reduce(raised))) | (silent & every)
    whole = tuple(sorted([k, *sides]))
    if swapped.any():
        return swapped, whole, "taps_swapped"
    counts = [int((silent & t).sum()) for t in two]
    one = int(np.argmax(counts))
    return silent & two[one] & ~np.isnan(v), tuple(sorted([k, sides[one]])), "tap_open"


def stuck_channels(
    volts: Floats, seconds: Floats, step: float, drop: Floats | None = None, current: Floats | None = None
) -> list[SensingFault]:
    """Find channels that stand still while the middle one of the others moves.

    Run length alone proves nothing: a quiet channel repeats by chance, and one that is read in turns or slowly stands
    still until its turn. What proves it is that the others moved and were renewed several times meanwhile, over several
    times the interval at which this channel itself is renewed elsewhere.

    Parameters
    ----------
    volts, seconds
        (rows, cells) single readings, not averages [V]; (rows,) [s].
    step
        Step of the readings [V].
    drop
        (rows,) what the load alone takes off a usual cell [V], to be given where the open-circuit curve is flat: there
        a sound cell may stand still while the others climb the knee, and only the load's own steps prove a channel.
    current
        (rows,) [A]: a charger that holds the leading cell at its limit makes that reading stand still; None where it
        is not known.
    """
    rows, n = volts.shape
    if rows < 20 or n < 3:
        return []
    # where single readings are missing, what the others do must not hang on which of them are
    read = ~np.isnan(volts).all(axis=1)
    levels = np.array([np.median(v[~np.isnan(v)]) if (~np.isnan(v)).any() else 0.0 for v in volts.T])
    middle = np.zeros(rows)
    median = np.nanmedian if np.isnan(volts).any() else np.median
    middle[read] = median(volts[read] - levels, axis=1)
    middle += np.median(levels)
    least = max(STUCK_MOVE_V, STUCK_STEPS * step)
    moves: _Renewals | None = None
    found = _never_moved(volts, seconds, step)
    for i in range(n):
        if any(i in fault.columns for fault in found):
            continue
        v = volts[:, i]
        known = np.flatnonzero(~np.isnan(v))
        if len(known) < 20:
            continue
        value = v[known]
        starts = np.concatenate([[0], np.flatnonzero(np.diff(value) != 0) + 1])
        ends = np.append(starts[1:], len(value)) - 1
        t = seconds[known]
        for run in np.flatnonzero((t[ends] - t[starts] >= STUCK_LEAST_S) & (ends - starts >= STUCK_ROWS - 1)):
            inside = known[starts[run] : ends[run] + 1]
            part = middle[inside]
            low, high = np.percentile(part, [2, 98])
            if high - low <= least or not loaded(drop, inside, step) or regulated(current, volts, i, inside):
                continue
            moves = _Renewals.of(volts, seconds) if moves is None else moves
            renewed = moves.of_others(i, int(inside[0]), int(inside[-1]))
            stood = float(t[ends[run]] - t[starts[run]])
            if renewed < STUCK_TURNS or stood < STUCK_TURNS * moves.interval(i, int(run), starts, t):
                continue
            lasts = stood / 60
            found.append(
                SensingFault(
                    "channel_stuck",
                    (i,),
                    float(np.max(np.abs(part - value[starts[run]]))),
                    f"reads {value[starts[run]]:.3f} V without a change for {lasts / 60:.0f} min "
                    f"while the others moved "
                    f"over {(high - low) * 1e3:.0f} mV and changed {renewed:.0f} times",
                )
            )
            break
    return found


NEVER_CELLS, NEVER_CHANGES, NEVER_SHARE = 6, 30, 0.25
"""Among as many channels or more, those that never changed are stuck, however little the others moved, where all others
changed so often over two steps or more and the stuck ones are no larger share than this (choice)."""


def _never_moved(volts: Floats, seconds: Floats, step: float) -> list[SensingFault]:
    """Find the few channels that read the same from end to end while noise alone moves all others."""
    if volts.shape[1] < NEVER_CELLS or not step > 0:
        return []
    with np.errstate(all="ignore"):
        span = np.nanmax(volts, axis=0) - np.nanmin(volts, axis=0)
    changes = np.array([np.count_nonzero(np.diff(v[~np.isnan(v)])) for v in volts.T])
    read = np.isfinite(span)
    never = np.flatnonzero((changes == 0) & read)
    others = np.flatnonzero((changes > 0) & read)
    few = len(never) <= max(1, NEVER_SHARE * volts.shape[1])
    if not few or not len(others) or (changes[others] < NEVER_CHANGES).any():
        return []
    # the channels of one logger may be read in unlike steps: the coarsest hide the most
    step = max([step, *(step_of(volts[~np.isnan(volts[:, i]), i]) for i in others.tolist())])
    if (span[others] < 1.9 * step).any():
        return []
    hours = float(seconds[-1] - seconds[0]) / 3600.0
    out = []
    for i in never.tolist():
        known = volts[~np.isnan(volts[:, i]), i]
        out.append(
            SensingFault(
                "channel_stuck",
                (i,),
                float(np.median(span[others])),
                f"reads {known[0]:.3f} V without a change for {hours:.1f} h while {_every_other(len(never))} changed "
                f"{int(changes[others].min())} times or more",
            )
        )
    return out


def _every_other(stuck: int) -> str:
    return "every other channel" if stuck == 1 else f"all but {stuck} channels"


@dataclass(frozen=True)
class _Renewals:
    """Rows in which each channel changed, and the usual time between its changes [s]; infinite where hardly any."""

    rows: tuple[npt.NDArray[np.int64], ...]
    usual_s: Floats

    @classmethod
    def of(cls, volts: Floats, seconds: Floats) -> _Renewals:
        rows, usual = [], []
        for v in volts.T:
            known = np.flatnonzero(~np.isnan(v))
            at = known[1:][np.diff(v[known]) != 0]
            rows.append(at)
            usual.append(float(np.median(np.diff(seconds[at]))) if len(at) > RENEWALS else np.inf)
        return cls(tuple(rows), np.array(usual))

    def of_others(self, i: int, first: int, last: int) -> float:
        """How often the middle one of the other channels changed from row `first` to `last`."""
        counts = [
            np.searchsorted(r, last, "right") - np.searchsorted(r, first, "right")
            for j, r in enumerate(self.rows)
            if j != i
        ]
        return float(np.median(counts))

    def interval(self, i: int, run: int, starts: npt.NDArray[np.int64], t: Floats) -> float:
        """Usual time between the changes of channel `i` outside one run [s]; of the slowest others if it has none."""
        own = np.delete(np.diff(t[starts]), run) if run < len(starts) - 1 else np.diff(t[starts])
        if len(own) > RENEWALS:
            return float(np.median(own))
        others = np.delete(self.usual_s, i)
        others = others[np.isfinite(others)]
        return float(np.percentile(others, 90)) if len(others) else np.inf


def loaded(drop: Floats | None, rows: npt.NDArray[np.int64], step: float) -> bool:
    """Whether the load by itself would have moved the reading over these rows; True where that is not asked."""
    if drop is None:
        return True
    low, high = np.nanpercentile(drop[rows], [2, 98])
    return bool(high - low > max(3.0 * step, 0.003))


def regulated(current: Floats | None, volts: Floats, cell: int, rows: npt.NDArray[np.int64]) -> bool:
    """Whether a charger held this cell at its limit over these rows: it leads all, and the current tapers for it.

    A channel that stands still after the charge as well is not held by a charger.
    """
    if current is None:
        return False
    amps = current[rows]
    known = amps[~np.isnan(amps)]
    if len(known) < 10:
        return False
    tenth = max(len(known) // 10, 3)
    first, last = float(np.median(known[:tenth])), float(np.median(known[-tenth:]))
    tapers = 0.9 * first < last < 0.02 * first
    with np.errstate(all="ignore"):
        leads = float(np.mean(volts[rows, cell] >= np.nanmax(volts[rows], axis=1)))
    return tapers and leads > 0.95


def floating_taps(volts: Floats, explained: Floats, trusted: Bools, step: float) -> list[SensingFault]:
    """Find sense wires that are off: two neighbours whose readings mirror each other.

    Parameters
    ----------
    volts
        (rows, cells) [V], rows in which neighbours are bled left out; no NaN in trusted columns.
    explained
        (rows, p) what may move a sound cell against the others: a level, the current, its filters.
    trusted
        (cells,) False for columns that are already known to be wrong.
    step
        Step of the readings [V].
    """
    rows, n = volts.shape
    use = np.flatnonzero(trusted)
    if rows < 60 or len(use) < 4:
        return []
    middle = np.median(volts[:, use], axis=1) if len(use) < 12 else volts[:, use].mean(axis=1)
    away = np.where(trusted, volts - middle[:, None], 0.0)
    q, _ = np.linalg.qr(explained)
    wander = away - q @ (q.T @ away)
    level = np.where(trusted, np.median(away, axis=0), np.nan)
    sd = wander.std(axis=0)
    least = MIRROR_LEAST_V if len(use) >= FEW_CELLS else FEW_LEAST_V
    best: list[tuple[float, SensingFault]] = []
    for k in range(n - 1):
        if not (trusted[k] and trusted[k + 1]):
            continue
        # the pair is no measure of what is usual: of four cells it is half
        others = use[(use != k) & (use != k + 1)]
        usual = float(np.median(sd[others]))
        spread = max(float(np.median(np.abs(level[others] - np.nanmedian(level)))) * 1.4826, step)
        moved = min(sd[k], sd[k + 1])
        both = float((wander[:, k] + wander[:, k + 1]).std())
        corr = float((wander[:, k] * wander[:, k + 1]).mean() / max(sd[k] * sd[k + 1], 1e-18))
        wandering = (
            corr < MIRROR_CORRELATION
            and moved > max(3.5 * usual, least, 2 * step)
            and both < max(3.0 * usual, 0.25 * moved)
        )
        size = 0.5 * abs(level[k] - level[k + 1])
        sum_off = abs(level[k] + level[k + 1] - 2 * np.nanmedian(level))
        apart = (
            size > max(LEVEL_LEAST_V, 12 * spread)
            and sum_off < max(0.1 * size, 3 * spread, 2 * step)
            and (level[k] - np.nanmedian(level)) * (level[k + 1] - np.nanmedian(level)) < 0
        )
        if wandering or apart:
            off = float(np.percentile(np.abs(away[:, k] - away[:, k + 1]) / 2, 95))
            text = (
                f"they mirror each other (correlation {corr:.2f}, each wanders by {moved * 1e3:.0f} mV "
                f"while their sum stays within {both * 1e3:.1f} mV)"
                if wandering
                else f"one reads {size * 1e3:.0f} mV high and the other as much low, their sum is as usual"
            )
            best.append((moved + size, SensingFault("tap_open", (k, k + 1), off, text)))
    taken: set[int] = set()
    out = []
    for _, fault in sorted(best, key=lambda pair: -pair[0]):
        if not taken & set(fault.columns):
            out.append(fault)
            taken |= set(fault.columns)
    return out
