"""From Arrow batches to the lines of a table: shared by the readers of Parquet and of Arrow files."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.cells import array_texts, write_columns
from bmslogs.importers.recordings.flat import Flattener, is_nested
from bmslogs.importers.recordings.made import TableText, refuse_wide
from bmslogs.importers.text.made_table import MadeTable, Origin

BATCH_CELLS = 1_000_000
"""Choice: as many values are held at once, about 40 MB as Python of the worst kind and text."""
FREE_CELLS, CELLS_PER_BYTE = 20_000_000, 40
"""Choice: constant columns pack without end, readings to some two values a byte; below the first it does not matter."""
Batches = Callable[[list[str] | None], Iterator[Any]]
"""Yields record batches of some columns by name, of all where None."""


def batch_rows(columns: int) -> int:
    """Return the rows of a batch."""
    return max(64, min(65536, BATCH_CELLS // max(columns, 1)))


def write_batches(file: Path, size: int, schema: Any, rows: int | None, batches: Batches) -> MadeTable:
    """Write all batches as a table; a first pass over nested columns alone finds how long their lists are.

    Parameters
    ----------
    file, size
        For messages and limits.
    schema
        Of the batches.
    rows
        In the whole file, where known beforehand.
    """
    refuse_wide(len(schema), file)
    _refuse_twins(schema.names, file)
    with TableText(file, size) as text:
        if rows is not None:
            _refuse_hollow(rows * len(schema), size, file)
        flattener = Flattener(file)
        nested = [f.name for f in schema if is_nested(f.type)]
        if nested:
            for batch in batches(nested):
                for name, column in zip(batch.schema.names, batch.columns):
                    flattener.look(name, column)
        empty = [flattener.flat(f.name, _none_of(f.type)) for f in schema]
        names = [name for columns in empty for name, _ in columns]
        refuse_wide(len(names), file)
        text.header(names)
        if names:
            for batch in batches(None):
                flat = [c for f, a in zip(batch.schema, batch.columns) for c in flattener.flat(f.name, a)]
                write_columns([array_texts(column) for _, column in flat], text)
        return text.finish(Origin("row", shift=1))


def _refuse_hollow(cells: int, size: int, file: Path) -> None:
    """Refuse a file of far more values than its bytes can tell apart, before it is unpacked."""
    if cells > max(FREE_CELLS, CELLS_PER_BYTE * size):
        raise BadInput(
            f"{cells} values in {size} bytes", f"{CELLS_PER_BYTE} a byte at most, as readings need", file=file
        )


def _none_of(kind: Any) -> Any:
    import pyarrow as pa

    return pa.array([], kind)


def _refuse_twins(names: list[str], file: Path) -> None:
    twin = (
        next((n for k, n in enumerate(names) if n in names[:k]), None)
        if len(set(names)) < len(names)
        else None
    )
    if twin is not None:
        raise BadInput(f"two columns of the name {twin!r}", "one name a column", file=file, column=twin)
