"""Print what a fleet costs: diagnosing raw logs with 1 and 2 workers, a killed worker, datasets and the view of all.

A synthetic store of many packs whose logs are there as diagnoses only, and of a few packs with raw logs.
Run: python -m tests.benchmarks.bench_fleet [--packs 500] [--logs 20] [--raw 3]
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import json
import multiprocessing
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs import __version__
from bmslogs.base.pack import Pack, parse_pack
from bmslogs.base.results import Diagnosis
from bmslogs.findings import METHOD
from bmslogs.findings.compare.positions import position_effects
from bmslogs.fleet import diagnose_store, overview, read_estimates, refresh
from bmslogs.fleet.files import Files

CELLS = 16
QUANTITIES = ("resistance_10s", "resistance_10s_relative", "soc_offset", "capacity_relative", "charge_to_full")


def pack_of(number: int) -> Pack:
    return parse_pack(
        {
            "pack": {
                "id": f"wren-{number:04d}", "vehicle": f"Wren {number:04d}", "design": f"frame-{number % 10}",
                "chemistry": "NMC", "nominal_capacity_Ah": 100.0, "cells_in_series": CELLS,
            },
            "module": [{"name": f"M{m}", "cells": list(range(4 * m - 3, 4 * m + 1))} for m in range(1, 5)],
        }
    )


def raw_log(root: Path, pack: Pack, number: int, rows: int, rng: np.random.Generator) -> str:
    """Write one drive of `rows` seconds."""
    seconds = np.arange(rows, dtype=float)
    current = 60 * np.sin(seconds / 11) + 40 * np.sin(seconds / 3.7) + rng.normal(0, 5, rows)
    ohm = 1e-3 * np.exp(rng.normal(0, 0.05, CELLS))
    volts = 3.8 - 0.006 * np.cumsum(current)[:, None] / 3600 - current[:, None] * ohm
    volts = volts + rng.normal(0, 5e-4, volts.shape)
    start = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=number)
    stamp = np.datetime64(start.replace(tzinfo=None), "us") + (1e6 * seconds).astype("timedelta64[us]")
    table = pa.table(
        {
            "time": pa.array(stamp, pa.timestamp("us", "UTC")),
            "current_A": pa.array(current, pa.float32()),
            **{f"cell_{c + 1:03d}_mV": np.round(1e3 * volts[:, c]).astype(np.int16) for c in range(CELLS)},
            "temperature_01_C": pa.array(np.full(rows, 20.0), pa.float32()),
        }
    )
    return keep(root, pack, number, start, table)


def keep(root: Path, pack: Pack, number: int, start: dt.datetime, table: pa.Table) -> str:
    """Write a log where the store has it."""
    meta = {
        "bmslogs.schema": "bmslogs.log/1", "bmslogs.pack": pack.id, "bmslogs.vehicle": pack.vehicle,
        "bmslogs.pack_json": pack.model_dump_json(), "bmslogs.rows": str(table.num_rows),
        "bmslogs.start": start.isoformat(), "bmslogs.end": start.isoformat(), "bmslogs.source_bytes": "0",
    }  # fmt: skip
    log_id = f"{start:%Y%m%d-%H%M}-{number:012x}"
    folder = root / f"vehicle={pack.vehicle.replace(' ', '%20')}" / f"pack={pack.id}"
    folder.mkdir(parents=True, exist_ok=True)
    pq.write_table(table.replace_schema_metadata(meta), folder / f"{log_id}.parquet", compression="zstd")
    return log_id


def summarised(root: Path, packs: int, logs: int) -> None:
    """Write packs whose logs are stubs of one row with a stored diagnosis each."""
    rng = np.random.default_rng(1)
    stub = pa.table({"time": pa.array([0], pa.timestamp("us", "UTC"))})
    for p in range(packs):
        pack = pack_of(p)
        true = 1e-3 * np.exp(rng.normal(0, 0.05, CELLS))
        for number in range(logs):
            start = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=7 * number)
            log_id = keep(root, pack, number, start, stub)
            document = diagnosis(pack, log_id, start, true * np.exp(rng.normal(0, 0.01, CELLS)))
            path = root / "_answers" / pack.id / f"{log_id}.json"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(json.dumps({"version": __version__, "method": METHOD, "answer": document}))


def diagnosis(pack: Pack, log_id: str, start: dt.datetime, ohm: np.ndarray) -> dict:
    """Return the JSON of a diagnosis with five quantities a cell."""
    values = {"resistance_10s": ohm, "resistance_10s_relative": ohm / np.median(ohm)}
    estimates = [
        {
            "quantity": q, "cell": c + 1, "value": float(values.get(q, np.ones(CELLS))[c]), "low": 0.9, "high": 1.1,
            "unit": "", "status": "determined",
            "conditions": {"temperature_C": 20.0, "soc_low": 0.4, "soc_high": 0.8, "current_rms_A": 60.0},
        }
        for q in QUANTITIES
        for c in range(CELLS)
    ]  # fmt: skip
    stamp = start.strftime("%Y-%m-%dT%H:%M:%SZ")
    finding = {
        "cause": "cell_resistance_high", "level": "look", "cells": [3], "module": "M1", "sensor": None, "size": 0.2,
        "low": 0.1, "high": 0.3, "unit": "fraction of pack median", "says": "Cell 3 is high.", "because": ["x"],
        "next": ["y"],
    }  # fmt: skip
    return {
        "schema": "bmslogs.diagnosis/1",
        "log": {"id": log_id, "start": stamp, "end": stamp, "rows": 1, "kinds": ["drive"]},
        "pack": {"id": pack.id, "vehicle": pack.vehicle, "cells": CELLS},
        "estimates": estimates, "findings": [finding], "repairs": [], "cautions": ["c"], "method": METHOD,
    }  # fmt: skip


@contextlib.contextmanager
def timed(what: str) -> Iterator[None]:
    begun = time.perf_counter()
    yield
    print(f"{what:62s} {time.perf_counter() - begun:8.2f} s", flush=True)


def raw_part(root: Path, packs: int, logs: int, rows: int) -> None:
    rng = np.random.default_rng(2)
    for p in range(packs):
        for number in range(logs):
            raw_log(root, pack_of(9000 + p), number, rows, rng)
    total = packs * logs
    for workers in (1, 2):
        shutil.rmtree(root / "_answers", ignore_errors=True)
        run = diagnose_store(root, workers=workers)
        assert len(run.of("done")) == total, run.of("failed")[:1]
        print(
            f"diagnose {total} raw logs of {rows} rows x {CELLS} cells, {workers} worker(s)".ljust(62),
            f"{run.seconds:8.2f} s   {total / run.seconds:6.2f} logs/s", flush=True,
        )  # fmt: skip
    shutil.rmtree(root / "_answers")
    killer = threading.Thread(target=_kill_one, args=(root,), daemon=True)
    killer.start()
    run = diagnose_store(root, workers=2)
    print(f"the same with a worker killed: {len(run.of('done'))} done, {len(run.of('failed'))} failed".ljust(62),
          f"{run.seconds:8.2f} s", flush=True)
    again = diagnose_store(root, workers=2)
    print(f"the same again: {len(again.of('done'))} done, {len(again.of('known'))} known".ljust(62),
          f"{again.seconds:8.2f} s", flush=True)


def _kill_one(root: Path) -> None:
    for _ in range(60_000):
        children = multiprocessing.active_children()
        if len(children) == 2 and next((root / "_answers").rglob("2*.json"), None):
            children[0].kill()
            return
        time.sleep(0.002)


def view_part(root: Path, packs: int, logs: int) -> None:
    with timed(f"(write {packs} packs x {logs} summarised logs)"):
        summarised(root, packs, logs)
    with timed("datasets of all packs from their diagnoses"):
        written = refresh(Files(root))
    assert len(written) == packs
    with timed("a run that finds everything known"):
        run = diagnose_store(root, workers=1)
    assert len(run.of("known")) == packs * logs
    with timed("view of all packs, one line each"):
        lines = overview(root)
    assert len(lines) == packs
    with timed("read one quantity of all logs"):
        table = read_estimates(root, ["pack", "log", "cell", "value"], quantity="resistance_10s")
    assert table.num_rows == packs * logs * CELLS
    with contextlib.suppress(ImportError):
        import duckdb

        with timed("the same mean by pack with DuckDB"):
            duckdb.sql(f"select pack, avg(value) from '{root.as_posix()}/_estimates/*.parquet' "
                       "where quantity = 'resistance_10s' group by 1").fetchall()
    files = Files(root)
    members = [p for p in range(packs) if p % 10 == 0][:20]
    answers = {}
    for p in members:
        pack = pack_of(p)
        found = [files.read_answer(pack.id, i) for i in files.answers(pack.id)]
        answers[pack.id] = [Diagnosis.from_json(a.document) for a in found if a]
    with timed(f"places that suffer, over {len(members)} vehicles of one design"):
        position_effects(answers, {pack_of(p).id: pack_of(p) for p in members})


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packs", type=int, default=500)
    parser.add_argument("--logs", type=int, default=20)
    parser.add_argument("--raw", type=int, default=3, help="packs with raw logs, eight each")
    parser.add_argument("--rows", type=int, default=2400)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        raw_part(Path(folder) / "raw", given.raw, 8, given.rows)
        view_part(Path(folder) / "many", given.packs, given.logs)
