"""A sample of a log: rows from the start and from windows over the whole file, as numbers where they are."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.importers.text.dialect import FILLS, HEAD_BYTES, Dialect
from bmslogs.importers.text.encoding import block_to_utf8, to_utf8
from bmslogs.importers.text.numbers import NumberStyle, read_numbers
from bmslogs.importers.text.source import Source

Floats = npt.NDArray[np.float64]
WINDOWS = 8
"""Choice: as many windows are read after the head."""
WINDOW_BYTES = 64 << 10
"""Choice [bytes] of each, stretched to 100 rows at least."""
_PACKED_BYTES = 3 << 20
_BARE = r"^-?\d+(?:[.,]\d+)?$"
"""A number that is neither fill nor in need of trimming."""


@dataclass(frozen=True)
class SampledColumn:
    """One column of the sample.

    Attributes
    ----------
    array
        Fields as written (Arrow strings), null where empty or a fill text.
    values
        As numbers, NaN where they are none.
    style
        How its numbers are written; None where most fields are no numbers.
    decimals
        Most digits behind the decimal mark.
    """

    index: int
    name: str
    unit_text: str
    array: Any
    values: Floats
    style: NumberStyle | None
    decimals: int

    @cached_property
    def texts(self) -> list[str | None]:
        """Fields as written, None where empty or a fill text."""
        return list(self.array.to_pylist())

    @property
    def filled(self) -> int:
        """Number of fields that hold something."""
        return len(self.array) - int(self.array.null_count)

    def examples(self, most: int = 5) -> tuple[str, ...]:
        """Return some distinct texts of the column, in order."""
        head = self.array.slice(0, 300).drop_null().unique().slice(0, most)
        return tuple(head.to_pylist())


@dataclass(frozen=True)
class Sample:
    """Rows over the whole file; `window` numbers the windows, rows within one are successive."""

    columns: list[SampledColumn]
    window: npt.NDArray[np.int64]
    rows: int
    row_bytes: float
    nulls: tuple[str, ...] = ("",)
    notes: list[str] = field(default_factory=list)


def take_sample(source: Source, head: bytes, dialect: Dialect) -> Sample:
    """Read the sample of a file and its numbers."""
    pieces = [_body(head, dialect, whole=len(head) < HEAD_BYTES)]
    width_bytes = max(len(x) for x in pieces[0][:20]) if pieces[0] else 200
    window_bytes = max(WINDOW_BYTES, 100 * width_bytes)
    pieces += _windows(source, len(head), window_bytes, dialect)
    window: list[int] = []
    seen: set[str] = {""}
    arrays = _columns(pieces, dialect, window, seen)
    columns = []
    units = dialect.units or ("",) * dialect.width
    for i in range(dialect.width):
        name = dialect.names[i] if i < len(dialect.names) else ""
        style, decimals, values = read_numbers(arrays[i], dialect.decimal)
        columns.append(
            SampledColumn(i, name or f"column {i + 1}", units[i], arrays[i], values, style, decimals)
        )
    return Sample(
        columns, np.array(window, dtype=np.int64), len(window), float(width_bytes), tuple(sorted(seen))
    )


def _body(head: bytes, dialect: Dialect, whole: bool) -> list[bytes]:
    text = b"".join(to_utf8(iter([head]), dialect.encoding))
    lines = re.split(rb"\r\n|\n|\r", block_to_utf8(text))
    if not whole:
        lines = lines[:-1]
    return lines[dialect.first_line - 1 :]


def _windows(source: Source, start: int, size: int, dialect: Dialect) -> list[list[bytes]]:
    """Return the lines of windows spread over what follows the head."""
    wide = 4 if "32" in dialect.encoding else 2 if "16" in dialect.encoding else 1
    blobs: list[bytes] = []
    if source.text_path is not None:
        room = source.text_size - start - size
        if room > 0:
            spots = np.linspace(start, source.text_size - size, WINDOWS).astype(int)
            with source.text_path.open("rb") as handle:
                for spot in sorted({int(s) // wide * wide for s in spots}):
                    handle.seek(spot)
                    blobs.append(handle.read(size))
        elif source.text_size > start:
            with source.text_path.open("rb") as handle:
                handle.seek(start // wide * wide)
                blobs.append(handle.read())
    elif start >= HEAD_BYTES:
        rest = source.head(_PACKED_BYTES)[start:]
        step = max(len(rest) // WINDOWS, size)
        blobs += [rest[i : i + size] for i in range(0, len(rest), step // wide * wide)]
    out = []
    for blob in blobs:
        plain = b"".join(to_utf8(iter([blob]), dialect.encoding)) if wide > 1 else blob
        lines = re.split(rb"\r\n|\n|\r", block_to_utf8(plain))
        out.append(lines[1:-1])
    return out


def _columns(pieces: list[list[bytes]], dialect: Dialect, window: list[int], seen: set[str]) -> list[Any]:
    """Split lines into columns with the reader of the whole import, so that both see the same."""
    import pyarrow as pa
    import pyarrow.compute as pc

    from bmslogs.importers.text.arrow import arrow_texts, no_text
    from bmslogs.importers.text.quotes import is_open, without_stray
    from bmslogs.importers.text.text_table import read_text

    # a header repeated in mid-file would make words of its columns
    heads = dialect.heads
    tables: list[Any] = []
    for number, lines in enumerate(pieces):
        if dialect.delimiter == " ":
            lines = [b" ".join(x.split()) for x in lines]
        lines = [x for x in lines if b"\0" not in x and x.strip() and x.strip() not in heads]
        if dialect.quoted:
            mark, width = dialect.delimiter.encode(), dialect.width
            mended = [without_stray(x, mark, width) if is_open(x) else x for x in lines]
            lines = [x for x in mended if x is not None]
        if lines:
            tables.append(read_text(b"\n".join(lines) + b"\n", dialect))
            window += [number] * tables[-1].num_rows
    fills = arrow_texts(sorted(FILLS))
    out = []
    for i in range(dialect.width):
        chunks = [c for t in tables for c in t.column(i).chunks]
        array = pa.concat_arrays(chunks) if chunks else pa.nulls(0, pa.string())
        if not pc.all(pc.match_substring_regex(array, _BARE)).as_py():
            fill = pc.is_in(pc.utf8_lower(array), value_set=fills)
            seen.update(array.filter(fill).unique().to_pylist())
            array = pc.utf8_trim_whitespace(array)
            filled = pc.invert(pc.is_in(pc.utf8_lower(array), value_set=fills))
            array = pc.if_else(filled, array, no_text())
        out.append(array)
    return out
