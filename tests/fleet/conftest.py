"""A small store of short logs, written as the store lays them out."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from bmslogs.base.pack import Pack, parse_pack

CELLS = 8


def pack_of(name: str) -> Pack:
    return parse_pack(
        {
            "pack": {
                "id": f"{name.lower()}-main",
                "vehicle": name,
                "design": "two-box",
                "chemistry": "NMC",
                "nominal_capacity_Ah": 60.0,
                "cells_in_series": CELLS,
            },
            "module": [{"name": "A", "cells": [1, 2, 3, 4]}, {"name": "B", "cells": [5, 6, 7, 8]}],
        }
    )


def write_log(store: Path, pack: Pack, day: int, rows: int = 600) -> str:
    """Write one drive: a string of equal cells, the third with 30 % more resistance; 1 mV steps."""
    rng = np.random.default_rng(day)
    seconds = np.arange(rows, dtype=float)
    current = np.round(
        40 * np.sin(seconds / 9) + 30 * rng.normal(size=rows).cumsum() / np.sqrt(seconds + 1), 1
    )
    ohm = np.full(CELLS, 1.2e-3)
    ohm[2] *= 1.3
    charge = np.cumsum(current) / 3600
    volts = 3.75 - 0.006 * charge[:, None] - current[:, None] * ohm + rng.normal(0, 3e-4, (rows, CELLS))
    start = dt.datetime(2026, 5, 1, 8, tzinfo=dt.UTC) + dt.timedelta(days=day)
    time = np.datetime64(start.replace(tzinfo=None), "us") + (seconds * 1e6).astype("timedelta64[us]")
    table = pa.table(
        {
            "time": pa.array(time, pa.timestamp("us", "UTC")),
            "current_A": pa.array(current, pa.float32()),
            **{
                f"cell_{c + 1:03d}_mV": pa.array(np.round(1e3 * volts[:, c]).astype(np.int16))
                for c in range(CELLS)
            },
            "temperature_01_C": pa.array(np.full(rows, 21.0), pa.float32()),
        }
    )
    meta = {
        "bmslogs.schema": "bmslogs.log/1",
        "bmslogs.pack": pack.id,
        "bmslogs.vehicle": pack.vehicle,
        "bmslogs.pack_json": pack.model_dump_json(),
        "bmslogs.repairs": json.dumps([]),
        "bmslogs.rows": str(rows),
        "bmslogs.source_bytes": "0",
        "bmslogs.start": start.isoformat(),
        "bmslogs.end": (start + dt.timedelta(seconds=rows)).isoformat(),
    }
    log_id = f"{start:%Y%m%d-%H%M}-{day:012x}"
    folder = store / f"vehicle={pack.vehicle}" / f"pack={pack.id}"
    folder.mkdir(parents=True, exist_ok=True)
    pq.write_table(table.replace_schema_metadata(meta), folder / f"{log_id}.parquet")
    return log_id


@pytest.fixture
def store(tmp_path):
    """Two packs with three logs each."""
    for name in ("Heron", "Wren"):
        for day in range(3):
            write_log(tmp_path / "store", pack_of(name), day)
    return tmp_path / "store"
