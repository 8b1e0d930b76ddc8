"""The invented stores that the pages are timed over: small, one long log, many packs, a pack with many logs."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from bmslogs import __version__
from bmslogs.base.pack import Pack, load_pack
from bmslogs.faces.answers import answer
from bmslogs.findings import METHOD
from bmslogs.fleet import refresh
from bmslogs.fleet.files import Files
from bmslogs.store import Store
from sample_logs import SAMPLES
from tests.accuracy.history_simulation import simulate
from tests.benchmarks import bench_fleet, log_page

PACKS, LOGS_EACH, ROWS_EACH = 500, 20, 300
MANY_LOGS = 2000
SEED_OF_MANY = 17
"""Gives a pack of 96 cells."""


@dataclass(frozen=True)
class Shown:
    """What of a store is looked at.

    Attributes
    ----------
    pack, log
        In the address of the pages.
    other
        Log that is laid over it; empty for another cell of the same log.
    cells
        How many the pack has.
    quantities
        Two that this log tells.
    packs
        Two packs to set side by side.
    logs
        Two logs of the pack that are chosen by turns.
    """

    pack: str
    log: str
    cells: int
    other: str = ""
    quantities: tuple[str, ...] = ("soc_offset", "resistance_10s_relative")
    packs: tuple[str, ...] = ()
    logs: tuple[str, ...] = field(default=())


def sample(root: Path) -> None:
    """Bring in the sample logs of two vehicles."""
    for name in ("heron", "plover"):
        files = sorted(SAMPLES.glob(f"{name}-*.csv*"))
        report = Store(root).import_files(files, load_pack(SAMPLES / f"{name}-main.toml"))
        assert not report.refused, report.refused
    for entry in Store(root).logs():
        answer(Store(root), entry.id)


def long(root: Path) -> None:
    """Bring in one log of 20 million readings: 96 cells, 208,000 rows."""
    root.mkdir(parents=True, exist_ok=True)
    answer(Store(root), log_page.make_store(root, root, cells=96, rows=208_000))


def fleet(root: Path, packs: int = PACKS, logs: int = LOGS_EACH) -> None:
    """Write many packs with some weekly logs each, stored answers and the datasets over them."""
    rng = np.random.default_rng(1)
    for p in range(packs):
        pack = bench_fleet.pack_of(p)
        true = 1e-3 * np.exp(rng.normal(0, 0.05, bench_fleet.CELLS))
        for number in range(logs):
            log_id = bench_fleet.raw_log(root, pack, 7 * number, ROWS_EACH, rng)
            start = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=7 * number)
            told = true * np.exp(rng.normal(0, 0.01, bench_fleet.CELLS))
            _answered(root, pack.id, log_id, bench_fleet.diagnosis(pack, log_id, start, told))
        Store(root).save_pack(pack)
    refresh(Files(root))


def logs(root: Path, count: int = MANY_LOGS) -> None:
    """Write one pack with many logs over a year and their simulated answers."""
    year = simulate(SEED_OF_MANY, drift=3.0, logs=count)
    rng = np.random.default_rng(2)
    for document in year.documents:
        start = dt.datetime.fromisoformat(document["log"]["start"].replace("Z", "+00:00"))
        table = _drive(year.pack, start, ROWS_EACH, rng)
        log_id = bench_fleet.keep(root, year.pack, int(document["log"]["id"][-12:], 16), start, table)
        document["log"]["id"] = log_id
        _answered(root, year.pack.id, log_id, document)
    Store(root).save_pack(year.pack)
    small = bench_fleet.pack_of(1)
    bench_fleet.raw_log(root, small, 3, ROWS_EACH, rng)
    Store(root).save_pack(small)
    for entry in Store(root).logs(small.id):
        answer(Store(root), entry.id)


MAKERS: dict[str, Callable[[Path], None]] = {"sample": sample, "long": long, "fleet": fleet, "logs": logs}


def shown(root: Path) -> Shown:
    """Return what is looked at: the first pack with a log, its newest log, and what else there is to choose."""
    store = Store(root)
    found = store.logs()
    counted = {p.id: sum(e.pack == p.id for e in found) for p in store.packs()}
    pack = max(store.packs(), key=lambda p: (counted[p.id], p.id == "heron-main"))
    mine = sorted((e for e in found if e.pack == pack.id), key=lambda e: str(e.start), reverse=True)
    held = store.answer(mine[0].id) or {"estimates": []}
    told = [e["quantity"] for e in held["estimates"] if e["status"] == "determined" and e.get("cell")]
    quantities = tuple(dict.fromkeys(told))[:2]
    ids = tuple(e.id for e in mine)
    return Shown(
        pack.id, ids[0], pack.cells_in_series, ids[1] if len(ids) > 1 else "", quantities,
        tuple(p for p, n in counted.items() if n)[:3], ids[1:3],
    )  # fmt: skip


def _answered(root: Path, pack: str, log: str, document: dict[str, Any]) -> None:
    path = root / "_answers" / pack / f"{log}.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    document = {**document, "method": METHOD}
    path.write_text(json.dumps({"version": __version__, "method": METHOD, "answer": document}))


def _drive(pack: Pack, start: dt.datetime, rows: int, rng: np.random.Generator) -> pa.Table:
    """Return a drive of `rows` seconds."""
    seconds = np.arange(rows, dtype=float)
    current = 60 * np.sin(seconds / 11) + rng.normal(0, 5, rows)
    n = pack.cells_in_series
    volts = 3.8 - current[:, None] * 1e-3 * np.exp(rng.normal(0, 0.05, n)) + rng.normal(0, 5e-4, (rows, n))
    stamp = np.datetime64(start.replace(tzinfo=None), "us") + (1e6 * seconds).astype("timedelta64[us]")
    return pa.table(
        {
            "time": pa.array(stamp, pa.timestamp("us", "UTC")),
            "current_A": pa.array(current, pa.float32()),
            **{f"cell_{c + 1:03d}_mV": np.round(1e3 * volts[:, c]).astype(np.int16) for c in range(n)},
            **{
                f"temperature_{s + 1:02d}_C": pa.array(np.full(rows, 18.0 + s), pa.float32())
                for s in range(len(pack.temperature_sensors))
            },
        }
    )
