"""A store whose logs are stubs of two rows and whose answers are simulated: what a history is gathered from."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.columns import SCHEMA
from bmslogs.store import Store
from tests.accuracy.history_simulation import Year


def store_of(root: Path, year: Year) -> Store:
    """Write a year's answers and a stub for each of its logs."""
    store = Store(root)
    store.save_pack(year.pack)
    folder = store.folder_of(year.pack)
    folder.mkdir(parents=True, exist_ok=True)
    for document in year.documents:
        log_id, start = document["log"]["id"], document["log"]["start"]
        _stub(folder / f"{log_id}.parquet", year, start)
    for document in year.documents:
        store.save_answer(document, document["log"]["id"])
    return store


def _stub(path: Path, year: Year, start: str) -> None:
    first = dt.datetime.fromisoformat(start.replace("Z", "+00:00"))
    times = [first, first + dt.timedelta(hours=1), first + dt.timedelta(hours=2)]
    table = pa.table(
        {
            "time": pa.array(times, pa.timestamp("us", "UTC")),
            "current_A": pa.array(np.array([20.0, 20.0, -20.0], np.float32)),
            "pack_V": pa.array(np.array([58.0, 57.0, 58.5], np.float32)),
            "temperature_01_C": pa.array(np.array([20.0, 21.0, 21.0], np.float32)),
            "temperature_02_C": pa.array(np.array([20.5, 22.0, 22.0], np.float32)),
        }
    )
    meta = {
        "pack": year.pack.id, "vehicle": year.pack.vehicle, "start": start,
        "end": times[-1].strftime("%Y-%m-%dT%H:%M:%SZ"), "rows": "3", "source": "invented.csv", "source_bytes": "100",
        "repairs": json.dumps([]), "pack_json": year.pack.model_dump_json(), "schema": SCHEMA, "version": "stub",
    }  # fmt: skip
    pq.write_table(table.replace_schema_metadata({f"bmslogs.{k}": v for k, v in meta.items()}), path)
