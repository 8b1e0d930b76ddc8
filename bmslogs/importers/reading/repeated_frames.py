"""Held frames: rows that repeat the last frame because the new one was lost.

A repeat is nulled only where chance cannot have made it: less than one true row in twenty million (`CHANCE`), in a
log of any length, since every row is tested. That chance is taken from the log itself, in like conditions:

* how often the current stands from row to row while the cells are read anew;
* how often single channels repeat where the load hardly moves. Channels do not change independently (they share the
  steps of the current, the reference and the step of the converter): the variance of the number that change says how
  many they are worth, and rows in which hardly any changed bound the chance from below.

At rest a held frame says nothing false, so there the demand is stricter (`CHANCE_AT_REST`), and more than
`LONGEST_AT_REST` rows alike are a logger that sleeps. Where no row says how the readings scatter, nothing is held.

``python -m tests.importers.nulls`` counts the true rows nulled on fault-free logs of many kinds, and the lost frames
found: of ten million rows (seed 7) 0 were nulled; where noise reaches half a step on 12 cells or more 88 % of the lost
frames were found, else most cannot be told from a pack that stands still and are kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
CHANCE = float(np.log(5e-8))
"""Choice: natural logarithm of the chance, per row, below which a repeat is no chance."""
CHANCE_AT_REST = float(np.log(1e-10))
"""Choice: the same at rest, where nothing is lost by keeping what may be held."""
LONGEST_AT_REST = 5
"""Choice [rows]."""
AROUND = 16
"""Choice [rows]: as many on each side say whether the current, or the readings at rest, stand here."""
REST_SHARE, REST_A = 0.01, 0.5
"""Choice: a current below this share of the largest, or below this many A, is rest."""
REGULAR = 0.3
"""Choice: above this share of unchanged rows the logger simply refreshes slowly."""
LEAST_QUIET, MOST_QUIET = 20, 2048
"""Choice [rows]: fewer rows of hardly any load say nothing of the scatter; more add nothing."""
COMMON_REPEATS = 0.02
"""Choice: above this share of repeats at rest they are part of how the log scatters there."""
LEAST_TAIL = -20.0
"""Choice: tails of real readings are heavier than normal ones; no answer that fails to come is rarer than this [ln]."""

CHANNELS_AT_ONCE = 128
"""So many can be counted in one byte."""


@dataclass(frozen=True)
class Scatter:
    """How readings repeat: natural logarithm of the chance that all channels of a row do; from how many rows."""

    chance: float
    rows: int


UNKNOWN = Scatter(0.0, 0)


def held_rows(
    cells: Floats, current: Floats | None, pack: Floats | None = None, before: Scatter = UNKNOWN
) -> tuple[Bools, Bools, Scatter]:
    """Return rows whose whole frame is held, rows whose cells alone are, and how the readings scatter.

    Parameters
    ----------
    cells
        (cells, rows) [mV] as read.
    current, pack
        (rows,) [A], [V]. Without a current nothing tells a lost frame from a quiet pack.
    before
        Scatter in the rows before: for a block that is too short to say.
    """
    rows = cells.shape[1]
    whole, alone = np.zeros(rows, dtype=bool), np.zeros(rows, dtype=bool)
    if rows < 4 or not len(cells) or current is None:
        return whole, alone, before
    changed = _changed(cells)
    # a missing reading is never equal to itself: rows with gaps count as changed, which is on the safe side
    same = changed == 0
    same[0] = False
    if not same.any():
        return whole, alone, before
    step = np.abs(np.diff(current, prepend=np.nan))
    moved = ~(step == 0)
    if same[1:].mean() > REGULAR and moved[same].mean() > 0.5:
        return whole, alone, before
    with np.errstate(invalid="ignore"):
        resting = np.abs(current) <= max(REST_SHARE * float(np.nanmax(np.abs(current), initial=0.0)), REST_A)
    frame = same & ~moved
    if pack is not None:
        frame[1:] &= (pack[1:] == pack[:-1]) | np.isnan(pack[1:])
    answer = _Answer(cells, current, same)
    scatter = _scatter(cells, changed, _quiet(same, frame, step, resting, answer.least_step), before)
    whole = _held_under_way(frame & ~resting, same, moved, resting, scatter.chance)
    whole |= _held_at_rest(frame & resting, changed, resting, scatter.chance, len(cells))
    alone = same & moved & np.isfinite(step)
    alone[alone] = answer.missing(alone) + scatter.chance < CHANCE
    return whole, alone, scatter


def _changed(cells: Floats) -> npt.NDArray[np.int32]:
    """Return (rows,) how many channels differ from the row before."""
    changed = np.zeros(cells.shape[1], dtype=np.int32)
    for first in range(0, len(cells), CHANNELS_AT_ONCE):
        some = cells[first : first + CHANNELS_AT_ONCE]
        with np.errstate(invalid="ignore"):
            unlike = some[:, 1:] != some[:, :-1]
        changed[1:] += np.add.reduce(unlike.view(np.uint8), axis=0, dtype=np.uint8)
    return changed


def _quiet(same: Bools, frame: Bools, step: Floats, resting: Bools, least_step: float) -> Ints:
    """Return rows in which the load moved too little to move the cells: what changes there is scatter.

    Repeats of the whole frame are left out, for these may be held; but where they are common at rest, they are chance.
    """
    with np.errstate(invalid="ignore"):
        quiet = step <= least_step
    quiet[0] = False
    at_rest = quiet & resting
    repeats = frame & at_rest
    common = repeats.sum() > COMMON_REPEATS * at_rest.sum()
    return np.flatnonzero(quiet & ~(frame & ~(repeats if common else np.zeros_like(same))))


def _scatter(cells: Floats, changed: npt.NDArray[np.int32], quiet: Ints, before: Scatter) -> Scatter:
    """Return the chance that every channel repeats, by the rows of hardly any load."""
    if len(quiet) < max(LEAST_QUIET, min(before.rows, 5 * LEAST_QUIET)):
        return before
    picked = quiet[:: max(len(quiet) // MOST_QUIET, 1)]
    with np.errstate(invalid="ignore"):
        unlike = cells[:, picked] != cells[:, picked - 1]
    n = len(picked)
    rate = unlike.mean(axis=1)
    alone = float((rate * (1 - rate)).sum())
    worth = max(float(unlike.sum(axis=0).var()) / max(alone, 1e-9), 1.0)
    rate = np.minimum(rate, 0.98)
    doubt = float(np.sqrt((rate / (1 - rate)).sum() / n))
    chance = min(float(np.log1p(-rate).sum()) / worth + 2.0 * doubt, 0.0)
    for few, share in ((1, 0.1), (len(cells) // 8, 0.01)):
        seen = int((changed[quiet] <= few).sum())
        if seen:
            chance = max(chance, float(np.log(share * seen / len(quiet))))
    return Scatter(chance, len(quiet))


class _Around:
    """Sums over the fresh rows nearest to others: the `AROUND` before and the `AROUND` behind each."""

    def __init__(self, fresh: Bools) -> None:
        self.fresh_at = np.flatnonzero(fresh)

    def sums(self, rows: Ints, values: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
        """Return the sum of `values` (one a row of the block) over the fresh rows around each of `rows`."""
        running = np.concatenate([[0.0], np.cumsum(values[self.fresh_at].astype(np.float64))])
        at = np.searchsorted(self.fresh_at, rows)
        left, right = np.maximum(at - AROUND, 0), np.minimum(at + AROUND, len(self.fresh_at))
        return np.asarray(running[right] - running[left], dtype=np.float64)


def _run_lengths(mask: Bools, rows: Ints) -> Ints:
    """Return how long the runs are in which rows of a mask lie."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    return np.asarray((ends - starts)[np.searchsorted(starts, rows, side="right") - 1], dtype=np.int64)


def _held_under_way(frame: Bools, same: Bools, moved: Bools, resting: Bools, chance: float) -> Bools:
    """Whether repeats under load are held: the current stands by chance, and every channel with it."""
    rows = np.flatnonzero(frame)
    if not len(rows) or chance == 0.0:
        return np.zeros_like(frame)
    fresh = ~same & ~resting
    stands = fresh & ~moved
    usual = (int(stands.sum()) + 1) / (int(fresh.sum()) + 1)
    around = _Around(fresh)
    n = around.sums(rows, np.ones(len(frame)))
    here = np.maximum(around.sums(rows, stands) / np.maximum(n, 1), usual)
    out = np.zeros_like(frame)
    out[rows] = (n >= 8) & (np.log(here) + np.minimum(_run_lengths(frame, rows), 2) * chance < CHANCE)
    return out


def _held_at_rest(
    frame: Bools, changed: npt.NDArray[np.int32], resting: Bools, chance: float, channels: int
) -> Bools:
    """Whether repeats at rest are held: against the rows at rest around them, repeats among these included."""
    rows = np.flatnonzero(frame)
    if not len(rows) or chance == 0.0:
        return np.zeros_like(frame)
    length = _run_lengths(frame, rows)
    around = _Around(resting & ~frame)
    n = np.maximum(around.sums(rows, np.ones(len(frame))), 1)
    rate = around.sums(rows, changed / channels) / n
    # as many channels as the whole log says they are worth, but at the rate of these rows
    usual = max(float(changed[resting & ~frame].mean()) / channels, 1e-6)
    here = np.maximum(chance * np.log1p(-np.minimum(rate, 0.98)) / np.log1p(-min(usual, 0.98)), chance)
    alike = _Around(resting)
    others = alike.sums(rows, frame) - length
    out = np.zeros_like(frame)
    out[rows] = (
        (n >= AROUND)
        & (length <= LONGEST_AT_REST)
        & (others <= 0.125 * 2 * AROUND)
        & (np.minimum(length, 2) * here < CHANCE_AT_REST)
    )
    return out


class _Answer:
    """How the cells follow the current from row to row.

    Attributes
    ----------
    least_step
        Largest step of the current [A] that moves the cells by less than half of their own step.
    """

    def __init__(self, cells: Floats, current: Floats, same: Bools) -> None:
        with np.errstate(all="ignore"):
            answer = np.diff(cells.mean(axis=0), prepend=np.nan)
            change = np.diff(current, prepend=np.nan)
        good = np.isfinite(answer) & np.isfinite(change) & ~same
        good[1:] &= ~same[:-1]  # what a lost frame kept back comes with the next one
        self._change = np.abs(change)
        self._slope = 0.0
        if good.sum() >= 30:
            self._slope = float(answer[good] @ change[good] / max(float(change[good] @ change[good]), 1e-30))
        rest = np.abs(answer[good] - self._slope * change[good])
        self._scatter = float(np.sqrt(np.mean(rest**2))) if len(rest) else np.inf
        self._worst = np.sort(rest)
        steps = np.abs(np.diff(cells[: min(len(cells), 4)], axis=1))
        with np.errstate(invalid="ignore"):
            self._finest = float(np.min(steps[steps > 1e-3], initial=np.inf))
        self.least_step = 0.0
        if self._slope and np.isfinite(self._finest):
            self.least_step = 0.5 * self._finest / abs(self._slope)

    def missing(self, rows: Bools) -> npt.NDArray[np.float64]:
        """Return the logarithm of the chance that sound cells do not answer the steps of these rows at all."""
        if not self._slope or not np.isfinite(self._finest) or not len(self._worst):
            return np.zeros(int(rows.sum()))
        due = abs(self._slope) * self._change[rows] - self._finest
        z = np.maximum(due, 0.0) / max(self._scatter, 1e-9)
        chance = np.maximum(-0.5 * z**2, LEAST_TAIL)
        return np.asarray(np.where(due > 1.2 * self._worst[-1], chance, 0.0), dtype=np.float64)
