"""Small tables that people type or save from a spreadsheet: readings of a loom, goods-in measurements."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bmslogs.base.errors import BadInput

MOST_BYTES = 1_000_000
DELIMITERS = (";", "\t", ",")
READINGS, METER = ("cell", "voltage_V"), ("meter_V",)
"""Columns of the readings of a sense loom: needed, and where measured."""
MEASURED = ("name", "rest_voltage_V", "capacity_Ah", "capacity_half_width_Ah")
MEASURED_MORE = ("resistance_ohm", "resistance_half_width_ohm", "lot")
"""Columns of cells or modules measured on arrival: needed, and where measured."""


@dataclass(frozen=True)
class Row:
    """One row: its line in the file, and its cells by column name."""

    file: Path
    line: int
    cells: dict[str, str]

    def text(self, column: str) -> str | None:
        """Return a cell's text, None where it is empty or the column is not there."""
        return self.cells.get(column, "").strip() or None

    def number(self, column: str) -> float | None:
        """Return a cell's number, None where it is empty or the column is not there.

        Raises
        ------
        BadInput
            It holds something else.
        """
        text = self.text(column)
        if text is None:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise BadInput(repr(text), "a number", file=self.file, line=self.line, column=column)
        return value

    def needed(self, column: str) -> float:
        """Return a cell's number, which must be there."""
        value = self.number(column)
        if value is None:
            raise BadInput("nothing", "a number", file=self.file, line=self.line, column=column)
        return value


def read_table(path: Path, needed: Sequence[str], optional: Sequence[str] = ()) -> list[Row]:
    """Read a small CSV table with a header; semicolon, tab or comma; a decimal comma where the comma is free.

    Raises
    ------
    BadInput
        Not such a table, a needed column is missing, or a column is not known.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BadInput(f"{path.stat().st_size} bytes", "a small table", file=path)
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except FileNotFoundError:
        raise BadInput("no such file", "a CSV table", file=path) from None
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"cannot be read ({error})", "a CSV table, UTF-8", file=path) from None
    return table_rows(lines, path, needed, optional)


def table_rows(
    lines: Sequence[str], path: Path, needed: Sequence[str], optional: Sequence[str] = ()
) -> list[Row]:
    """Return the rows of a table's lines, the header first; `path` is what an error names.

    Raises
    ------
    BadInput
        Not such a table, a needed column is missing, or a column is not known.
    """
    if not lines:
        raise BadInput("an empty file", f"a table with columns {', '.join(needed)}", file=path)
    delimiter = next((d for d in DELIMITERS if d in lines[0]), ",")
    head = [name.strip() for name in next(csv.reader([lines[0]], delimiter=delimiter))]
    wanted = f"columns {', '.join(needed)}" + (
        f" and, where known, {', '.join(optional)}" if optional else ""
    )
    for name in needed:
        if name not in head:
            raise BadInput(f"no column {name}", wanted, file=path, line=1)
    for name in head:
        if name not in (*needed, *optional) or head.count(name) > 1:
            raise BadInput(f"column {name!r}", wanted, file=path, line=1)
    rows = []
    for number, line in enumerate(lines[1:], 2):
        if not line.strip():
            continue
        cells = next(csv.reader([line], delimiter=delimiter))
        if len(cells) > len(head):
            raise BadInput(f"{len(cells)} cells", f"{len(head)}, as in the header", file=path, line=number)
        rows.append(Row(path, number, dict(zip(head, cells, strict=False))))
    return rows
