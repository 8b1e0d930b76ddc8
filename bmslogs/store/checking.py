"""A check of the whole store: bytes, names, metadata, schema."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.columns import SCHEMA
from bmslogs.base.errors import StoreError
from bmslogs.store.entries import CheckReport, content_key, log_id, moment, seal
from bmslogs.store.files import NewerStore, read_metadata
from bmslogs.store.given import FOLDER as GIVEN
from bmslogs.store.given import given_in
from bmslogs.store.leftovers import sweep
from bmslogs.store.order import empty_bin
from bmslogs.store.upgrades import UPGRADES, upgrade

if TYPE_CHECKING:
    from bmslogs.store.store import Store


def verify_store(store: Store) -> CheckReport:
    """Verify the logs of a store, upgrade older schemas, rebuild the index."""
    problems: list[str] = []
    upgraded: list[str] = []
    with store.locked():
        files = store._index.files()
        for path in files:
            try:
                meta = read_metadata(path)
                if meta["bmslogs.schema"] in UPGRADES:
                    upgrade(path, store.incoming())
                    upgraded.append(path.stem)
                problems += _check_log(path)
            except StoreError as error:
                problems.append(str(error))
        problems += _check_given(store.root)
        sweep(store.root)
        with contextlib.suppress(NewerStore):  # among the problems already
            store._index.rebuild()
    with contextlib.suppress(NewerStore):
        empty_bin(store)
    return CheckReport(len(files), tuple(problems), tuple(upgraded))


def _check_given(root: Path) -> list[str]:
    """Return what is wrong with the descriptions that logs were given."""
    out = []
    for path in sorted((root / GIVEN).glob("[!_]*.json")):
        try:
            given_in(root, path.stem)
        except StoreError as error:
            out.append(str(error))
    return out


def _check_log(path: Path) -> list[str]:
    meta = read_metadata(path)
    name = path.name
    if meta["bmslogs.schema"] != SCHEMA:
        return [
            f"{name}: schema {meta['bmslogs.schema']}, expected {SCHEMA}; it needs a newer version of this program"
        ]
    out = []
    if meta.get("bmslogs.seal") != seal(meta):
        out.append(f"{name}: its metadata were changed after import")
    try:
        # a log whose file grew keeps the name that its first bytes gave
        first = meta.get("bmslogs.first_sha256", meta["bmslogs.source_sha256"])
        key = content_key(first, meta["bmslogs.pack"], meta.get("bmslogs.mapping", ""))
        if path.stem != log_id(moment(meta.get("bmslogs.first_start", meta["bmslogs.start"])), key):
            out.append(f"{name}: its name is not the one its contents give")
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            rows = sum(batch.num_rows for batch in file.iter_batches())
        if rows != int(meta["bmslogs.rows"]):
            out.append(f"{name}: {rows} rows, expected {meta['bmslogs.rows']}")
    except (pa.ArrowException, OSError, KeyError, ValueError) as error:
        out.append(f"{name}: damaged ({' '.join(str(error).split())[:200]})")
    return out
