"""A Parquet file that grows at its end: row groups once written are copied as bytes, the last one is written anew."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
from pyarrow import fs

from bmslogs.importers.plan.plan import Plan
from bmslogs.importers.reading.blocks import Chunk
from bmslogs.importers.reading.table_writer import (
    ROW_GROUP,
    finish_parquet,
    open_parquet,
    to_batch,
    varied_texts,
)

MAGIC = 4
"""Bytes "PAR1" with which a Parquet file begins, and which its writer writes by itself."""
COPIED = 1 << 20
"""Choice [bytes]: as much is copied at once."""


class GrowingTable:
    """Rows of a log that grows.

    Parameters
    ----------
    base
        File of its own for the row groups that will not change: a Parquet file without its footer.
    plan
        Says which columns there are.

    Notes
    -----
    The places in a footer count from the start of the file, so a row group stays valid wherever its bytes are copied
    to the same place. A new footer names the old groups and the new ones.
    """

    def __init__(self, base: Path, plan: Plan) -> None:
        self.base = base
        self.plan = plan
        self.schema: pa.Schema | None = None
        self._varied: frozenset[str] = frozenset()
        self._groups: list[pq.FileMetaData] = []
        self._waiting: list[pa.RecordBatch] = []
        self._rows = 0

    def add(self, chunk: Chunk, sign: int) -> None:
        """Add rows that will not change."""
        self._waiting.append(self._batch(chunk, sign))
        self._rows += chunk.rows
        if self._rows >= ROW_GROUP:
            self.settle()

    def settle(self) -> None:
        """Write the rows that were added as row groups of their own."""
        if not self._waiting:
            return
        whole = self.base.with_name(f"{self.base.name}-new")
        self._groups.append(self._append(whole, self._waiting))
        with whole.open("rb+") as handle:
            handle.truncate(_footer_at(handle))
        whole.replace(self.base)
        self._waiting, self._rows = [], 0

    def write(self, path: Path, last: list[Chunk], sign: int, meta: dict[str, str]) -> None:
        """Write the whole file: what was added, `last` behind it for this once, and the metadata.

        Raises
        ------
        ValueError
            There are no rows at all.
        """
        batches = [*self._waiting, *(self._batch(c, sign) for c in last)]
        if self.schema is None:
            raise ValueError("a log without rows")
        groups = [*self._groups, self._append(path, batches)]
        footer = self._footer(meta)
        for group in groups:
            footer.append_row_groups(group)
        told = io.BytesIO()
        footer.write_metadata_file(told)
        with path.open("rb+") as handle:
            handle.truncate(_footer_at(handle))
            handle.seek(0, io.SEEK_END)
            handle.write(told.getvalue()[MAGIC:])

    def discard(self) -> None:
        """Remove the file."""
        self.base.unlink(missing_ok=True)

    def _batch(self, chunk: Chunk, sign: int) -> pa.RecordBatch:
        batch = to_batch(chunk, self.plan, sign, self.schema)
        if self.schema is None:
            self.schema = batch.schema
            self._varied = varied_texts(pa.Table.from_batches([batch]))
        return batch

    def _append(self, path: Path, batches: list[pa.RecordBatch]) -> pq.FileMetaData:
        """Write the row groups that do not change and `batches` behind them; return the footer of these alone."""
        assert self.schema is not None
        with fs.LocalFileSystem().open_output_stream(str(path)) as stream:
            writer = open_parquet(stream, self.schema, self._varied)
            if self._groups:
                with self.base.open("rb") as old:
                    old.seek(MAGIC)
                    shutil.copyfileobj(old, stream, COPIED)
            if batches:
                writer.write_table(pa.Table.from_batches(batches), row_group_size=ROW_GROUP)
            writer.close()
        return pq.read_metadata(path)

    def _footer(self, meta: dict[str, str]) -> pq.FileMetaData:
        """Return a footer without row groups that carries the metadata."""
        assert self.schema is not None
        sink = pa.BufferOutputStream()
        finish_parquet(open_parquet(sink, self.schema, self._varied), self.schema, meta)
        return pq.read_metadata(pa.BufferReader(sink.getvalue()))


def _footer_at(handle: io.BufferedRandom) -> int:
    """Return where the footer of a Parquet file begins: its length stands before the last four bytes."""
    end = handle.seek(-8, io.SEEK_END)
    return end - int.from_bytes(handle.read(4), "little")
