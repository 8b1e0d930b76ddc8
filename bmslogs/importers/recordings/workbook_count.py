"""What a workbook asks for, added up while its parts pass by, and the most of it that is taken."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import BadInput
from bmslogs.importers.text.source import MOST_UNPACKED_RATIO, RATIO_FREE_BYTES

MOST_CELLS = 6_000_000
"""Choice: cells of all sheets together, empty ones within a sheet's rectangle too; 60 bytes each in memory."""
MOST_UNPACKED = 320 << 20
"""Choice [bytes]: six million cells take 220 MB of XML; more takes longer than 5 s to look through."""
MOST_TEXT = 128 << 20
"""Choice [bytes]: texts of all cells together, shared ones counted in each cell."""
_ROW = re.compile(rb"\sr\s*=\s*[\"'](\d+)[\"']")
_REF = re.compile(rb"\sr\s*=\s*[\"']([A-Za-z]+)(\d+)[\"']")
_OTHER_WAYS = (b"'", b"\n", b"\t", b"\r", b"r =", b"r= ")
_UNWORKED = re.compile(
    rb"</(?:\w+:)?f>\s*(?:(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></(?:\w+:)?v>)\s*)?</(?:\w+:)?c>"
)
# in two steps: one pattern for both would try every pair of marks in a tag that is made to be long
_VALUED = re.compile(rb"<(?:\w+:)?c\b([^<>]*)>\s*<(?:\w+:)?v>(\d{1,12})<")
_IS_SHARED = re.compile(rb"\st\s*=\s*[\"']s[\"']")
Codes = npt.NDArray[np.int64]


@dataclass
class Count:
    """What a workbook asks for, added up."""

    file: Path
    total: int = 0
    cells: int = 0
    texts: int = 0
    unworked: int = 0
    lengths: Codes | None = None
    named: list[Codes] | None = None

    def unpacked(self, pieces: Iterator[bytes], size: int) -> Iterator[bytes]:
        """Pass pieces of a part on; refuse too many, and those that declare entities."""
        before = b""
        for piece in pieces:
            self.total += len(piece)
            if self.total > MOST_UNPACKED or self.total > max(RATIO_FREE_BYTES, MOST_UNPACKED_RATIO * size):
                raise BadInput(
                    f"unpacks to more than {min(MOST_UNPACKED, MOST_UNPACKED_RATIO * size) >> 20} MB",
                    "a workbook of readings; export the sheet as CSV",
                    file=self.file,
                )
            # its place is the part's beginning, but blanks and remarks of any length may stand before it
            if any(x in piece or x in before + piece[:16] for x in (b"<!DOCTYPE", b"<!ENTITY")):
                raise BadInput("the workbook declares entities of its own", "plain cells", file=self.file)
            before = piece[-16:]
            yield piece

    def add_cells(self, cells: int) -> None:
        """Add the rectangle of a sheet."""
        self.cells += cells
        if self.cells > MOST_CELLS:
            raise BadInput(
                f"sheets of {self.cells} cells",
                f"{MOST_CELLS} at most; export the sheet as CSV",
                file=self.file,
            )

    def add_text(self, size: int) -> None:
        """Add the bytes of texts in cells."""
        self.texts += size
        if self.texts > MOST_TEXT:
            raise BadInput(
                f"cells with more than {MOST_TEXT >> 20} MB of text", "a workbook of readings", file=self.file
            )

    def shared_texts(self, pieces: Iterator[bytes]) -> None:
        """Note how long each shared text is; the tags around it count too."""
        ends: list[Codes] = []
        at = 0
        for piece in pieces:
            found = [m.end() for m in re.finditer(rb"</(?:\w+:)?si\s*>|<(?:\w+:)?si\s*/>", piece)]
            ends.append(np.array(found, dtype=np.int64) + at)
            at += len(piece)
        self.lengths = np.diff(np.concatenate([np.zeros(1, np.int64), *ends]))

    def sheet(self, pieces: Iterator[bytes]) -> None:
        """Add the rectangle of a sheet of XML and note which shared texts its cells name."""
        rows = columns = inline = 0
        for piece in pieces:
            found_rows, found_columns = _extent(piece)
            rows, columns = max(rows, found_rows), max(columns, found_columns)
            if rows == 0 or columns == 0:
                # cells that do not say where they stand: as many as there are, each in a row and a column of its own
                inline += piece.count(b"<c") + piece.count(b":c")
            if b'"s"' in piece or b"'s'" in piece:
                self.named = self.named or []
                found = [int(n) for tag, n in _VALUED.findall(piece) if _IS_SHARED.search(tag)]
                self.named.append(np.array(found, dtype=np.int64))
            if b"<f" in piece or b":f" in piece:
                self.unworked += len(_UNWORKED.findall(piece))
        self.add_cells(max(rows * columns, inline))

    def close(self) -> None:
        """Add up the shared texts of all cells."""
        if self.lengths is None or not len(self.lengths):
            return
        for named in self.named or []:
            self.add_text(int(self.lengths[named[named < len(self.lengths)]].sum()))


def _extent(piece: bytes) -> tuple[int, int]:
    """Return the last row and column that cells of a piece of XML name; 0 where none does."""
    quick = _extent_of_even_rows(piece)
    if quick is not None:
        return quick
    rows = [int(r) for r in set(_ROW.findall(piece)) if len(r) < 12]
    refs = _REF.findall(piece)
    rows += [int(r) for r in {r for _, r in refs} if len(r) < 12]
    columns = [_column(c) for c in {c for c, _ in refs}]
    return max(rows, default=0), max(columns, default=0)


def _column(letters: bytes) -> int:
    """Return the number of a column from its letters, A = 1."""
    out = 0
    for code in letters.upper()[:8]:
        out = out * 26 + code - 64
    return out


def _extent_of_even_rows(piece: bytes) -> tuple[int, int] | None:
    """Return the same where cells are written as usual, each under the row whose number it bears; None elsewhere.

    Whole pieces at once: of each ``r="`` the letters behind it, and whether the digits behind them are the row's.
    """
    data = piece + b"\0" * 16
    codes = np.frombuffer(data, np.uint8)
    at = np.flatnonzero((codes[:-2] == 114) & (codes[1:-1] == 61) & (codes[2:] == 34)) + 3
    # another way to write them, or another name that ends so, is left to the slow way
    if not len(at) or len(at) != piece.count(b' r="') or any(x in piece for x in _OTHER_WAYS):
        return None
    first, second, third = codes[at], codes[at + 1], codes[at + 2]
    letter = [(c >= 65) & (c <= 90) for c in (first, second, third)]
    width = letter[0].astype(np.int64) * (1 + letter[1] * (1 + letter[2].astype(np.int64)))
    is_row = width == 0
    if not is_row[0]:
        return None
    words = np.ndarray((len(data) - 8,), "<u8", data, strides=(1,))
    numbers = [int(m) for m in re.findall(rb' r="(\d{1,7})"', piece)]
    if len(numbers) != int(is_row.sum()):
        return None
    row = np.cumsum(is_row) - 1
    digits = words[at + width]
    lengths = np.array([len(str(n)) + 1 for n in numbers])
    keep = (np.uint64(1) << (np.minimum(lengths, 8) * 8).astype(np.uint64)) - np.uint64(1)
    keep[lengths >= 8] = np.uint64(0xFFFFFFFFFFFFFFFF)
    if bool((((digits ^ digits[is_row][row]) & keep[row]) != 0).any()):
        return None
    a, b, c = (x.astype(np.int64) - 64 for x in (first, second, third))
    column = np.where(width == 1, a, np.where(width == 2, a * 26 + b, (a * 26 + b) * 26 + c))
    return max(numbers), int(np.max(np.where(is_row, 0, column)))
