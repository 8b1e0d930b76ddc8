"""A drop that comes and goes under load: a loose lug, and a sense wire that opens now and then.

    e_i(t) = V_i(t) - mean V(t) - (level, charge, load and filtered load of cell i)

A lug that opens for a moment adds ohms: e_i jumps by -dR I while the current holds, whichever way that flows, and
jumps back. A jump counts only where it passes the noise of the cell and all that a step of the current could do by
being read a row or two apart:

    |e_i(t) - e_i(t - 1)| > k s_i + R_i (max I - min I, two rows about)

A sense wire between two cells that opens moves both readings, one up by what the other goes down, load or none. What a
model leaves unexplained follows the load smoothly and jumps nowhere; and the null is the log's own: jumps the wrong way
(against the current), and those of the other cells.

Judgement: the factors and least counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter
from scipy.special import bdtr, chdtrc, stdtr

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

JUMP_NOISES, LEAST_JUMP_V = 7.0, 0.004
"""Least jump in noises of a cell's residual, and in volts."""
LEAST_C_RATE = 0.05
"""A load of less tells nothing of ohms, as a share of the capacity per hour."""
LEAST_BURSTS = 4
LONGEST_S = 60.0
"""A drop that lasts longer is a change, not a burst."""
WRONG_SHARE = 0.25
"""Share of bursts that may go the other way: where a lug is open half of the time, what is usual turns over
(choice)."""
HELD_SHARE, HELD_C_RATE, LEAST_OHM_SHARE = 0.12, 0.005, 0.3
"""The current holds where it swings by less than this share of it, and of the capacity per hour: at a step a cell whose
resistance has grown jumps as well, by less than the last, as a share of a usual resistance, for each ampere that flows
(choice)."""
CHANCE = 1e-3
"""How seldom signs alone may fall so, per log."""
ROUNDS, MEDIAN_ROWS = 25, 1500
MIRROR_SHARE, MIRROR_LEAST_V = 0.25, 0.010
"""Of a sense wire the two jumps cancel to within this share, and are as large as this."""


@dataclass(frozen=True)
class LooseJoint:
    """A cell whose drop comes and goes.

    Attributes
    ----------
    column
        Column of the cell.
    bursts, wrong
        Bursts in which the reading goes the way of a drop under that current; the other way.
    others
        Most bursts of any other cell.
    ohm, ohm_low, ohm_high
        Middle added resistance of the bursts, and its quartiles [ohm].
    seconds
        Middle length of a burst [s].
    charging, discharging
        How many of the bursts fell into charge current, how many into discharge.
    follows
        Whether current in both directions, or its size, or its absence at rest shows that the load makes the drop.
    rows
        (samples,) True where the drop is there, or may be.
    switches
        Whether it is open about as often as not: what its cell drops otherwise is then not known apart from it.
    by_windows
        Whether windows of the drive told it, not edges under a current that holds.
    """

    column: int
    bursts: int
    wrong: int
    others: int
    ohm: float
    ohm_low: float
    ohm_high: float
    seconds: float
    charging: int
    discharging: int
    follows: bool
    rows: Bools
    switches: bool = False
    by_windows: bool = False


@dataclass(frozen=True)
class LooseWire:
    """A sense wire that opens now and then: columns of its two cells, bursts, size [V]."""

    columns: tuple[int, int]
    bursts: int
    volts: float


def residuals(volts: Floats, loads: Floats, trusted: Bools) -> Floats:
    """Return (rows, cells) what each cell does against the mean of the trusted ones that `loads` do not explain [V].

    Rows that a first fit leaves far off do not pull a second one.

    Parameters
    ----------
    volts
        (rows, cells) [V], no NaN in trusted columns.
    loads
        (rows, p) columns that may move a sound cell against the others: level, charge, current, filters.
    """
    away = np.where(trusted, volts, np.nan)[:, trusted]
    away = away - away.mean(axis=1, keepdims=True)
    some = slice(None, None, max(1, len(away) // MEDIAN_ROWS))
    level = away - np.median(away[some], axis=0)
    if trusted.sum() >= 4:  # a cell that jumps is no part of what the others are measured by
        low, high = level.min(axis=1), level.max(axis=1)
        away = away - ((level.sum(axis=1) - low - high) / (trusted.sum() - 2))[:, None]
    size = np.maximum(np.sqrt((loads**2).mean(axis=0)), 1e-12)
    q, _ = np.linalg.qr(loads / size)
    left = away - q @ (q.T @ away)
    sd = 1.4826 * np.median(np.abs(left[some]), axis=0)
    left = left - q @ (q.T @ np.clip(left, -3.0 * sd, 3.0 * sd))
    out = np.zeros(volts.shape)
    out[:, trusted] = left
    return out


def find(
    left: Floats,
    loads: Floats,
    current: Floats,
    seconds: Floats,
    section: Ints,
    resistance: Floats,
    trusted: Bools,
    step: float,
    capacity: float,
    masked: Bools | None = None,
) -> tuple[list[LooseJoint], list[LooseWire]]:
    """Find cells whose drop comes and goes under load, and sense wires that open now and then.

    Parameters
    ----------
    left, loads
        (rows, cells) residuals from `residuals` [V], and its (rows, p) columns.
    current, seconds, section
        (rows,) [A], [s], number of the section.
    resistance
        (cells,) resistance of every cell [ohm].
    step
        Step of the readings [V].
    capacity
        [Ah].
    masked
        (rows,) True where bleeding goes on or off: no jump counts there.
    """
    rows = len(left)
    if rows < 60 or trusted.sum() < 4:
        return [], []
    jump = np.diff(left, axis=0)
    some = slice(None, None, max(1, rows // MEDIAN_ROWS))
    noise = np.maximum(1.4826 * np.median(np.abs(jump[some]), axis=0), step / np.sqrt(6.0))
    swing = _swing(current)
    least = np.maximum(JUMP_NOISES * noise, LEAST_JUMP_V) + swing[:, None] * (1.2 * resistance)
    valid = np.diff(section) == 0
    if masked is not None:
        valid &= ~(masked[1:] | masked[:-1])
    big = (np.abs(jump) > least) & valid[:, None] & trusted
    counts = big.sum(axis=0)
    if not (counts >= LEAST_BURSTS).any():
        return [], []
    wires, of_wire = _wires(jump, big, least)
    joints = []
    usual = np.sort(counts[trusted])[: max(int(0.75 * trusted.sum()), 1)].max()
    steady = swing < HELD_SHARE * np.abs(current[1:]) + HELD_C_RATE * capacity
    # the step into a rest ends the drop of an open contact: that is no jump at rest
    still = (np.abs(current[1:]) <= LEAST_C_RATE * capacity) & (swing <= LEAST_C_RATE * capacity)
    for cell in np.flatnonzero((counts >= LEAST_BURSTS) & (counts > 3 * usual)):
        if cell in of_wire:
            continue
        bursts = _joint(settled(left[:, cell], loads), big[:, cell], current, least[:, cell], capacity)
        found = (
            None
            if bursts is None
            else _weighed(int(cell), *bursts, current, seconds, capacity, float(noise[cell]))
        )
        least_ohm = LEAST_OHM_SHARE * float(resistance[cell])
        found = found or _switching(
            int(cell), jump[:, cell], big[:, cell], steady, still, current, seconds, capacity, least_ohm
        )
        if found is not None:
            joints.append(found)
    named = {j.column for j in joints}
    out = []
    for j in joints:
        rest = [int(counts[i]) // 2 for i in np.flatnonzero(trusted) if i not in named and i not in of_wire]
        others = max(rest, default=0)
        if j.bursts > 2 * others:
            out.append(LooseJoint(**{**j.__dict__, "others": others}))
    # where many cells jump, what they have in common is not a lug
    return (out if len(out) <= max(2, trusted.sum() // 6) else []), wires


def _swing(current: Floats) -> Floats:
    """Return (rows - 1,) how far the current moves over two rows about each pair of rows [A]."""
    padded = np.concatenate([current[:1], current[:1], current, current[-1:], current[-1:]])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 6)
    part = windows[: len(current) - 1]
    return np.asarray(part.max(axis=1) - part.min(axis=1), float)


def _wires(jump: Floats, big: Bools, least: Floats) -> tuple[list[LooseWire], set[int]]:
    found: list[tuple[int, LooseWire]] = []
    cells = jump.shape[1]
    for k in range(cells - 1):
        both = np.flatnonzero(big[:, k] & big[:, k + 1])
        if len(both) < LEAST_BURSTS:
            continue
        a, b = jump[both, k], jump[both, k + 1]
        mirrored = np.abs(a + b) < MIRROR_SHARE * np.abs(a - b)
        beside = [i for i in (k - 1, k + 2) if 0 <= i < cells]
        quiet = ~big[both][:, beside].any(axis=1)
        good = mirrored & quiet & (np.abs(a - b) > 2.0 * MIRROR_LEAST_V)
        if good.sum() >= max(LEAST_BURSTS, 0.6 * max(big[:, k].sum(), big[:, k + 1].sum()) * 0.8):
            size = float(np.median(np.abs(a - b)[good]) / 2.0)
            found.append((int(good.sum()), LooseWire((k, k + 1), int(good.sum() + 1) // 2, size)))
    taken: set[int] = set()
    out = []
    for _, wire in sorted(found, key=lambda pair: -pair[0]):
        if not taken & set(wire.columns):
            out.append(wire)
            taken |= set(wire.columns)
    return out, taken


def settled(left: Floats, loads: Floats) -> Floats:
    """Return the residuals (rows,) of one cell, fitted again until its bursts no longer pull the fit."""
    size = np.maximum(np.sqrt((loads**2).mean(axis=0)), 1e-12)
    q, _ = np.linalg.qr(loads / size)
    for _ in range(ROUNDS):
        sd = 1.4826 * float(np.median(np.abs(left)))
        left = left - q @ (q.T @ np.clip(left, -1.5 * sd, 1.5 * sd))
    return left


def _joint(
    left: Floats, big: Bools, current: Floats, least: Floats, capacity: float
) -> tuple[Floats, Floats, list[tuple[int, int]], Floats] | None:
    """Return drops [V], currents [A], first and last rows of the bursts of one cell, and how far it is off; or None."""
    away = left - median_filter(left, size=61, mode="nearest")
    out = np.abs(away) > 0.5 * np.concatenate([least[:1], least])
    edge = np.flatnonzero(np.diff(np.concatenate([[0], out.astype(np.int8), [0]])))
    near = np.convolve(np.concatenate([big, [False]]).astype(float), np.ones(3), "same") > 0.5
    runs = [
        (int(a), int(b) - 1)
        for a, b in zip(edge[::2], edge[1::2], strict=True)
        if near[max(a - 1, 0)] or near[max(b - 1, 0)]
    ]
    if len(runs) < LEAST_BURSTS:
        return None
    drop = np.array([-float(np.mean(away[a : b + 1])) for a, b in runs])
    amps = np.array([float(np.mean(current[a : b + 1])) for a, b in runs])
    return drop, amps, runs, away


def _weighed(
    cell: int,
    drop: Floats,
    amps: Floats,
    runs: list[tuple[int, int]],
    away: Floats,
    current: Floats,
    seconds: Floats,
    capacity: float,
    noise: float,
) -> LooseJoint | None:
    """Weigh which way the bursts of a cell go; None where not with the load."""
    length = np.array([seconds[min(b + 1, len(seconds) - 1)] - seconds[a] for a, b in runs])
    short = length <= LONGEST_S
    right = short & (np.abs(amps) > LEAST_C_RATE * capacity) & (drop * amps > 0)
    bursts, wrong = int(right.sum()), int((short & ~right).sum())
    if bursts < LEAST_BURSTS or wrong > WRONG_SHARE * bursts:
        return None
    charging, discharging = int((right & (amps < 0)).sum()), int((right & (amps > 0)).sum())
    low, middle, high = (float(v) for v in np.percentile(drop[right] / amps[right], [25, 50, 75]))
    # moments that began with a step of the current pass no test of their own
    rows = -away * np.sign(current) > np.maximum(0.35 * low * np.abs(current), 4.0 * noise)
    for a, b in runs:
        rows[a : b + 1] = True
    rows = rows | np.roll(rows, 1) | np.roll(rows, -1)
    follows = _follows(drop[right], amps[right], min(charging, discharging), current, capacity, bursts)
    return LooseJoint(
        cell,
        bursts,
        wrong,
        0,
        middle,
        low,
        high,
        float(np.median(length[right])),
        charging,
        discharging,
        follows,
        rows,
    )


def _switching(
    cell: int,
    jump: Floats,
    big: Bools,
    steady: Bools,
    still: Bools,
    current: Floats,
    seconds: Floats,
    capacity: float,
    least_ohm: float,
) -> LooseJoint | None:
    """Weigh the jumps under a current that holds, of a contact that is open as often as not: no state is the usual one.

    Each jump is worth r_j = -de_j / I_j ohms, whichever way the load flows: up where it opens, down where it closes,
    and both about as often. Jumps that are no contact's know nothing of the load. A change that falls together with a
    step of the current is not seen, so that between two jumps the contact may have been open if either says so.
    """
    loaded = steady & (np.abs(current[1:]) > LEAST_C_RATE * capacity)
    at = np.flatnonzero(big & loaded)
    resting = int((big & still).sum())
    if len(at) < 2 * LEAST_BURSTS or resting > WRONG_SHARE * len(at):
        return None
    amps = current[at + 1]
    ohm = -jump[at] / amps
    opens = ohm > 0
    if not WRONG_SHARE < opens.mean() < 1.0 - WRONG_SHARE or float(np.median(np.abs(ohm))) < least_ohm:
        return None
    size, load = np.log(np.abs(jump[at])), np.log(np.abs(amps))
    # a contact that opens by halves now and then is less plainly in proportion, but never against it
    if load.std() > LEAST_SPREAD and (size - load).std() >= size.std():
        return None
    share = float(still.sum()) / max(int(still.sum() + loaded.sum()), 1)
    chances = _chance_of_missing_rests(resting, len(at), share), _chance_of_proportion(size, load)
    if _together(*chances) > CHANCE and not _in_proportion(size, load):
        return None
    between = np.concatenate([[False], opens]) | np.concatenate([~opens, [False]])
    open_rows = np.repeat(between, np.diff(np.concatenate([[0], at + 1, [len(current)]])))
    length = np.diff(seconds[at + 1])[between[1:-1]]
    low, middle, high = (float(v) for v in np.percentile(np.abs(ohm), [25, 50, 75]))
    into_charge = int((opens & (amps < 0)).sum())
    return LooseJoint(
        cell,
        int(opens.sum()),
        0,
        0,
        middle,
        low,
        high,
        float(np.median(length)) if len(length) else 0.0,
        into_charge,
        int(opens.sum()) - into_charge,
        True,
        np.asarray(open_rows, bool),
        True,
    )


LEAST_SPREAD, PROPORTION = 0.15, 0.8
"""Spread of the logarithm of the load from which proportion can be told, and how much of the jumps' own spread may be
left when the load's is taken out (choice)."""


def _in_proportion(size: Floats, load: Floats) -> bool:
    """Whether jumps grow with the load that flowed; (n,) logarithms of both."""
    if load.std() <= LEAST_SPREAD or not size.std() > 0:
        return False
    correlation = float(np.corrcoef(size, load)[0, 1])
    return correlation > 3.0 / np.sqrt(len(size)) and float((size - load).std()) < PROPORTION * float(
        size.std()
    )


def _chance_of_missing_rests(resting: int, loaded: int, share: float) -> float:
    """Return how seldom jumps without regard for the load fall so seldom into rests, which are `share` of the rows."""
    return float(bdtr(resting, resting + loaded, share))


def _chance_of_proportion(size: Floats, load: Floats) -> float:
    """Return how seldom jumps without regard for the load grow with it as these; (n,) logarithms of both."""
    if load.std() <= LEAST_SPREAD or not size.std() > 0:
        return 1.0
    r = min(float(np.corrcoef(size, load)[0, 1]), 1.0 - 1e-12)
    return float(stdtr(len(size) - 2, -r * np.sqrt((len(size) - 2) / (1.0 - r * r))))


def _together(first: float, second: float) -> float:
    """Return how seldom two independent chances are as small (Fisher, Statistical Methods, 1925, section 21.1)."""
    return float(chdtrc(4, -2.0 * np.log(max(first * second, 1e-300))))


def _misses_the_rests(current: Floats, capacity: float, bursts: int) -> bool:
    """Whether so many bursts, had they no regard for the load, would have missed the rests by a chance of one only."""
    resting = float((np.abs(current) < LEAST_C_RATE * capacity).mean())
    return bool(resting < 1.0 and (1.0 - resting) ** bursts < CHANCE)


def _follows(drop: Floats, amps: Floats, both: int, current: Floats, capacity: float, bursts: int) -> bool:
    """Whether the load makes the drop: by its direction, its size, or since nothing is seen at rest."""
    if both >= 2:
        return True
    size, load = np.log(np.abs(drop)), np.log(np.abs(amps))
    if len(size) >= 6 and load.std() > 0.15:
        spread = (size - load).std() / max(size.std(), 1e-9)
        correlation = float(np.corrcoef(size, load)[0, 1])
        if correlation > 3.0 / np.sqrt(len(size)) and spread < 1.0:
            return True
    return _misses_the_rests(current, capacity, bursts)
