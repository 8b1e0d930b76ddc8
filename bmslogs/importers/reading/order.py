"""Time in order: clocks that start at 1970, step back, repeat or are coarse."""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.importers.reading.jumps import (
    DAY,
    SECOND,
    Evidence,
    Jump,
    moves,
    stretches,
    suspicious,
)
from bmslogs.importers.text.stamps import MISSING

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
MOST_JUMPS = 2000
"""Choice: a log with more steps back is not in order of time."""
GLITCH_ROWS = 3
"""Choice: at most this many rows with a wrong stamp among right ones are left out rather than a clock shifted."""
SEAM = 5
"""Choice [usual steps]: parts of one log that stand in another order meet as closely."""
LEAPS = 50
"""Choice: as many pauses are remembered, of which one may have been a clock that went wrong."""
FAR = 10
"""Choice [usual steps]: a few rows that stray by more than this and come back are wrong; by less, the clock was set."""


@dataclass(frozen=True)
class Corrections:
    """What a first reading of the file found out about its clock.

    Attributes
    ----------
    shifts
        (first row, end row, microseconds to add).
    dropped
        Rows whose stamp is wrong among right ones.
    coarse
        Whether several rows share a stamp.
    rows_per_stamp
        How many usually do.
    shuffled
        Whether rows stand a few rows from their place and are to be sorted.
    twice
        Whether the clock steps back, so that rows may stand in the file a second time.
    scattered
        Whether blocks of rows stand in another order than that of time.
    repeats
        Whether rows that share stamp and readings with the row before are left out.
    """

    shifts: tuple[tuple[int, int, int], ...] = ()
    dropped: frozenset[int] = frozenset()
    coarse: bool = False
    rows_per_stamp: int = 1
    shuffled: bool = False
    twice: bool = False
    scattered: bool = False
    repeats: bool = False
    says: tuple[tuple[str, str, int, int, int], ...] = ()


@dataclass
class Clockwork:
    """Follows the clock through the blocks of a file.

    Attributes
    ----------
    row
        Number of the next row with a stamp.
    jumps
        What was found that the corrections do not cover.
    """

    corrections: Corrections
    rollover: bool = False
    dated: bool = True
    relative: bool = False
    hint: int | None = None
    right: str = ""
    column: str | None = None
    row: int = 0
    first: int | None = None
    last: int | None = None
    days: int = 0
    jumps: list[Jump] = field(default_factory=list)
    strays: list[int] = field(default_factory=list)
    repeats: int = 0
    steps: list[int] = field(default_factory=list)
    _last_of_day: int | None = None
    _tail: Int64s = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    _numbers: Int64s = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    _began: int | None = None
    _usual: int = 0
    _pauses: list[Jump] = field(default_factory=list)
    _leaps: deque[Jump] = field(default_factory=lambda: deque(maxlen=LEAPS))
    _until: int = -1

    def follow(self, time: Int64s) -> tuple[Int64s, Bools]:
        """Return corrected stamps and which rows to keep; stamps are UTC microseconds without gaps."""
        rows = np.arange(self.row, self.row + len(time))
        self.row += len(time)
        for first, end, shift in self.corrections.shifts:
            if first < self.row and end > rows[0]:
                time = np.where((rows >= first) & (rows < end), time + shift, time)
        keep = np.ones(len(time), dtype=bool)
        if self.corrections.dropped:
            keep &= ~np.isin(rows, np.fromiter(self.corrections.dropped, dtype=np.int64))
        kept, numbers = time[keep], rows[keep]
        if not len(kept):
            return time, keep
        steps = np.diff(kept, prepend=kept[0] if self.last is None else self.last)
        self.repeats += int((steps == 0).sum()) - (self.last is None)
        if len(self.steps) < 5000:
            self.steps += [int(s) for s in steps[steps > 0][:500]]
        self.first = int(kept[0]) if self.first is None else self.first
        self.last = int(kept[-1])
        if not self._usual:
            self._usual = self.step
        self._watch(kept, numbers)
        return time, keep

    def end(self) -> None:
        """Look at the rows that waited for those behind them."""
        self._watch(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), final=True)

    @property
    def step(self) -> int:
        """Usual time between rows [us]."""
        return int(np.median(self.steps)) if self.steps else SECOND

    def _watch(self, kept: Int64s, numbers: Int64s, final: bool = False) -> None:
        """Note jumps; the last rows wait for those behind, for a few rows that stray are told by what follows."""
        kept = np.concatenate([self._tail, kept])
        numbers = np.concatenate([self._numbers, numbers])
        ready = len(kept) if final else len(kept) - GLITCH_ROWS - 1
        steps = np.diff(kept)
        odd = (steps < 0) | (steps > max(PAUSE, 2 * FAR * self._usual))
        for k in (np.flatnonzero(odd) + 1).tolist():
            if k < ready and numbers[k] > self._until and len(self.jumps) + len(self.strays) <= MOST_JUMPS:
                self._examine(kept, numbers, k)
        if self._began is None and len(kept):
            self._began = int(kept[0])
        cut = max(ready - GLITCH_ROWS - 1, 0)
        if ready > 0:
            self._until = max(self._until, int(numbers[min(ready, len(numbers)) - 1]))
        self._tail, self._numbers = kept[cut:], numbers[cut:]

    def _examine(self, kept: Int64s, numbers: Int64s, k: int) -> None:
        before, after = int(kept[k - 1]), int(kept[k])
        began = int(kept[0]) if self._began is None else self._began
        if after > before and not self._odd_forward(before, after, began, int(numbers[k])):
            self._leaps.append(Jump(int(numbers[k]), before, after))
            if len(self._pauses) < MOST_JUMPS:
                self._pauses.append(self._leaps[-1])
            return
        stray = self._stray(kept, k)
        if stray is not None:
            self.strays += numbers[stray].tolist()
            self._until = int(numbers[stray][-1]) + (stray.stop > k)
            return
        if after < before:
            self._note_way_out(after, int(numbers[k]))
        self.jumps.append(Jump(int(numbers[k]), before, after))
        self._began = after

    def _note_way_out(self, after: int, row: int) -> None:
        """Note the step forward with which the clock left the time to which it now comes back."""
        for leap in reversed(self._leaps):
            lasted, took = (row - leap.row) * self._usual, after - leap.before
            if took > 0 and abs(took - lasted) <= max(5 * self._usual, lasted // 20):
                self.jumps.append(leap)
                break
        self._leaps.clear()

    def _odd_forward(self, before: int, after: int, began: int, row: int) -> bool:
        """Whether a step forward is that of a clock which was set, or the way back from a step before."""
        if self.dated and suspicious(before, after, began):
            return True
        if not self.jumps or self.jumps[-1].after > self.jumps[-1].before:
            return False
        lasted = (row - self.jumps[-1].row) * self._usual
        took = after - self.jumps[-1].before
        return took > 0 and abs(took - lasted) <= max(5 * self._usual, lasted // 20)

    def _stray(self, kept: Int64s, k: int) -> slice | None:
        """Return the few rows at a jump whose stamps are wrong among right ones, None where there are none."""
        before, after, far = int(kept[k - 1]), int(kept[k]), FAR * self.step
        for n in range(1, GLITCH_ROWS + 1):
            if k + n >= len(kept):
                break
            back = int(kept[k + n])
            home = before <= back <= before + (n + 2) * far
            if after < before and home and back != after and (n == 1 or back - int(kept[k + n - 1]) > far):
                return slice(k, k + n)
            if after > before and home:
                return slice(k, k + n)
        for n in range(1, GLITCH_ROWS + 1):
            if after > before or k - 1 - n < 0:
                break
            base, out = int(kept[k - 1 - n]), int(kept[k - n])
            if base <= after <= base + (n + 2) * far and out > base and (n == 1 or out - base > far):
                return slice(k - n, k)
        return None

    def over_midnight(self, time: Int64s) -> Int64s:
        """Count the days of a clock that says none: a step back of hours is midnight, in a pause too.

        A row from before midnight may come late; it is taken back to its day.
        """
        if not self.rollover or not len(time):
            return time
        last = time[0] if self._last_of_day is None else self._last_of_day
        steps = np.diff(time, prepend=last)
        turns = np.where(steps < -MIDNIGHT, 1, 0)
        if (steps > LATE).any() and (turns.any() or self.days):
            turns -= steps > LATE
        days = self.days + np.cumsum(turns)
        self.days, self._last_of_day = int(days[-1]), int(time[-1])
        return np.asarray(time + days * DAY, dtype=np.int64)

    @property
    def scattered(self) -> bool:
        """Whether the rows between steps back and pauses are one log in another order: they fit without a seam."""
        places = {j.row: j for j in (*self.jumps, *self._pauses)}
        if len(places) >= MOST_JUMPS or not any(j.after < j.before for j in self.jumps):
            return False
        parts = stretches([places[r] for r in sorted(places)], self.first or 0, self.last or 0, self.row)
        ranks = sorted(range(len(parts)), key=lambda k: parts[k].start)
        for one, other in itertools.pairwise(ranks):
            gap = parts[other].start - parts[one].last
            if gap <= 0 or (other != one + 1 and gap > SEAM * self.step):
                return False
        return True

    def _counted_on(self, step: int, dropped: frozenset[int]) -> Corrections:
        """Let time since a start go on where it began again: the rows behind move, for the start is the anchor."""
        shifts: list[tuple[int, int, int]] = list(self.corrections.shifts)
        says = list(self.corrections.says)
        for jump in self.jumps:
            gap = jump.before - jump.after + step
            wrap = next(
                (w for w in WRAPS if abs(w - gap) < max(20 * step, 2 * SECOND) and w > 20 * step), None
            )
            shift = wrap or gap
            shifts.append((jump.row, 2**62, shift))
            rule = "counter_wrapped" if wrap else "counter_restarted"
            says.append((rule, _amount(shift), self.row - jump.row, jump.before, jump.before + step))
        return self._corrected(shifts, dropped, says)

    def _corrected(
        self,
        shifts: list[tuple[int, int, int]],
        dropped: frozenset[int],
        says: list[tuple[str, str, int, int, int]],
    ) -> Corrections:
        return replace(
            self.corrections,
            shifts=tuple(shifts),
            dropped=dropped,
            coarse=self.corrections.coarse or self.repeats > 0,
            says=tuple(says),
        )

    def resolve(self) -> Corrections:
        """Return corrections that bring the stamps in order.

        Raises
        ------
        Ambiguous
            Nothing tells on which side of a jump the clock is right.
        """
        dropped = self.corrections.dropped | frozenset(self.strays)
        if self.relative:
            return self._counted_on(self.step, dropped)
        shifts, says = list(self.corrections.shifts), list(self.corrections.says)
        if self.jumps:
            known = Evidence(self.step, self.hint, self.right, self.dated, self.column)
            parts = stretches(self.jumps, self.first or 0, self.last or 0, self.row)
            for m in moves(parts, known):
                shifts.append((m.first, m.end, m.shift))
                says.append((m.rule, _amount(m.shift), m.end - m.first, m.before, m.after))
        return self._corrected(shifts, dropped, says)


PAUSE = 60 * SECOND
"""Choice [us]: shorter steps forward are not looked at."""
MIDNIGHT = 2 * 3600 * SECOND
"""Choice [us]: a clock without a date that steps back by more has passed midnight; by less, it was set."""
LATE = DAY - MIDNIGHT
WRAPS = tuple(2**bits * unit for bits in (16, 32) for unit in (1000, 1, SECOND))
"""Spans [us] after which counters of ms, us and s with 16 or 32 bits begin again."""


def _amount(us: int) -> str:
    seconds = us / SECOND
    sign = "forward" if seconds > 0 else "back"
    seconds = abs(seconds)
    if seconds >= 2 * 86400:
        return f"{sign} by {seconds / 86400:.4g} days"
    return f"{sign} by {seconds:.6g} s"


def usual_rows_per_stamp(time: Int64s) -> int:
    """Return how many successive rows usually share a stamp, 0 where no group of them is whole."""
    good = time[time != MISSING]
    if len(good) < 4:
        return 0
    edges = np.flatnonzero(np.diff(good) != 0)
    sizes = np.diff(edges)
    return int(np.median(sizes)) if len(sizes) else 0


def spread(time: Int64s, next_stamp: int | None, usual: int, first: bool, step: int = SECOND) -> Int64s:
    """Spread rows that share a stamp evenly until the next one.

    Parameters
    ----------
    time
        Rising stamps, whole groups.
    next_stamp
        Stamp of the row behind the last, None at the end of the log.
    usual
        Rows that usually share a stamp.
    first
        Whether the first group is the log's first: it may have begun in mid-second, and its rows are its last.
    step
        Usual time from a stamp to the next [us]: that of the log's last.
    """
    if not len(time):
        return time
    starts = np.concatenate([[0], np.flatnonzero(np.diff(time) > 0) + 1])
    sizes = np.diff(np.concatenate([starts, [len(time)]]))
    stamps = time[starts]
    following = np.concatenate([stamps[1:], [next_stamp if next_stamp is not None else stamps[-1] + step]])
    widths = following - stamps
    usual_width = int(np.median(widths[widths > 0])) if len(widths) else SECOND
    widths = np.where(widths > 1.5 * usual_width, usual_width, widths)
    if usual <= 1 and not (stamps % SECOND).any():
        # a row now and then that shares a stamp of whole seconds lies within that second, however far the next row
        widths = np.minimum(widths, SECOND if (stamps % (60 * SECOND)).any() else 60 * SECOND)
    share = np.maximum(sizes, usual)
    place = np.arange(len(time)) - np.repeat(starts, sizes)
    if first and sizes[0] < usual:
        place[: sizes[0]] += usual - sizes[0]
    offset = place * np.repeat(widths, sizes) // np.repeat(share, sizes)
    return np.asarray(time + offset, dtype=np.int64)


def rising(time: Int64s, last: int | None) -> Any:
    """Return which rows go on rising: for what is left after all corrections."""
    if not len(time):
        return np.zeros(0, dtype=bool)
    high = np.maximum.accumulate(time)
    keep = np.ones(len(time), dtype=bool)
    keep[1:] = time[1:] > high[:-1]
    if last is not None:
        keep &= time > last
    return keep
