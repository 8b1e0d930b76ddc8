"""Blocks of lines as a table of texts or numbers: the one place that calls the CSV parser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa
import pyarrow.csv as pc

from bmslogs.importers.text.dialect import DELIMITERS, FILLS, Dialect, is_row

NULLS = sorted({v for f in FILLS for v in (f, f.upper(), f.capitalize(), f.title())} | {"NaN", "N/a", "nA"})
"""Spellings of a missing number that the parser knows."""


SHOWN, WHOLE, KEPT = 200, 200_000, 50
"""Choice [letters, letters, rows]: what is kept of rows with another number of fields, and of the first of a block."""


@dataclass
class Wrong:
    """Rows of a block with another number of fields: (row within the block, fields, text)."""

    rows: list[tuple[int, int, str]] = field(default_factory=list)
    other: tuple[str, str] | None = None
    """The first row that another delimiter parts into the right number of fields: that delimiter, and its text."""


def column_key(index: int) -> str:
    """Return the name under which column `index` is parsed."""
    return f"c{index}"


def read_text(block: bytes, dialect: Dialect, wrong: Wrong | None = None) -> pa.Table:
    """Read a block of lines with every field as text."""
    types = {column_key(i): pa.string() for i in range(dialect.width)}
    return read_typed(block, dialect, types, None, wrong)


def read_typed(
    block: Any,
    dialect: Dialect,
    types: dict[str, Any],
    include: list[str] | None,
    wrong: Wrong | None = None,
    without: range = range(0),
) -> pa.Table:
    """Read a block of lines into typed columns.

    Parameters
    ----------
    block
        Bytes, or what has their buffer.
    types, include
        Arrow types by name, and the names of the columns to keep.
    without
        Columns of the dialect that these lines lack.

    Raises
    ------
    pyarrow.ArrowInvalid
        A field is not of its type.
    """
    names = [column_key(i) for i in range(dialect.width) if i not in without]
    return pc.read_csv(
        pa.BufferReader(block),
        read_options=pc.ReadOptions(
            column_names=names, use_threads=False, block_size=max(len(block) + 64, 1024)
        ),
        parse_options=pc.ParseOptions(
            delimiter=dialect.delimiter,
            quote_char='"' if dialect.quoted else False,
            ignore_empty_lines=True,
            invalid_row_handler=_handler(wrong, dialect),
        ),
        convert_options=pc.ConvertOptions(
            column_types=types,
            include_columns=include or names,
            null_values=list(dialect.nulls) or NULLS,
            strings_can_be_null=False,
            decimal_point=dialect.decimal,
            check_utf8=True,
        ),
    )


def _handler(wrong: Wrong | None, dialect: Dialect) -> Callable[[Any], str]:
    def handle(row: Any) -> str:
        if wrong is not None:
            if wrong.other is None:
                mark = other_delimiter(str(row.text), dialect)
                wrong.other = None if mark is None else (mark, str(row.text)[:SHOWN])
            # the first of them may be a header, which is needed whole
            most = WHOLE if len(wrong.rows) < KEPT else SHOWN
            wrong.rows.append((int(row.number or 0), int(row.actual_columns), str(row.text)[:most]))
        return "skip"

    return handle


def other_delimiter(line: str, dialect: Dialect) -> str | None:
    """Return the delimiter that parts a line into as many fields as the table has, where its own does not."""
    for mark in DELIMITERS:
        if mark != dialect.delimiter and line.count(mark) == dialect.width - 1 > 1 and is_row(line, mark):
            return mark
    return None
