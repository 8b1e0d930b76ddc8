"""Time in order: clocks that start at 1970, step back, repeat or are coarse."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.importers.text.stamps import MISSING

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
SECOND = 1_000_000
DAY = 86_400 * SECOND
SET_CLOCK = 1_104_537_600 * SECOND
"""2005-01-01 in microseconds (choice): a logger's clock that shows less was never set."""
MOST_JUMPS = 2000
"""Choice: a log with more steps back is not in order of time."""
GLITCH_ROWS = 3
"""Choice: at most this many rows with a wrong stamp among right ones are left out rather than a clock shifted."""


@dataclass(frozen=True)
class Jump:
    """A place where the clock does what time does not: row, stamp before and after, those around it."""

    row: int
    before: int
    after: int
    ahead: int
    behind: int


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
    """

    shifts: tuple[tuple[int, int, int], ...] = ()
    dropped: frozenset[int] = frozenset()
    coarse: bool = False
    rows_per_stamp: int = 1
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
    row: int = 0
    last: int | None = None
    before_last: int | None = None
    days: int = 0
    jumps: list[Jump] = field(default_factory=list)
    repeats: int = 0
    steps: list[int] = field(default_factory=list)
    _pending: Jump | None = None

    def follow(self, time: Int64s) -> tuple[Int64s, Bools]:
        """Return corrected stamps and which rows to keep; stamps are UTC microseconds without gaps."""
        rows = np.arange(self.row, self.row + len(time))
        self.row += len(time)
        if self.rollover and len(time):
            time = self._over_midnight(time)
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
        back = steps < 0
        if self.dated:
            earlier = np.concatenate([[self.last if self.last is not None else kept[0]], kept[:-1]])
            back |= (earlier < SET_CLOCK) & (kept >= SET_CLOCK) & (steps > 0)
        for k in np.flatnonzero(back)[: MOST_JUMPS + 1 - len(self.jumps)]:
            before = int(kept[k - 1]) if k else int(self.last or 0)
            ahead = int(kept[k + 1]) if k + 1 < len(kept) else int(kept[k])
            behind = int(kept[k - 2]) if k > 1 else int((self.before_last if k == 0 else self.last) or before)
            self.jumps.append(Jump(int(numbers[k]), before, int(kept[k]), ahead, behind))
        self.repeats += int((steps == 0).sum()) - (self.last is None)
        if len(self.steps) < 5000:
            self.steps += [int(s) for s in steps[steps > 0][:500]]
        self.before_last = int(kept[-2]) if len(kept) > 1 else self.last
        self.last = int(kept[-1])
        return time, keep

    def _over_midnight(self, time: Int64s) -> Int64s:
        steps = np.diff(time, prepend=time[0] if self.last is None else self.last - self.days * DAY)
        days = self.days + np.cumsum(steps < -DAY // 2)
        self.days = int(days[-1])
        return np.asarray(time + days * DAY, dtype=np.int64)

    def _counted_on(self, jumps: list[Jump], step: int, dropped: frozenset[int]) -> Corrections:
        """Let time since a start go on where it began again: the rows behind move, for the start is the anchor."""
        shifts: list[tuple[int, int, int]] = list(self.corrections.shifts)
        says = list(self.corrections.says)
        for jump in jumps:
            gap = jump.before - jump.after + step
            wrap = next(
                (w for w in WRAPS if abs(w - gap) < max(20 * step, 2 * SECOND) and w > 20 * step), None
            )
            shift = wrap or gap
            shifts.append((jump.row, 2**62, shift))
            rule = "counter_wrapped" if wrap else "counter_restarted"
            says.append((rule, _amount(shift), self.row - jump.row, jump.before, jump.before + step))
        return Corrections(
            tuple(shifts),
            dropped,
            self.corrections.coarse or self.repeats > 0,
            self.corrections.rows_per_stamp,
            tuple(says),
        )

    def resolve(self) -> Corrections:
        """Return corrections that bring the stamps in order: later clocks are trusted, earlier rows move."""
        step = int(np.median(self.steps)) if self.steps else SECOND
        dropped: set[int] = set(self.corrections.dropped)
        left: list[Jump] = []
        for jump in self.jumps:
            if jump.after < jump.before and jump.ahead >= jump.before > 0 and jump.ahead != jump.after:
                dropped.add(jump.row)
            elif jump.after < jump.before and jump.after >= jump.behind and jump.before - jump.behind > 0:
                dropped.add(jump.row - 1)
            else:
                left.append(jump)
        shifts = list(self.corrections.shifts)
        says = list(self.corrections.says)
        if self.relative:
            return self._counted_on(left, step, frozenset(dropped))
        after_shift = 0
        for k in range(len(left) - 1, -1, -1):
            jump = left[k]
            first = left[k - 1].row if k else 0
            gap = jump.after + after_shift - jump.before
            unset = self.dated and jump.before < SET_CLOCK
            shift = gap - step if unset or gap <= 0 else 0
            if shift:
                shifts.append((first, jump.row, shift))
                says.append(
                    (
                        "clock_unset" if unset else "clock_back",
                        _amount(shift),
                        jump.row - first,
                        jump.before,
                        jump.after,
                    )
                )
            after_shift = shift
        return Corrections(
            tuple(shifts),
            frozenset(dropped),
            self.corrections.coarse or self.repeats > 0,
            self.corrections.rows_per_stamp,
            tuple(says),
        )


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
