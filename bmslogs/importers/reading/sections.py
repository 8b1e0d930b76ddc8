"""Joints of a log: places where the cells do what no cell can, because the clock stood still or files were joined.

Nearly all cells jump together, no current explains it, and no time is missing between the rows. What current explains
is taken from the file itself: the drop that its own steps of current make, and how far the cells stray from it nearby.
So a refresh slower than the rows, a lag between current and cells, held frames and noise measure themselves.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar

import numpy as np
import numpy.typing as npt

from bmslogs.base.marks import HIDDEN, WrittenBy
from bmslogs.base.published import Published
from bmslogs.importers.plan.repairs import iso
from bmslogs.importers.reading.blocks import Chunk

Floats = npt.NDArray[np.float64]
Float32s = npt.NDArray[np.float32]
Int64s = npt.NDArray[np.int64]
PICKED = 12
"""Choice: as many cells, spread over the string, stand for all."""
LEAST_MV, LEAST_STEPS = 6.0, 4.0
"""Choice [mV, steps of the readings]: smaller jumps cost no verdict anything."""
FAR = 8.0
"""Choice: a jump is as many times the usual stray of the rows nearby (a robust standard deviation) at least."""
ALONE = 2.5
"""Choice: and as many times the largest other stray nearby: what comes often is the logger's habit."""
FOLLOWED = 3.0
"""Choice: cells follow the current nearby where no other stray is more than a part in this of the jump."""
QUIET, LEAST_ALIKE = 0.02, 5
"""Choice [1/h, rows]: steps of current below this share of the capacity are none; as many rows tell what is usual."""
ANSWERED = 0.4
"""Choice: cells answer a step of current whose usual drop they miss by less than this share."""
LEARNT = 5000
"""Choice: as many steps of a block tell what cells do by their current."""
SURELY = 3.0
"""Choice: where no sensor jumps with the cells, by as many times more."""
EXPLAINED = 0.6
"""Choice: and more than this share of the drop that all current nearby could make."""
ANSWERS = 1.3
"""Choice: a jump the way that a step of current nearby would move the cells, by up to so many times what it usually
does, is its answer: cells are not linear, and in a row's first moment answer by less."""
TOGETHER, SHARE = 0.9, 0.15
"""Choice: at least this share of the cells jumps the same way, by this share of the mean jump each."""
BESIDE = 30
"""Choice [rows]: as many on each side are nearby."""
NEXT_TO = 3
"""Choice [rows]: current and cells may be apart by as many rows."""
LEARN_ROWS = 2 * NEXT_TO + 1
"""Rows over which steps of current are held against what the cells do."""
AMPLE, AMPLE_C = 100, 0.1
"""Choice [steps, 1/h]: as many steps of this size, joints left out, tell the drop; else it is typical at least."""
OWN, OWN_LEAST = 1.5, 0.3
"""Choice: a drop so told may be this many times larger at one place, and is this share of the typical one at least."""
GAP = 3.0
"""Choice [usual steps]: where more time passes between rows, it is missing, and anything may have happened."""
COLDER_C = 0.5
"""Choice [K]: all sensors together do not jump by more between two rows."""
SUDDEN_C = 1.5
"""Choice [K]: where they jump by more, and nowhere else nearby, no load explains the cells."""
MOST = 1000
"""Choice: as many places are kept for the verdict."""
HABIT = 20
"""Choice: a log with more joints in it than this, and one in 500 rows, has another habit that looks like them."""
TYPICAL_OHM = 0.1
"""Choice [ohm Ah]: a cell of 100 Ah has about a milliohm; used where a log has no step of current that would tell."""


@dataclass(frozen=True)
class Joint(Published):
    """A joint: first row behind it in the log, its stamp [us], jump of the mean cell [mV] and of the sensors [K]."""

    row: int
    time: Annotated[int, WrittenBy(iso)]
    jump_mv: Annotated[float, HIDDEN]
    warmer: Annotated[float, HIDDEN]
    computed: ClassVar[tuple[str, ...]] = ("says",)

    @property
    def says(self) -> str:
        """One sentence."""
        warmth = f", the temperatures by {self.warmer:+.1f} K" if abs(self.warmer) > COLDER_C else ""
        return (
            f"this log has a joint at {iso(self.time)} (row {self.row}): the cells jump by {self.jump_mv:+.0f} mV"
            f"{warmth} with no current that explains it and no time between; what lies before and behind is taken apart"
        )


@dataclass(frozen=True)
class _Place:
    """A row that may be a joint, with what its verdict needs.

    `sudden` says that all sensors together jump as they do nowhere nearby; `moved` is how far the cells went the way of
    the jump in the rows right before it [mV]: steps of current there are answered already, while those behind may be
    read late. `cross` and `square` are what the place has added to `Joints._learn`.
    """

    row: int
    time: int
    jump: float
    stray: float
    usual: float
    others: float
    range_a: float
    active_a: float
    warmer: float
    step_a: float
    sudden: bool
    moved: float
    cross: float
    square: float


@dataclass
class Joints:
    """Looks for joints in finished rows, block by block.

    Attributes
    ----------
    step_mv
        Step of the cell readings.
    capacity
        Nominal [Ah].
    """

    step_mv: float
    capacity: float
    places: list[_Place] = field(default_factory=list)
    _rows: int = 0
    _cross: float = 0.0
    _square: float = 0.0
    _tail: dict[str, npt.NDArray[Any]] = field(default_factory=dict)
    _seen: int = 0
    _known: bool = True

    def add(self, chunk: Chunk) -> None:
        """Take the next finished rows, in order."""
        if not len(chunk.cells) or (chunk.current is None and not len(chunk.temperatures)):
            return
        picked = chunk.cells[:: max(len(chunk.cells) // PICKED, 1)]
        new: dict[str, npt.NDArray[Any]] = {
            "row": np.arange(self._rows, self._rows + chunk.rows),
            "time": chunk.time,
            "mean": picked.mean(axis=0, dtype=np.float32),
            "cells": picked,
            "current": chunk.current if chunk.current is not None else np.zeros(chunk.rows, np.float32),
            "warmth": _warmth(chunk),
            "bled": _bled(chunk),
        }
        self._known = chunk.current is not None
        self._rows += chunk.rows
        self._look(new, False)

    def end(self) -> list[Joint]:
        """Return the joints of the whole log."""
        if self._tail:
            self._look({k: v[..., :0] for k, v in self._tail.items()}, True)
        drop = self._drop()
        found = [p for p in self.places if self._is_joint(p, drop)]
        if len(found) > max(HABIT, self._rows // 500):
            return []
        return [Joint(p.row, p.time, p.jump, p.warmer) for p in found]

    def _drop(self) -> float:
        """Return what steps of current may explain at most [mV per A], told without the places in question."""
        typical = 1e3 * TYPICAL_OHM / self.capacity
        asked = [p for p in self.places if self._stands_out(p, abs(p.stray))]
        square = self._square - sum(p.square for p in asked)
        if square < AMPLE * (AMPLE_C * self.capacity) ** 2:
            return max(abs(self._slope()), typical)
        slope = (self._cross - sum(p.cross for p in asked)) / square
        return max(OWN * abs(slope), OWN_LEAST * typical)

    def _stands_out(self, p: _Place, size: float) -> bool:
        """Whether a jump is far from what is usual and from all others nearby."""
        return size > max(LEAST_MV, LEAST_STEPS * self.step_mv, FAR * p.usual, ALONE * p.others)

    def _slope(self) -> float:
        """Return what a cell does by its steps of current [mV per A], in the logger's sign; typical at least."""
        typical = 1e3 * TYPICAL_OHM / self.capacity
        found = self._cross / self._square if self._square > 0 else 0.0
        return float(np.copysign(np.clip(abs(found), 0.2 * typical, 20 * typical), found))

    def _learn(self, mean: Float32s, current: Float32s) -> None:
        """Add to what steps of current do, over as many rows as current and cells may be apart."""
        lag = min(LEARN_ROWS, len(mean) - 1)
        part = slice(0, None, max(len(mean) // LEARNT, 1))
        dv, di = (mean[lag:] - mean[:-lag])[part], _whole((current[lag:] - current[:-lag])[part])
        self._cross += float(dv @ di)
        self._square += float(di @ di)

    def _is_joint(self, p: _Place, drop: float) -> bool:
        colder = abs(p.warmer) > COLDER_C
        if p.sudden:
            # the steps of current that tell the drop may be this one alone: then it would explain itself
            drop = min(drop, 1e3 * TYPICAL_OHM / self.capacity)
        size = max(abs(p.stray), abs(p.jump) - drop * p.range_a)
        if not self._stands_out(p, size):
            return False
        if p.sudden or not self._known:
            return colder
        # where the current moves as much nearby and the cells follow it, it would explain this step as well
        answer = self._slope() * p.step_a
        if not colder and 0.0 < p.jump * np.sign(answer) < ANSWERS * drop * p.range_a and abs(answer) > size:
            return False
        follows = p.active_a >= p.range_a and size > (1.0 if colder else SURELY) * FOLLOWED * p.others
        return follows or size > EXPLAINED * max(drop * p.range_a - p.moved, 0.0)

    def _look(self, new: dict[str, npt.NDArray[Any]], final: bool) -> None:
        both = {k: np.concatenate([self._tail[k], v], axis=-1) for k, v in new.items()} if self._tail else new
        n = len(both["row"])
        first = int(self._tail["row"][0]) if self._tail else 0
        skip = min(BESIDE, self._seen - first) if self._tail else 0
        stop = n if final else n - BESIDE
        if n > 2 and stop > max(skip, 1):
            self._judge(both, max(skip, 1), stop)
        if not final:
            keep = max(stop - BESIDE, 0)
            self._seen = int(both["row"][0]) + max(stop, 0) if n else 0
            self._tail = {k: v[..., keep:] for k, v in both.items()}

    def _judge(self, rows: dict[str, npt.NDArray[Any]], first: int, stop: int) -> None:
        """Note the rows of a block that stray far from what current explains."""
        mean, current, time = rows["mean"], rows["current"], rows["time"]
        if np.isnan(mean).any():
            good = np.flatnonzero(np.isfinite(mean))
            if len(good) < 3:
                return
            first, stop = (int(x) for x in np.searchsorted(good, [first, stop]))
            first = max(first, 1)
            rows = {k: v[..., good] for k, v in rows.items()}
            mean, current, time = rows["mean"], rows["current"], rows["time"]
        dv, di = np.diff(mean), _whole(np.diff(current))
        self._learn(mean, current)
        stray = np.abs(dv - np.float32(self._slope()) * di)
        sample = stray[:: max(len(stray) // 512, 1)]
        limit = max(LEAST_MV, LEAST_STEPS * self.step_mv, 0.5 * FAR * 1.4826 * float(np.median(sample)))
        # a joint at the only step of current would be what that step does
        warm = np.abs(np.diff(rows["warmth"])) > SUDDEN_C
        able = np.flatnonzero((stray > limit) | (warm & (np.abs(dv) > limit))) + 1
        able = able[(able >= first) & (able < stop)]
        if len(able) > 200:
            able = np.sort(able[np.argsort(stray[able - 1])[-200:]])
        if not len(able):
            return
        usual_us = float(np.median(np.diff(time)))
        for k in able.tolist():
            if time[k] - time[k - 1] <= GAP * usual_us and len(self.places) < MOST:
                place = self._place(rows, stray, k)
                if place is not None:
                    self.places.append(place)

    def _around(self, stray: Float32s, current: Float32s, k: int) -> Float32s:
        """Return the strays beside a row; for one at rest not those where cells answered a step, if not as usual.

        A row is at rest where it takes no step of current, nor do those right behind it (a current may be read late),
        and the cells have answered all steps right before it in the rows of these steps.
        """
        from_row, to_row = max(k - 1 - BESIDE, 0), min(k + BESIDE, len(stray))
        steps = np.abs(np.diff(current[from_row : to_row + 1]))
        moves = steps > QUIET * self.capacity
        answered = moves & (stray[from_row:to_row] < ANSWERED * abs(self._slope()) * steps)
        here = k - 1 - from_row
        before, behind = slice(max(here - NEXT_TO, 0), here), slice(here, here + NEXT_TO + 1)
        rests = not (moves & ~answered)[before].any() and not moves[behind].any()
        others = np.arange(from_row, to_row) != k - 1
        beside, answered = stray[from_row:to_row][others], answered[others]
        return (
            np.asarray(beside[~answered]) if rests and np.count_nonzero(~answered) >= LEAST_ALIKE else beside
        )

    @staticmethod
    def _warmed(warmth: Float32s, k: int) -> float:
        """Return the largest change of the sensors over as many rows elsewhere nearby [K]."""
        before, behind = warmth[max(k - BESIDE, 0) : k], warmth[k : k + BESIDE]
        steps = [np.abs(x[3:] - x[:-3]) for x in (before, behind) if len(x) > 3]
        return float(np.nan_to_num(np.concatenate(steps)).max(initial=0.0)) if steps else np.inf

    def _place(self, rows: dict[str, npt.NDArray[Any]], stray: Float32s, k: int) -> _Place | None:
        jump = rows["cells"][:, k] - rows["cells"][:, k - 1]
        mean = float(rows["mean"][k] - rows["mean"][k - 1])
        with np.errstate(invalid="ignore"):
            with_them = np.count_nonzero(jump * np.sign(mean) >= SHARE * abs(mean))
        # one cell may stand apart, of few as of many
        least = len(jump) - 1 if 2 < len(jump) < 1 / (1 - TOGETHER) else TOGETHER * len(jump)
        if with_them < least:
            return None
        near = slice(max(k - NEXT_TO - 1, 0), k + NEXT_TO + 1)
        if (rows["bled"][near] != rows["bled"][near][0]).any():
            return None
        around = self._around(stray, np.nan_to_num(rows["current"]), k)
        amps = rows["current"][near]
        amps = amps[np.isfinite(amps)]
        beside = np.r_[max(k - BESIDE, 0) : near.start, near.stop : min(k + BESIDE, len(stray) + 1)]
        more = rows["current"][beside]
        more = more[np.isfinite(more)]
        warmth = rows["warmth"][max(k - 2, 0) : k + 2]
        warmer = float(np.nan_to_num(warmth[-1] - warmth[0])) if len(warmth) == 4 else 0.0
        return _Place(
            int(rows["row"][k]),
            int(rows["time"][k]),
            mean,
            float(stray[k - 1]),
            1.4826 * float(np.median(around)) if len(around) else 0.0,
            float(around.max(initial=0.0)),
            float(np.ptp(amps)) if len(amps) else 0.0,
            float(np.ptp(more)) if len(more) else 0.0,
            warmer,
            _largest_step(rows["current"][max(k - 2, 0) : k + 2]),
            abs(warmer) > max(SUDDEN_C, FOLLOWED * self._warmed(rows["warmth"], k)),
            max(float((rows["mean"][k - 1] - rows["mean"][near.start]) * np.sign(mean)), 0.0),
            *_learnt_over(rows["mean"], rows["current"], k),
        )


def _largest_step(amps: Float32s) -> float:
    """Return the largest step between two rows, with its sign; nought where there is none."""
    steps = np.diff(amps[np.isfinite(amps)])
    return float(steps[np.argmax(np.abs(steps))]) if len(steps) else 0.0


def _learnt_over(mean: Float32s, current: Float32s, k: int) -> tuple[float, float]:
    """Return what `Joints._learn` has added for the rows around a place: products and squares."""
    first = np.arange(max(k - LEARN_ROWS, 0), min(k, len(mean) - LEARN_ROWS))
    dv = mean[first + LEARN_ROWS] - mean[first]
    di = _whole(current[first + LEARN_ROWS] - current[first])
    share = 1.0 / max(len(mean) // LEARNT, 1)
    return share * float(dv @ di), share * float(di @ di)


def _whole(values: Float32s) -> Float32s:
    """Return values with nought for NaN."""
    return np.nan_to_num(values) if np.isnan(values.sum()) else values


def _warmth(chunk: Chunk) -> Float32s:
    """Return the mean of the sensors [degC], nought where there are none."""
    if not len(chunk.temperatures):
        return np.zeros(chunk.rows, dtype=np.float32)
    return np.asarray(chunk.temperatures.mean(axis=0), dtype=np.float32)


def _bled(chunk: Chunk) -> Int64s:
    """Return how many cells are bled in each row."""
    if chunk.bleed is None:
        return np.zeros(chunk.rows, dtype=np.int64)
    return np.asarray(np.count_nonzero(chunk.bleed, axis=0), dtype=np.int64)
