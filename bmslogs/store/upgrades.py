"""Older schemas of stored logs, and how each becomes the present one."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.columns import SCHEMA
from bmslogs.importers.reading.table_writer import ROW_GROUP, finish_parquet, open_parquet
from bmslogs.store.entries import seal
from bmslogs.store.files import read_metadata, store_errors, sync_file

Change = Callable[[pa.Table, dict[str, str]], tuple[pa.Table, dict[str, str]]]


def _from_0(table: pa.Table, meta: dict[str, str]) -> tuple[pa.Table, dict[str, str]]:
    """Schema 0 had unsigned cells, repairs as sentences alone, and no step of the readings."""
    for k, f in enumerate(table.schema):
        if f.name.startswith("cell_") and f.type == pa.uint16():
            table = table.set_column(
                k, pa.field(f.name, pa.int16(), metadata=f.metadata), table.column(k).cast(pa.int16())
            )
    repairs = json.loads(meta.get("bmslogs.repairs", "[]"))
    named = [
        r
        if isinstance(r, dict)
        else {"rule": "unnamed", "rows": 0, "columns": [], "first": None, "last": None, "says": str(r)}
        for r in repairs
    ]
    meta = {**meta, "bmslogs.repairs": json.dumps(named), "bmslogs.rows": str(table.num_rows)}
    meta.setdefault("bmslogs.voltage_step_V", "0.001")
    meta.setdefault("bmslogs.mapping", "")
    return table, meta


UPGRADES: dict[str, Change] = {"bmslogs.log/0": _from_0}
"""By the schema that a file has."""


def upgrade(path: Path, temporary: Path) -> None:
    """Bring one stored log to the present schema, in place and atomically."""
    meta = read_metadata(path)
    with pq.ParquetFile(path) as file:
        table = file.read()
    table, meta = UPGRADES[meta["bmslogs.schema"]](table, meta)
    meta = {**meta, "bmslogs.schema": SCHEMA}
    meta["bmslogs.seal"] = seal(meta)
    with store_errors(path):
        try:
            schema = table.schema.remove_metadata()
            writer = open_parquet(temporary, schema)
            writer.write_table(table.cast(schema), row_group_size=ROW_GROUP)
            finish_parquet(writer, schema, meta)
            sync_file(temporary)
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)
