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

from bmslogs.importers.text.dialect import Dialect

Bytes = npt.NDArray[np.uint8]
Places = npt.NDArray[np.intp]
Floats = npt.NDArray[np.float32]
MOST_DIGITS = 7
"""As many digits are a whole number that float32 holds exactly (below 2**24)."""
LEAST_BYTES = 48
"""Choice [bytes]: shorter pieces cost more to cut out than to parse."""
PIECE_BYTES = 1 << 20
"""Measured [bytes]: larger pieces fall out of the processor's cache, smaller ones cost calls."""
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

    values: Floats
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
    ends = _line_ends(codes)
    if b"\r" in block and not _paired(codes, ends):
        return None
    delimiter = ord(dialect.delimiter)
    longest = max(len(x) for x in head[:first])
    starts = _behind_fields(codes, ends, delimiter, first, min(2 * longest + 4, LEAST_BYTES))
    length = cells * form.width
    if starts is None or (starts + length - 1 > ends).any():
        return None
    behind = (delimiter,) if first + cells < dialect.width else (_CR, _LF)
    if not np.isin(codes[starts + length - 1], behind).all():
        return None
    return _taken_apart(codes, ends, starts, form, *_template(form, cells, delimiter, ord(dialect.decimal)))


def _line_ends(codes: Bytes) -> Places:
    pieces = range(0, len(codes), PIECE_BYTES)
    return np.concatenate([np.flatnonzero(codes[k : k + PIECE_BYTES] == _LF) + k for k in pieces])


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


def _taken_apart(
    codes: Bytes, ends: Places, starts: Places, form: _Form, least: Bytes, most: Bytes
) -> EvenCells | None:
    """Return the numbers that stand at some places and the bytes around them, None where a byte does not fit.

    A quotient of two whole numbers below 2**24, rounded once to float32, is the same as one that was rounded to
    double before (53 bits are more than twice 24 and two: Figueroa, When is double rounding innocuous?, 1995).
    """
    length = len(least)
    values = np.empty((length // form.width, len(starts)), dtype=np.float32)
    rest = []
    kind = np.uint16 if form.digits <= 4 else np.uint32
    places = form.places
    step = max(PIECE_BYTES // length, 1)
    begin = 0
    for k in range(0, len(starts), step):
        end = int(ends[k : k + step][-1]) + 1
        piece, at = codes[begin:end], starts[k : k + step] - begin
        digits = sliding_window_view(piece, length)[at]
        # bytes below the least wrap round to large ones
        digits -= least
        if (digits > most)[:, :-1].any():
            return None
        whole = digits[:, places[0] :: form.width].astype(kind)
        for place in places[1:]:
            np.multiply(whole, kind(10), out=whole)
            np.add(whole, digits[:, place :: form.width], out=whole)
        values[:, k : k + step] = whole.T
        kept = np.ones(len(piece), dtype=bool)
        sliding_window_view(kept, length, writeable=True)[at - 1] = False
        rest.append(piece[kept])
        begin = end
    if form.divisor != 1:
        values /= form.divisor
    return EvenCells(values, np.concatenate(rest))
