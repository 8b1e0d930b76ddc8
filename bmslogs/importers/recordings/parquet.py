"""Parquet files of others."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.arrow_tables import batch_rows, write_batches
from bmslogs.importers.recordings.made import refuse_wide
from bmslogs.importers.recordings.reader import Asked, Reader, local_copy
from bmslogs.importers.text.made_table import MadeTable
from bmslogs.importers.text.source import Source

MOST_FOOTER = 6 << 20
"""Choice [bytes]: five hundred columns in a hundred row groups; unpacked in memory it takes thirty times that."""
LONGEST_VALUE = 1 << 20
"""Choice [bytes]: the mean length of the texts of a column; no log has such."""


def make(source: Source, asked: Asked) -> MadeTable:
    """Write the table of a Parquet file out, batch by batch."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    path, _keeper = local_copy(source)
    _refuse_footer(path, source.path)
    try:
        with pq.ParquetFile(path, pre_buffer=False, buffer_size=1 << 20) as file:
            meta, schema = file.metadata, file.schema_arrow
            refuse_wide(meta.num_columns, source.path)
            _refuse_long_values(meta, source.path)
            rows = batch_rows(meta.num_columns)

            def batches(names: list[str] | None) -> Iterator[Any]:
                return iter(file.iter_batches(batch_size=rows, columns=names))

            return write_batches(source.path, source.size, schema, meta.num_rows, batches)
    except (pa.ArrowException, OSError, OverflowError, UnicodeError) as error:
        says = " ".join(str(error).split())[:160]
        raise BadInput(f"the Parquet file is broken ({says})", "a whole file", file=source.path) from None


def _refuse_footer(path: Path, file: Path) -> None:
    """Refuse a file whose own description is cut off or would fill the memory."""
    with path.open("rb") as handle:
        size = handle.seek(0, 2)
        handle.seek(max(size - 8, 0))
        end = handle.read(8)
    if end[4:] == b"PARE":
        raise BadInput("the Parquet file is encrypted", "an open file", file=file)
    if size < 12 or end[4:] != b"PAR1":
        raise BadInput("the Parquet file is cut off: it lacks its end", "a whole file", file=file)
    length = int.from_bytes(end[:4], "little")
    if length > min(MOST_FOOTER, size):
        raise BadInput(
            f"a Parquet file that describes itself in {length} bytes",
            f"{MOST_FOOTER >> 20} MB at most, as columns and row groups of a log need",
            file=file,
        )


def _refuse_long_values(meta: Any, file: Path) -> None:
    """Refuse columns whose values are far longer than any reading: they are held in memory whole."""
    for k in range(meta.num_row_groups):
        group = meta.row_group(k)
        for c in range(group.num_columns):
            column = group.column(c)
            if (
                column.physical_type == "BYTE_ARRAY"
                and column.total_uncompressed_size > (64 << 20)
                and column.total_uncompressed_size > LONGEST_VALUE // 16 * max(column.num_values, 1)
            ):
                raise BadInput(
                    f"values of {column.total_uncompressed_size // max(column.num_values, 1)} bytes",
                    "readings",
                    file=file,
                    column=column.path_in_schema,
                )


READER = Reader("Parquet file", lambda head: head.startswith(b"PAR1"), make)
