"""A stored log with other metadata: its readings copied as they are into a new file."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.importers.reading.table_writer import ROW_GROUP, finish_parquet, open_parquet
from bmslogs.store.entries import seal
from bmslogs.store.files import read_metadata, store_errors, sync_file

if TYPE_CHECKING:
    from bmslogs.store.store import Store


class Damaged(StoreError):
    """A stored log whose readings cannot be read back."""


def labels(pack: Pack) -> dict[str, str]:
    """Return the metadata by which a log belongs to a pack."""
    return {
        "bmslogs.pack": pack.id,
        "bmslogs.vehicle": pack.vehicle,
        "bmslogs.pack_json": pack.model_dump_json(),
    }


def has_labels(path: Path, wanted: Mapping[str, str]) -> bool:
    """Return whether a stored log carries these metadata already."""
    meta = read_metadata(path)
    return all(meta.get(k) == v for k, v in wanted.items())


def relabelled(store: Store, path: Path, wanted: Mapping[str, str]) -> Path:
    """Write a stored log with some metadata changed into a new file that is not part of the store yet.

    Raises
    ------
    Damaged
        Its readings cannot be read.
    StoreError
        The disk is full.
    """
    meta = {**read_metadata(path), **wanted}
    meta["bmslogs.seal"] = seal(meta)
    temporary = store.incoming()
    try:
        with _opened(path) as file, store_errors(store.root):
            schema = file.schema_arrow.remove_metadata()
            writer = open_parquet(temporary, schema, _varied(file))
            for group in range(file.num_row_groups):
                writer.write_table(_read(file, group, path).cast(schema), row_group_size=ROW_GROUP)
            finish_parquet(writer, schema, meta)
            sync_file(temporary)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return temporary


def _opened(path: Path) -> pq.ParquetFile:
    try:
        return pq.ParquetFile(path, page_checksum_verification=True)
    except (pa.ArrowException, OSError) as error:
        raise _damaged(path, error) from None


def _read(file: pq.ParquetFile, group: int, path: Path) -> pa.Table:
    try:
        return file.read_row_group(group)
    except (pa.ArrowException, OSError) as error:
        raise _damaged(path, error) from None


def _damaged(path: Path, error: Exception) -> Damaged:
    return Damaged(f"{path.name}: damaged ({' '.join(str(error).split())[:200]})")


def _varied(file: pq.ParquetFile) -> frozenset[str]:
    """Return the columns of text that were written without a dictionary."""
    if not file.num_row_groups:
        return frozenset()
    group = file.metadata.row_group(0)
    columns = (group.column(k) for k in range(group.num_columns))
    return frozenset(c.path_in_schema for c in columns if "DELTA_BYTE_ARRAY" in c.encodings)
