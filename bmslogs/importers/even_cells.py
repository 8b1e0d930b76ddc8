"""Cells that every row of a block writes with the same digits, read by the places of these, whole blocks at once.

A logger writes voltages with a fixed number of digits. Where all rows of a block do, no field needs to be looked for
one by one: the cells of a row are cut out in one piece and their digits added up column by column. The rest of the
row goes to the CSV parser. Whatever does not fit, be it one byte of the block, leaves the whole block to the parser.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from bmslogs.importers.dialect import Dialect

Bytes = npt.NDArray[np.uint8]
Places = npt.NDArray[np.intp]
MOST_DIGITS = 7
"""As many digits are a whole number that float32 holds exactly (below 2**24)."""
LEAST_BYTES = 48
"""Choice [bytes]: shorter pieces cost more to cut out than to parse."""
_LF, _CR, _ZERO = 10, 13, 48


@dataclass(frozen=True)
class EvenCells:
    """The cells of a block, and the block without them.

    Attributes
    ----------
    values
        (cells, rows) in the logger's unit, in the order of the file: the doubles that the texts spell, as float32.
    rest
        The lines without the cells' fields.
    """

    values: npt.NDArray[np.float32]
    rest: Bytes


@dataclass(frozen=True)
class _Form:
    """How each cell of a block is written: number of digits and the place of the mark, -1 where there is none."""

    digits: int
    mark_at: int

    @property
    def width(self) -> int:
        """Bytes of a field with the mark behind it."""
        return self.digits + (self.mark_at >= 0) + 1

    @property
    def places(self) -> list[int]:
        """Places of the digits in a field."""
        return [k for k in range(self.width - 1) if k != self.mark_at]

    @property
    def divisor(self) -> np.float32:
        """Ten to the power of the digits behind the mark."""
        return np.float32(10 ** (self.digits - self.mark_at if self.mark_at >= 0 else 0))


def read_even(block: bytes, dialect: Dialect, first: int, cells: int) -> EvenCells | None:
    """Read the cells of a block, None where their rows are not all written alike.

    Parameters
    ----------
    block
        Whole lines.
    first, cells
        Index of the first cell's column, not the first of the file, and number of the cells, side by side.
    """
    if not block.endswith(b"\n") or (dialect.quoted and b'"' in block):
        return None
    head = block[: block.index(b"\n")].split(dialect.delimiter.encode())
    form = _form_of(head, dialect, first, cells)
    if form is None or cells * form.width < max(0.5 * sum(map(len, head)), LEAST_BYTES):
        return None
    codes = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(codes == _LF)
    if b"\r" in block and not _paired(codes, ends):
        return None
    delimiter = ord(dialect.delimiter)
    longest = max(len(x) for x in head[:first])
    starts = _behind_fields(codes, ends, delimiter, first, min(2 * longest + 4, LEAST_BYTES))
    length = cells * form.width
    if starts is None or (starts + length - 1 > ends).any():
        return None
    digits = sliding_window_view(codes, length)[starts]
    behind = (delimiter,) if first + cells < dialect.width else (_CR, _LF)
    if not np.isin(digits[:, -1], behind).all():
        return None
    template, most = _template(form, cells, delimiter, ord(dialect.decimal))
    digits -= template
    # bytes below those of the template wrap round to large ones
    if (digits[:, :-1].max(axis=0) > most[:-1]).any():
        return None
    kept = np.ones(len(codes), dtype=bool)
    sliding_window_view(kept, length, writeable=True)[starts - 1] = False
    return EvenCells(_numbers(digits, form), codes[kept])


def _form_of(head: list[bytes], dialect: Dialect, first: int, cells: int) -> _Form | None:
    """Return how the first row writes its cells, None where not all alike."""
    fields = head[first : first + cells]
    if len(head) != dialect.width or any(len(x) != len(fields[0]) for x in fields):
        return None
    whole, mark, part = fields[0].partition(dialect.decimal.encode())
    digits = len(whole) + len(part)
    if not (whole.isdigit() and digits <= MOST_DIGITS and (part.isdigit() or not mark)):
        return None
    if any(len(n) == len(fields[0]) and any(c.isdigit() for c in n) for n in dialect.nulls):
        return None  # a number of this length may stand for a missing one
    return _Form(digits, len(whole) if mark else -1)


def _paired(codes: Bytes, ends: Places) -> bool:
    """Whether carriage returns stand before the line ends, each of them, and nowhere else."""
    return bool(np.count_nonzero(codes == _CR) == len(ends) and (codes[ends - 1] == _CR).all())


def _behind_fields(codes: Bytes, ends: Places, delimiter: int, fields: int, window: int) -> Places | None:
    """Return for each line the place behind its first fields, None where one of them is longer than the window."""
    at = np.concatenate([[0], ends[:-1] + 1])
    windows = sliding_window_view(codes, window)
    for _ in range(fields):
        if at.max() >= len(windows):
            return None
        at = at + np.argmax(windows[at] == delimiter, axis=1)
        if not (codes[at] == delimiter).all():
            return None
        at = at + 1
    return at


def _template(form: _Form, cells: int, delimiter: int, mark: int) -> tuple[Bytes, Bytes]:
    """Return the least byte at each place of the cells and by how much it may be exceeded."""
    least = np.full(form.width, _ZERO, dtype=np.uint8)
    most = np.full(form.width, 9, dtype=np.uint8)
    least[-1], most[-1] = delimiter, 0
    if form.mark_at >= 0:
        least[form.mark_at], most[form.mark_at] = mark, 0
    return np.tile(least, cells), np.tile(most, cells)


def _numbers(digits: Bytes, form: _Form) -> npt.NDArray[np.float32]:
    """Return the numbers that digits (rows, cells times width of a field) spell, (cells, rows).

    A quotient of two whole numbers below 2**24, rounded once to float32, is the same as one that was rounded to
    double before (53 bits are more than twice 24 and two: Figueroa, When is double rounding innocuous?, 1995).
    """
    kind = np.uint16 if form.digits <= 4 else np.uint32
    places = form.places
    whole = digits[:, places[0] :: form.width].astype(kind)
    for k in places[1:]:
        np.multiply(whole, kind(10), out=whole)
        np.add(whole, digits[:, k :: form.width], out=whole)
    out = np.empty(whole.shape[::-1], dtype=np.float32)
    out[:] = whole.T
    if form.divisor != 1:
        out /= form.divisor
    return out
