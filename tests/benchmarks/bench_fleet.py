"""Print what a fleet costs: diagnosing raw logs with 1 and 2 workers, a killed worker, datasets and the view of all.

A synthetic store of many packs whose logs are there as diagnoses only, and of a few packs with raw logs.
Run: python -m tests.benchmarks.bench_fleet [--packs 500] [--logs 20] [--raw 16] [--only raw]
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import json
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
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
QUANTITIES = (
    "resistance_10s",
    "resistance_10s_relative",
    "soc_offset",
    "capacity_relative",
    "charge_to_full",
)


def pack_of(number: int, cells: int = CELLS) -> Pack:
    return parse_pack(
        {
            "pack": {
                "id": f"wren-{number:04d}",
                "vehicle": f"Wren {number:04d}",
                "design": f"frame-{number % 10}",
                "chemistry": "NMC",
                "nominal_capacity_Ah": 100.0,
                "cells_in_series": cells,
            },
            "module": [
                {"name": f"M{m + 1}", "cells": list(range(4 * m + 1, 4 * m + 5))} for m in range(cells // 4)
            ],
        }
    )


def raw_log(root: Path, pack: Pack, number: int, rows: int, rng: np.random.Generator) -> str:
    """Write one drive of `rows` seconds."""
    seconds = np.arange(rows, dtype=float)
    current = 60 * np.sin(seconds / 11) + 40 * np.sin(seconds / 3.7) + rng.normal(0, 5, rows)
    cells = pack.cells_in_series
    ohm = 1e-3 * np.exp(rng.normal(0, 0.05, cells))
    volts = 3.8 - 0.006 * np.cumsum(current)[:, None] / 3600 - current[:, None] * ohm
    volts = volts + rng.normal(0, 5e-4, volts.shape)
    start = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=number)
    stamp = np.datetime64(start.replace(tzinfo=None), "us") + (1e6 * seconds).astype("timedelta64[us]")
    table = pa.table(
        {
            "time": pa.array(stamp, pa.timestamp("us", "UTC")),
            "current_A": pa.array(current, pa.float32()),
            **{f"cell_{c + 1:03d}_mV": np.round(1e3 * volts[:, c]).astype(np.int16) for c in range(cells)},
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
        "bmslogs.repairs": "[]",
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
        "schema": "bmslogs.diagnosis/2",
        "log": {"id": log_id, "start": stamp, "end": stamp, "rows": 1, "kinds": ["drive"]},
        "pack": {"id": pack.id, "vehicle": pack.vehicle, "cells": CELLS},
        "estimates": estimates, "findings": [finding], "repairs": [], "cautions": ["c"], "method": METHOD,
    }  # fmt: skip


@contextlib.contextmanager
def timed(what: str) -> Iterator[None]:
    begun = time.perf_counter()
    yield
    print(f"{what:62s} {time.perf_counter() - begun:8.2f} s", flush=True)


def raw_part(root: Path, cells: int, logs: int, rows: int) -> None:
    """Print what one and two workers make of raw logs of one shape."""
    for number in range(logs):
        raw_log(root, pack_of(9000 + number % 2, cells), number, rows, np.random.default_rng(number))
    took = {}
    for workers in (1, 2):
        shutil.rmtree(root / "_answers", ignore_errors=True)
        shutil.rmtree(root / "_estimates", ignore_errors=True)
        run = diagnose_store(root, workers=workers)
        assert len(run.of("done")) == logs, run.of("failed")[:1]
        took[workers] = run.seconds
        each = sum(o.cpu_seconds for o in run.outcomes) / logs
        print(
            f"diagnose {logs} logs of {rows} rows x {cells} cells, {workers} worker(s)".ljust(62),
            f"{run.seconds:8.2f} s   {logs / run.seconds:6.2f} logs/s, {each:.2f} s of a core each", flush=True,
        )  # fmt: skip
    print(
        f"  two workers against one: {took[1] / took[2]:.2f} times as fast; two processes that only count: "
        f"{_counting():.2f} times; {_load()}", flush=True,
    )  # fmt: skip


def _count(number: int) -> int:
    return sum(range(number))


def _counting() -> float:
    """Return what two processes of plain counting gain now: other work may leave no second core."""
    took = {}
    for workers in (1, 2):
        with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
            list(pool.map(_count, [1] * workers))
            begun = time.perf_counter()
            list(pool.map(_count, [20_000_000] * 8))
            took[workers] = time.perf_counter() - begun
    return took[1] / took[2]


def _load() -> str:
    """Return how many processes wanted a core over the last minute, where the system says."""
    if not hasattr(os, "getloadavg"):
        return "load not known"
    return f"{os.getloadavg()[0]:.1f} processes wanted one of {os.cpu_count()} cores"


def killed_part(root: Path, logs: int, rows: int) -> None:
    """Print what is lost and what is repeated when a worker, and when the whole run, is killed."""
    for number in range(logs):
        raw_log(root, pack_of(9000), number, rows, np.random.default_rng(number))
    killer = threading.Thread(target=_kill_one, args=(root,), daemon=True)
    killer.start()
    run = diagnose_store(root, workers=2)
    print(f"a worker killed: {len(run.of('done'))} of {logs} done, {len(run.of('failed'))} failed".ljust(62),
          f"{run.seconds:8.2f} s", flush=True)  # fmt: skip
    shutil.rmtree(root / "_answers")
    code = f"from bmslogs.fleet import diagnose_store; diagnose_store({str(root)!r}, workers=1)"
    process = subprocess.Popen([sys.executable, "-c", code])
    while process.poll() is None and len(_answers(root)) < logs // 3:
        time.sleep(0.002)
    process.kill()
    process.wait()
    before = _answers(root)
    run = diagnose_store(root, workers=2)
    after = _answers(root)
    again = sum(after.get(p) != t for p, t in before.items())
    print(
        f"the run killed after {len(before)} logs, then run again: {len(run.of('known'))} known, "
        f"{len(run.of('done'))} done, {logs - len(after)} lost, {again} made twice", flush=True,
    )  # fmt: skip


def _answers(root: Path) -> dict[str, int]:
    return {p.name: p.stat().st_mtime_ns for p in (root / "_answers").rglob("2*.json")}


def _kill_one(root: Path) -> None:
    for _ in range(60_000):
        children = multiprocessing.active_children()
        if len(children) == 2 and next((root / "_answers").rglob("2*.json"), None):
            children[0].kill()
            return
        time.sleep(0.002)


def page_part(root: Path) -> None:
    """Print how long the page of all vehicles takes, from the browser's request to the answer's last byte."""
    from dashboard.app import create_app

    with timed("(load the dashboard)"):
        app = create_app(root)
        client = app.server.test_client()
    key = next(k for k in app.callback_map if "page-content.children" in k)
    given = app.callback_map[key]
    values = {
        "at.pathname": "/",
        "at.search": "",
        "scheme.data": "light",
        "zone.data": "UTC",
        "revision.data": 0,
    }
    outputs = [dict(zip(("id", "property"), part.rsplit(".", 1))) for part in key.strip(".").split("...")]

    def filled(of: list[dict]) -> list[dict]:
        return [p | {"value": values.get(f"{p['id']}.{p['property']}")} for p in of]

    asked = {
        "output": key, "outputs": outputs, "inputs": filled(given["inputs"]), "state": filled(given["state"]),
        "changedPropIds": ["at.pathname"],
    }  # fmt: skip
    for when in ("first", "again"):
        with timed(f"page of all vehicles, {when}"):
            got = client.post("/_dash-update-component", json=asked)
            body = got.get_data()
        assert got.status_code == 200 and b"wren-0000" in body, body[:300]
    print(f"  {len(body) / 1e6:.2f} MB in {body.count(b'wren-')} lines and links", flush=True)


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
            duckdb.sql(
                f"select pack, avg(value) from '{root.as_posix()}/_estimates/*.parquet' "
                "where quantity = 'resistance_10s' group by 1"
            ).fetchall()
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
    parser.add_argument("--raw", type=int, default=16, help="raw logs of each shape")
    parser.add_argument("--rows", type=int, default=3600, help="rows of a raw log, one a second")
    parser.add_argument("--only", choices=("raw", "killed", "view"))
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if given.only in (None, "raw"):
            for cells in (16, 48, 96):
                raw_part(Path(folder) / f"raw-{cells}", cells, given.raw, given.rows)
        if given.only in (None, "killed"):
            killed_part(Path(folder) / "killed", 12, 2400)
        if given.only in (None, "view"):
            view_part(Path(folder) / "many", given.packs, given.logs)
            page_part(Path(folder) / "many")
