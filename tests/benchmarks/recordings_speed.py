"""Speed and memory of bringing in a recording of a million values, beyond the start of the program.

    python -m tests.benchmarks.recordings_speed                     one sheet of 10,000 rows and 100 columns (.xlsx)
    python -m tests.benchmarks.recordings_speed --kinds xlsx parquet jsonl lp --rounds 5

Each run is a process of its own. Start-up is the loading of the program and its libraries; what counts begins behind it
and ends with the log in the store. Prints the median and the best of wall and processor time, and the peak of memory.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq

ROOT = Path(__file__).resolve().parents[2]
ROWS, CELLS, SENSORS = 10_000, 96, 2
CODE = """
import json, sys, time
from pathlib import Path
import pyarrow.csv, pyarrow.parquet, python_calamine
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.importers.recordings import registry
from bmslogs.importers.recognise import look
from bmslogs.store import Store, bringing
registry.readers()
pack = Pack(id="heron-main", vehicle="Heron", chemistry="NMC", nominal_capacity_Ah=100.0, cells_in_series=96)
wall, work = time.perf_counter(), time.process_time()
report = Store(sys.argv[2]).import_files([sys.argv[1]], pack)
wall, work = time.perf_counter() - wall, time.process_time() - work
assert not report.refused, report.refused
lines = Path("/proc/self/status").read_text().splitlines() if sys.platform == "linux" else []
peak = next((int(x.split()[1]) / 1024 for x in lines if x[:6] == "VmHWM:"), 0.0)
print(json.dumps([wall, work, peak, report.logs[0].rows]))
"""


def table() -> tuple[list[str], list[list[Any]]]:
    """Return header and rows of an invented drive: 96 cells, 10 rows a second."""
    rng = np.random.default_rng(7)
    t = np.arange(ROWS) * 0.1
    current = np.round(60 * np.sin(t / 11) + 40 * np.sin(t / 2.9) + rng.normal(0, 3, ROWS), 1)
    volts = np.round(
        3.7 - 0.0011 * current[:, None] - t[:, None] * 2e-5 + rng.normal(0, 0.003, (ROWS, CELLS)), 3
    )
    warm = np.round(21 + t[:, None] * 1e-3 + rng.normal(0, 0.05, (ROWS, SENSORS)), 1)
    names = ["Time", "Current (A)", *(f"Cell{c} (V)" for c in range(1, CELLS + 1)), "T1 (C)", "T2 (C)"]
    start = dt.datetime(2026, 5, 13, 9, 10)
    numbers = np.column_stack([current, volts, warm]).tolist()
    return names, [[start + dt.timedelta(seconds=0.1 * k), *row] for k, row in enumerate(numbers)]


def as_xlsx(names: list[str], rows: list[list[Any]], path: Path) -> None:
    """Write a sheet with stamps as dates."""
    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet("Log")
    for row in (names, *rows):
        page.append(row)
    book.save(path)


def as_parquet(names: list[str], rows: list[list[Any]], path: Path) -> None:
    """Write the same as Parquet."""
    pq.write_table(pa.table([list(c) for c in zip(*rows)], names=names), path)


def as_json_lines(names: list[str], rows: list[list[Any]], path: Path) -> None:
    """Write the same as objects, one a line."""
    with path.open("w", encoding="utf-8") as out:
        for when, *values in rows:
            out.write(json.dumps(dict(zip(names, [when.isoformat(), *values]))) + "\n")


def as_line_protocol(names: list[str], rows: list[list[Any]], path: Path) -> None:
    """Write the same as points of many fields."""
    keys = [n.replace(" ", "\\ ") for n in names[1:]]
    with path.open("w", encoding="utf-8") as out:
        for when, *values in rows:
            ns = (when - dt.datetime(1970, 1, 1)) // dt.timedelta(microseconds=1) * 1000
            out.write("log " + ",".join(f"{k}={v!r}" for k, v in zip(keys, values)) + f" {ns}\n")


WRITERS: dict[str, Callable[[list[str], list[list[Any]], Path], None]] = {
    "xlsx": as_xlsx,
    "parquet": as_parquet,
    "jsonl": as_json_lines,
    "lp": as_line_protocol,
}


def main() -> None:
    """Write the files, bring each in several times, print the figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kinds", nargs="+", choices=list(WRITERS), default=["xlsx"])
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    names, rows = table()
    with tempfile.TemporaryDirectory() as folder:
        for kind in options.kinds:
            path = Path(folder) / f"log.{kind}"
            WRITERS[kind](names, rows, path)
            runs = [_run(path, Path(folder) / f"{kind}{k}") for k in range(options.rounds)]
            wall, work, peak, stored = (list(x) for x in zip(*runs))
            assert set(stored) == {ROWS}
            print(
                f"{kind}: {ROWS * len(names)} values, {path.stat().st_size / 1e6:.1f} MB: "
                f"wall {statistics.median(wall):.2f} s (best {min(wall):.2f}), "
                f"processor {statistics.median(work):.2f} s (best {min(work):.2f}), peak {max(peak):.0f} MB"
            )


def _run(path: Path, store: Path) -> tuple[float, float, float, int]:
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(path), str(store)],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    wall, work, peak, rows = json.loads(done.stdout)
    return wall, work, peak, rows


if __name__ == "__main__":
    main()
