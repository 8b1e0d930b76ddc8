"""What a log holds on the sign of its current, gathered block by block in bounded memory.

Three things are kept: means of some thousand successive stretches (`Digest`), the largest steps of the current with
the readings around them at three time scales (`StepSample`), and the charge that flowed under each word of a mode
column. They are weighed in `sign_voices.py`. All currents are in the logger's own sign.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Int64s = npt.NDArray[np.int64]
MOST_BLOCKS = 2048
"""Choice: stretches that the digest keeps; pairs are merged beyond it."""
BREAK_S, BREAK_STEPS = 600.0, 20.0
"""Choice [s, usual steps]: a longer pause hides what flowed in it."""
HALF = 8
"""Choice: rows kept on each side of a step."""
MOST_STEPS = 768
"""Choice: steps kept at each time scale."""
STEPS_AT_ONCE = 256
"""Choice: of them, that one block may bring."""
SCALES = (1, 16, 256)
"""Choice [rows]: steps are looked at between rows and between means of as many rows."""


class Field(IntEnum):
    """Rows of `Digest.blocks`; further rows hold the last value of each counter."""

    ROWS = 0
    CHARGE = 1  # [A s] integral of the current
    THROUGHPUT = 2  # [A s] integral of its magnitude
    CURRENT = 3  # [A] sum over rows
    VOLTAGE = 4  # [V] sum over rows
    BREAKS = 5  # pauses within or before the block
    COUNTERS = 6


class Digest:
    """Means of successive stretches of the log, all of the same number of rows.

    Parameters
    ----------
    counters
        How many counters are carried along.
    """

    def __init__(self, counters: int = 0) -> None:
        self.width = 1
        self._fields = Field.COUNTERS + counters
        self._done: list[Floats] = []
        self._count = 0
        self._rest: Floats = np.empty((self._fields, 0))
        self._last: int | None = None
        self.usual_s = 0.0

    def add(self, time: Int64s, current: Floats, voltage: Floats, counters: Floats) -> None:
        """Add successive rows without missing readings: stamps [us], [A], [V], (counters, rows)."""
        if not len(time):
            return
        step = np.empty(len(time))
        np.subtract(time[1:], time[:-1], out=step[1:])
        step[0] = 0.0 if self._last is None else time[0] - self._last
        step *= 1e-6
        self._last = int(time[-1])
        if not self.usual_s and len(step) > 1:
            self.usual_s = float(np.median(step[1:]))
        pause = step > max(BREAK_S, BREAK_STEPS * self.usual_s)
        if pause.any():
            step[pause] = self.usual_s
        rows = np.empty((self._fields, len(time)))
        rows[Field.ROWS] = 1.0
        np.multiply(current, step, out=rows[Field.CHARGE])
        np.abs(rows[Field.CHARGE], out=rows[Field.THROUGHPUT])
        rows[Field.CURRENT], rows[Field.VOLTAGE], rows[Field.BREAKS] = current, voltage, pause
        rows[Field.COUNTERS :] = counters
        self._take(rows)

    def _take(self, rows: Floats) -> None:
        if not self._count and not self._rest.shape[1]:
            while rows.shape[1] > 4 * MOST_BLOCKS * self.width:
                self.width *= 2
        rows = np.concatenate([self._rest, rows], axis=1) if self._rest.shape[1] else rows
        whole = rows.shape[1] // self.width * self.width
        self._rest = rows[:, whole:].copy()
        blocks = _merged(rows[:, :whole], self.width)
        self._done.append(blocks)
        self._count += blocks.shape[1]
        while self._count > MOST_BLOCKS:
            blocks = np.concatenate(self._done, axis=1)
            even = blocks.shape[1] // 2 * 2
            # an odd block out waits as one row of many: the blocks differ in length by it, and say so in `ROWS`
            self._rest = np.concatenate([blocks[:, even:], self._rest], axis=1)
            self._done = [_merged(blocks[:, :even], 2)]
            self._count = even // 2
            self.width *= 2

    def end(self) -> Floats:
        """Return the blocks (fields, blocks): sums; a last stretch of less than half the rows is left out."""
        blocks = np.concatenate([np.empty((self._fields, 0)), *self._done], axis=1)
        if self._rest.shape[1] and self._rest[Field.ROWS].sum() >= 0.5 * self.width:
            blocks = np.concatenate([blocks, _merged(self._rest, self._rest.shape[1])], axis=1)
        return blocks


def coarser(blocks: Floats, most: int) -> Floats:
    """Return blocks put together to about as many as `most`."""
    width = max(blocks.shape[1] // most, 1)
    whole = blocks.shape[1] // width * width
    return _merged(blocks[:, :whole], width)


def _merged(blocks: Floats, width: int) -> Floats:
    """Return every `width` blocks as one: sums, and the last known value of each counter."""
    if width == 1:
        return blocks
    parted = blocks.reshape(len(blocks), -1, width)
    out: Floats = parted.sum(axis=2)
    for k in range(Field.COUNTERS, len(blocks)):
        last = parted[k, :, -1].copy()
        for column in range(width - 2, -1, -1):
            gap = np.isnan(last)
            if not gap.any():
                break
            last[gap] = parted[k, gap, column]
        out[k] = last
    return out


class StepSample:
    """The largest steps of the current, with the readings around each."""

    def __init__(self) -> None:
        self.current: Floats = np.empty((0, 2 * HALF))
        self.voltage: Floats = np.empty((0, 2 * HALF))
        self.place: Int64s = np.empty(0, dtype=np.int64)
        self._tail: Floats = np.empty((2, 0))
        self._rows = 0
        self._least = 0.0

    def add(self, readings: Floats) -> None:
        """Add successive readings: (current [A] and voltage [V], rows)."""
        if not readings.shape[1]:
            return
        if not self._tail.shape[1]:
            # before the first reading and behind the last one nothing is known to move
            self._tail = np.repeat(readings[:, :1], HALF - 1, axis=1)
        readings = np.concatenate([self._tail, readings], axis=1)
        steps = readings.shape[1] - 2 * HALF + 1
        self._tail = readings[:, max(steps, 0) :].copy()
        if steps <= 0:
            return
        current = readings[0]
        size = np.abs(np.diff(current[HALF - 1 : HALF + steps]))
        at = np.flatnonzero(size > self._least)
        if len(at) > STEPS_AT_ONCE:
            at = at[np.argpartition(size[at], len(at) - STEPS_AT_ONCE)[-STEPS_AT_ONCE:]]
        self._keep(readings, np.sort(at))
        self._rows += steps

    def end(self) -> StepSample:
        """Return the sample with the steps among the last readings; to be called once, behind the last block."""
        if self._tail.shape[1]:
            self.add(np.repeat(self._tail[:, -1:], HALF - 1, axis=1))
        self._trim()
        return self

    def _keep(self, readings: Floats, at: Int64s) -> None:
        around = at[:, None] + np.arange(2 * HALF)
        self.current = np.concatenate([self.current, readings[0][around]])
        self.voltage = np.concatenate([self.voltage, readings[1][around]])
        self.place = np.concatenate([self.place, at + self._rows])
        if len(self.place) > 2 * MOST_STEPS:
            self._trim()

    def _trim(self) -> None:
        """Keep the largest steps alone."""
        if len(self.place) > MOST_STEPS:
            size = np.abs(self.current[:, HALF] - self.current[:, HALF - 1])
            keep = np.sort(np.argpartition(size, len(size) - MOST_STEPS)[-MOST_STEPS:])
            self._least = float(size[keep].min())
            self.current, self.voltage, self.place = self.current[keep], self.voltage[keep], self.place[keep]


class Means:
    """Passes means of as many rows on to a sample of steps."""

    def __init__(self, width: int) -> None:
        self.width = width
        self.steps = StepSample()
        self._rest: Floats = np.empty((2, 0))

    def add(self, readings: Floats) -> Floats:
        """Add readings of the finer scale; return those of this one."""
        if self._rest.shape[1]:
            readings = np.concatenate([self._rest, readings], axis=1)
        whole = readings.shape[1] // self.width * self.width
        self._rest = readings[:, whole:].copy()
        means: Floats = readings[:, :whole].reshape(2, -1, self.width).mean(axis=2)
        self.steps.add(means)
        return means


@dataclass
class Modes:
    """Charge [A s] that flowed under the words of a mode column: rows discharge, neither, charge (-1 is last).

    Attributes
    ----------
    positive, negative
        By direction: index 1 discharge, -1 (last) charge, 0 neither.
    """

    positive: Floats = field(default_factory=lambda: np.zeros(3))
    negative: Floats = field(default_factory=lambda: np.zeros(3))

    def add(self, current: Floats, direction: npt.NDArray[np.int8]) -> None:
        """Add rows of even length in time."""
        code = direction.astype(np.int64) % 3
        self.positive += np.bincount(code, np.maximum(current, 0.0), 3)
        self.negative += np.bincount(code, np.maximum(-current, 0.0), 3)


class SignEvidence:
    """All that a log holds on the sign of its current. Feed it rows in the order of time.

    Parameters
    ----------
    counters
        Direction of each counter of charge that stands beside: 1 grows on discharge, -1 on charge, 0 names neither.
    """

    def __init__(self, counters: tuple[int, ...] = ()) -> None:
        self.counters = counters
        self.digest = Digest(len(counters))
        self.scales = [Means(b // a) for a, b in zip((1, *SCALES), SCALES)]
        self.modes = Modes()
        self.rows = 0
        self.largest = 0.0
        self.positive_rows = 0
        self.negative_rows = 0

    def add(
        self,
        time: Int64s,
        current: Floats,
        voltage: Floats,
        counters: Floats | None = None,
        direction: npt.NDArray[np.int8] | None = None,
    ) -> None:
        """Add successive rows.

        Parameters
        ----------
        time
            Stamps [us].
        current
            [A], in the logger's sign; NaN where missing.
        voltage
            Mean cell voltage [V]; NaN where missing.
        counters
            (counters, rows) readings of the counters beside.
        direction
            What the mode column says: 1 discharge, -1 charge, 0 neither.
        """
        if counters is None:
            counters = np.empty((len(self.counters), len(time)))
            counters[:] = np.nan
        # nought times what is not finite is not nought: one pass finds that nothing is missing
        if not np.isfinite(current.sum() + voltage.sum()):
            good = np.isfinite(current) & np.isfinite(voltage)
            time, current, voltage, counters = time[good], current[good], voltage[good], counters[:, good]
            direction = direction[good] if direction is not None else None
        if not len(time):
            return
        self.rows += len(time)
        self.largest = max(self.largest, float(current.max()), -float(current.min()))
        self.positive_rows += int(np.count_nonzero(current > 0))
        self.negative_rows += int(np.count_nonzero(current < 0))
        self.digest.add(time, current, voltage, counters)
        if direction is not None:
            self.modes.add(current, direction)
        readings: Floats = np.stack([current, voltage])
        for scale in self.scales:
            readings = scale.add(readings)

    @property
    def step_s(self) -> float:
        """Usual time between rows [s], 0 where not known."""
        return self.digest.usual_s

    @property
    def one_signed(self) -> bool:
        """Whether the current hardly ever has the other sign."""
        return min(self.positive_rows, self.negative_rows) <= 0.005 * max(
            self.positive_rows, self.negative_rows, 1
        )
