"""The normalised log as a Parquet file, written row group by row group."""

from __future__ import annotations

import base64
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.importers.plan.plan import Plan
from bmslogs.importers.reading.blocks import Chunk
from bmslogs.importers.text.arrow import arrow_numbers

ROW_GROUP = 65_536


class TableWriter:
    """Writes finished chunks to a file that is not yet part of the store.

    Parameters
    ----------
    path
        The temporary file.
    plan
        Says which columns there are.
    """

    def __init__(self, path: Path, plan: Plan) -> None:
        self.path = path
        self.plan = plan
        self.schema: pa.Schema | None = None
        self._writer: pq.ParquetWriter | None = None
        self._batches: list[pa.RecordBatch] = []
        self._rows = 0

    def write(self, chunk: Chunk, sign: int) -> None:
        """Add a chunk; a row group goes to disk when it is full."""
        batch = to_batch(chunk, self.plan, sign, self.schema)
        if self.schema is None:
            self.schema = batch.schema
        self._batches.append(batch)
        self._rows += chunk.rows
        if self._rows >= ROW_GROUP:
            self._put(ROW_GROUP * (self._rows // ROW_GROUP))

    def flush(self) -> None:
        """Write what is left."""
        if self._rows:
            self._put(self._rows)

    def _put(self, rows: int) -> None:
        table = pa.Table.from_batches(self._batches)
        rest = table.slice(rows)
        if self._writer is None:
            self._writer = open_parquet(self.path, table.schema, varied_texts(table))
        self._writer.write_table(table.slice(0, rows), row_group_size=ROW_GROUP)
        self._rows -= rows
        self._batches = rest.to_batches() if rest.num_rows else []

    def close(self, meta: dict[str, str]) -> None:
        """Write the metadata and finish the file."""
        assert self._writer is not None and self.schema is not None
        finish_parquet(self._writer, self.schema, meta)
        self._writer = None

    def discard(self) -> None:
        """Drop the file, finished or not, also where the disk has no room for its end."""
        if self._writer is not None:
            with suppress(*UNFINISHED):
                self._writer.close()
            self._writer = None
        self.path.unlink(missing_ok=True)


UNFINISHED = (OSError, pa.ArrowInvalid)
"""What closing a file may raise whose disk is full."""


class _Parquet(pq.ParquetWriter):  # type: ignore[misc]
    """A writer that is silent when it is given up: what stopped it was told where it happened."""

    def __del__(self) -> None:
        with suppress(*UNFINISHED):
            super().__del__()


def varied_texts(table: pa.Table) -> frozenset[str]:
    """Return the columns of text whose values hardly repeat: a dictionary of them would only cost."""
    head = table.slice(0, 2000)
    texts = [f.name for f in table.schema if pa.types.is_string(f.type)]
    return frozenset(n for n in texts if len(head.column(n).unique()) > 0.25 * max(head.num_rows, 100))


def open_parquet(
    path: Path | pa.NativeFile, schema: pa.Schema, varied: frozenset[str] = frozenset()
) -> pq.ParquetWriter:
    """Open a Parquet file with the encodings that suit readings: differences for integers, time and varied texts."""
    whole = [f.name for f in schema if pa.types.is_integer(f.type) or pa.types.is_timestamp(f.type)]
    flags = [f.name for f in schema if pa.types.is_boolean(f.type)]
    others = [f.name for f in schema if f.name not in whole and f.name not in flags and f.name not in varied]
    encodings = dict.fromkeys(whole, "DELTA_BINARY_PACKED") | dict.fromkeys(varied, "DELTA_BYTE_ARRAY")
    return _Parquet(
        path,
        schema,
        compression="zstd",
        compression_level=1,
        write_page_checksum=True,
        use_dictionary=others or False,
        column_encoding=encodings or None,
        write_statistics=["time", "current_A"] if "current_A" in schema.names else ["time"],
        data_page_size=1 << 20,
        store_schema=False,
    )


def finish_parquet(writer: pq.ParquetWriter, schema: pa.Schema, meta: dict[str, str]) -> None:
    """Close a file with metadata that are known at its end only.

    Arrow readers take them from the schema that a file carries, others from the file's footer: both get them.
    """
    carried = base64.b64encode(schema.with_metadata(meta).serialize().to_pybytes()).decode()
    writer.add_key_value_metadata({"ARROW:schema": carried, **meta})
    writer.close()


def to_batch(chunk: Chunk, plan: Plan, sign: int, schema: pa.Schema | None) -> pa.RecordBatch:
    """Return a chunk as a record batch of normalised columns."""
    arrays: list[Any] = [arrow_numbers(chunk.time).cast(pa.timestamp("us", "UTC"))]
    names: list[str] = ["time"]
    if chunk.current is not None:
        arrays.append(_floats(chunk.current if sign > 0 else -chunk.current))
        names.append("current_A")
    if chunk.pack is not None:
        arrays.append(_floats(chunk.pack))
        names.append("pack_V")
    for values, taken in zip(_cells(chunk.cells, chunk.whole), plan.of("cell")):
        arrays.append(values)
        names.append(taken.target)
    for row, taken in zip(chunk.temperatures, plan.of("temperature")):
        arrays.append(_floats(row))
        names.append(taken.target)
    if chunk.bleed is not None and chunk.bleed_known is not None:
        from bmslogs.base.columns import bleed_column

        numbers = [t.number for t in plan.of("bleed")] or list(plan.cells)
        for k, number in enumerate(numbers):
            mask = None if chunk.bleed_known[k].all() else ~chunk.bleed_known[k]
            arrays.append(arrow_numbers(chunk.bleed[k], mask))
            names.append(bleed_column(number))
    for name, values in chunk.others.items():
        arrays.append(values)
        names.append(name)
    if schema is None:
        fields = [pa.field(n, a.type, metadata=_field_metadata(n, plan)) for n, a in zip(names, arrays)]
        schema = pa.schema(fields)
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


_UNITS = {"time": "UTC", "current_A": "A", "pack_V": "V", "ambient_C": "degC", "logger_soc": "fraction"}


def _field_metadata(name: str, plan: Plan) -> dict[str, str]:
    unit = _UNITS.get(
        name, "mV" if name.startswith("cell_") else "degC" if name.startswith("temperature_") else ""
    )
    sources = [t.name for t in plan.columns if t.target == name]
    if name == "current_A":
        sources = [t.name for t in plan.of("current", "charge current", "discharge current")]
    if name.startswith("bleed_") and not sources:
        sources = [t.name for t in plan.of("bleed bits")]
    return {"unit": unit, "source_column": " + ".join(sources)}


def _floats(values: npt.NDArray[np.float32]) -> Any:
    values = np.asarray(values, dtype=np.float32)
    missing = np.isnan(values)
    return arrow_numbers(values, missing)


def _cells(cells: npt.NDArray[np.float32], whole: bool) -> list[Any]:
    """Return the cells as arrays: integers where they are whole mV."""
    if not whole:
        return [_floats(row) for row in cells]
    if not np.isnan(cells.min(initial=0.0)):
        return [arrow_numbers(row) for row in cells.astype(np.int16)]
    missing = np.isnan(cells)
    numbers = np.where(missing, 0, cells).astype(np.int16)
    return [arrow_numbers(row, gaps) for row, gaps in zip(numbers, missing)]
