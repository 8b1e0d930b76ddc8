"""How a log tells the time (data), and the raw stamps of a block in microseconds by it."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.importers.text.arrow import numpy_of, whole
from bmslogs.importers.text.stamps import LONGEST, MISSING, parse_stamps

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
_FAR = 4_102_444_800
"""2100-01-01 [s]: stamps beyond are none."""


@dataclass(frozen=True)
class Fraction:
    """A column that tells where within a coarse stamp a row lies.

    Attributes
    ----------
    index
        Column of the file.
    scale, offset
        Microseconds since 1970 (local), or behind the stamp, are value * scale + offset.
    running
        Whether it counts on; else it is the part of the second that the stamp lacks.
    coarse
        Step of the stamps [us].
    """

    index: int
    scale: float
    offset: int
    running: bool
    coarse: int

    def fine(self, us: Int64s, values: Floats) -> Int64s:
        """Return stamps with their fraction; a stamp that the column does not fit stays as it is."""
        good = np.isfinite(values) & (us != MISSING)
        part = np.rint(np.where(good, values, 0.0) * self.scale).astype(np.int64)
        time = part + (self.offset if self.running else us)
        behind = time - us
        slack = self.coarse // 20 if self.running else 0
        good &= (behind >= -slack) & (behind < self.coarse + slack)
        return np.where(good, time, us)


@dataclass(frozen=True)
class Steady:
    """A count beside the stamps that goes on where the clock was lost: it tells the time of such rows.

    Attributes
    ----------
    index
        Column of the file.
    scale, offset
        Microseconds since 1970 (local) are value * scale + offset.
    first, end
        Stamps outside [us] are those of a clock that was not set.
    """

    index: int
    scale: float
    offset: int
    first: int
    end: int

    def right(self, us: Int64s, values: Floats) -> Int64s:
        """Return stamps with those of a clock that was not set, and missing ones, told by the count."""
        lost = (us < self.first) | (us >= self.end)
        if not lost.any():
            return us
        lost &= np.isfinite(values)
        counted = np.rint(np.where(lost, values, 0.0) * self.scale).astype(np.int64) + self.offset
        return np.where(lost, counted, us)


@dataclass(frozen=True)
class Clock:
    """How a log tells the time.

    Attributes
    ----------
    kind
        ``stamp``, ``two`` (date and time of day), ``day`` (time of day alone), ``strptime``, ``number``
        (epoch, serial or elapsed) or ``elapsed_text``.
    columns
        Indices of the columns.
    order
        Order of date parts of texts.
    scale, offset
        For numbers: seconds since 1970 = value * scale + offset.
    zone
        Zone of the logger's clock; UTC where stamps carry their own.
    base
        For a time of day or elapsed time: microseconds since 1970 of its nought (local time). For stamps: what is added
        to them, where a column beside them shows the zone.
    format
        As the profile spells it.
    why
        One line for `inspect`.
    dated
        False where the log says no date and none was found.
    fraction
        Another column that parts the rows of a coarse stamp.
    steady
        A count beside that tells the time of rows whose stamp shows a clock that was not set.
    right
        Which side of a jump of the clock is right, where the profile says so: ``earlier``, ``later`` or ``both``.
    hint
        Date that the file's name or its preamble gives [us]; None where they give none.
    """

    kind: str
    columns: tuple[int, ...]
    format: str
    why: str
    order: str = ""
    scale: float = 1.0
    offset: float = 0.0
    zone: str = "UTC"
    base: int = 0
    dated: bool = True
    fraction: Fraction | None = None
    steady: Steady | None = None
    right: str = ""
    hint: int | None = None

    @property
    def relative(self) -> bool:
        """Whether the stamps count from a start rather than say a date."""
        return self.kind in ("day", "elapsed_text") or self.format.startswith("elapsed")

    def raw(self, columns: list[Any], part: npt.NDArray[np.float64] | None = None) -> Int64s:
        """Return local microseconds of a block, `MISSING` where there is none.

        Parameters
        ----------
        columns
            The block's time columns: Arrow strings, or doubles for numbers.
        part
            The block's column of `fraction`.
        """
        us = self._stamps(columns)
        return us if self.fraction is None or part is None else self.fraction.fine(us, part)

    def _stamps(self, columns: list[Any]) -> Int64s:
        if self.kind == "number":
            # a spreadsheet's day and part of the day may stand in two columns
            values = [np.asarray(numpy_of(whole(c)), dtype=np.float64) for c in columns]
            return self._from_numbers(np.sum(values, axis=0))
        if self.kind == "elapsed_text":
            return _elapsed_texts(columns[0], self.base)
        if self.kind == "strptime":
            us = _strptime(columns, self.format)
        elif self.kind == "two":
            days = parse_dates(columns[0], self.order)
            clock = parse_stamps(columns[1], "")
            us = np.where((days == MISSING) | (clock == MISSING), MISSING, days + clock)
        else:
            us = parse_stamps(columns[0], self.order)
        return np.where(us == MISSING, MISSING, us + self.base) if self.base else us

    def _from_numbers(self, values: npt.NDArray[np.float64]) -> Int64s:
        # whole and broken part apart: a double of microseconds since 1970 is exact, a product need not be
        good = np.isfinite(values)
        values = np.where(good, values, 0.0)
        seconds = values * self.scale if self.scale <= 1 else np.round(values * self.scale, 4)
        if self.scale == 86400.0:
            seconds = np.round(values * 86400.0, 3)
        seconds = seconds + self.offset
        bad = ~good | (np.abs(seconds) > _FAR)
        return np.where(bad, MISSING, np.rint(np.where(bad, 0, seconds) * 1e6).astype(np.int64) + self.base)


def parse_dates(column: Any, order: str) -> Int64s:
    """Return dates (Arrow strings) as microseconds of their midnight."""
    return parse_stamps(column, order)


def _strptime(columns: list[Any], form: str) -> Int64s:
    texts = [c.to_pylist() for c in columns]
    known: dict[str, int] = {}
    out = np.empty(len(texts[0]), dtype=np.int64)
    for i, parts in enumerate(zip(*texts)):
        text = " ".join((p or "").strip() for p in parts)
        if text not in known:
            try:
                stamp = dt.datetime.strptime(text, form)
                zone = stamp.utcoffset() or dt.timedelta()
                known[text] = (stamp.replace(tzinfo=None) - zone - dt.datetime(1970, 1, 1)) // dt.timedelta(
                    microseconds=1
                )
            except ValueError:
                known[text] = int(MISSING)
        out[i] = known[text]
    return out


_ELAPSED = re.compile(r"(?:(\d+)\s*(?:days?,?|d|:)\s*)??(\d+):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?")


def elapsed_us(text: str) -> int:
    """Return elapsed time such as ``12:03:04.5`` in microseconds, `MISSING` where it is none."""
    text = text.strip()
    match = _ELAPSED.fullmatch(text) if len(text) <= LONGEST else None
    if not match:
        return int(MISSING)
    days, hours, minutes, seconds, fraction = match.groups()
    total = ((int(days or 0) * 24 + int(hours)) * 60 + int(minutes)) * 60 + int(seconds or 0)
    return total * 1_000_000 + int((fraction or "0")[:6].ljust(6, "0"))


def _elapsed_texts(column: Any, base: int) -> Int64s:
    known: dict[str, int] = {}
    out = []
    for text in column.to_pylist():
        if text not in known:
            known[text] = elapsed_us(text or "")
        out.append(known[text])
    us = np.array(out, dtype=np.int64)
    return np.where(us == MISSING, MISSING, us + base)
