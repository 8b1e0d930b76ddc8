"""Speed and memory of an import beside general CSV-to-Parquet streams of the same file, interleaved in one run.

    python tests/benchmarks/import_speed.py                  a 2 h, 10 Hz, 108-cell log (about 55 MB)
    python tests/benchmarks/import_speed.py --gigabyte       the same rows repeated to 1 GB
    python tests/benchmarks/import_speed.py --awkward        beside it a decimal-comma, mV, local-time, preamble twin

Every run is a whole process, start-up included; then the imported log is diagnosed. Prints medians, ratios, peak
resident memory and size of the output. Needs polars (``pip install bmslogs[bench]``).
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
CELLS, SENSORS, PERIOD_S = 108, 12, 0.1

POLARS = """
import sys, polars as pl
source, target = sys.argv[1:3]
kinds = {n: pl.Float32 for n in pl.scan_csv(source, n_rows=1).collect_schema().names()[1:-2]}
pl.scan_csv(source, schema_overrides=kinds).sink_parquet(target, compression="zstd", compression_level=3)
"""
PYARROW = """
import sys, pyarrow as pa, pyarrow.csv as pc, pyarrow.parquet as pq
source, target = sys.argv[1:3]
names = open(source).readline().strip().split(",")
kinds = {n: pa.float32() for n in names[1:-2]} | {names[-1]: pa.string(), names[-2]: pa.string()}
reader = pc.open_csv(
    source, read_options=pc.ReadOptions(block_size=4 << 20), convert_options=pc.ConvertOptions(column_types=kinds)
)
with pq.ParquetWriter(target, reader.schema, compression="zstd", compression_level=3) as writer:
    for batch in reader:
        writer.write_batch(batch)
"""
OURS = """
import sys
from bmslogs.base.pack import Pack
from bmslogs.store import Store
source, target = sys.argv[1:3]
pack = Pack(id="heron-main", vehicle="Heron", chemistry="NMC", nominal_capacity_Ah=100.0, cells_in_series=108)
report = Store(target).import_files([source], pack)
assert not report.refused, report.refused
"""


DIAGNOSE = """
import sys, time
from pathlib import Path
from bmslogs.log import read_log
from bmslogs.findings import diagnose
import pandas, scipy.optimize, scipy.linalg, scipy.sparse
started = time.process_time()
log = read_log(next(Path(sys.argv[1]).glob("vehicle=*/pack=*/*.parquet")))
found = diagnose(log)
took = time.process_time() - started
Path(sys.argv[2]).write_text(f"{started} {took} {log.rows} {len(log.cells)} {len(found.estimates)}", encoding="utf-8")
"""


def make(path: Path, seconds: int, awkward: bool) -> None:
    """Write an invented drive of 108 cells at 10 rows a second."""
    rng = np.random.default_rng(7)
    rows = int(seconds / PERIOD_S)
    t = np.arange(rows) * PERIOD_S
    current = np.round(60 * np.sin(t / 11) + 40 * np.sin(t / 2.9) + rng.normal(0, 3, rows), 1)
    own = rng.normal(0, 0.003, CELLS)
    head = [
        "time",
        "current_A",
        "pack_V",
        *(f"cell_{c}_V" for c in range(1, CELLS + 1)),
        *(f"temp_{s}_C" for s in range(1, SENSORS + 1)),
        "flags",
        "state",
    ]
    with path.open("w", encoding="latin-1" if awkward else "utf-8", newline="\n") as out:
        if awkward:
            out.write("Fahrzeug;Heron\nSchreiber;7\n\n")
            head = [
                "Zeit",
                "Strom [A]",
                "Packspannung [V]",
                *(f"Zelle {c} [mV]" for c in range(1, CELLS + 1)),
                *(f"Temperatur {s} [°C]" for s in range(1, SENSORS + 1)),
                "Flags",
                "Zustand",
            ]
        out.write((";" if awkward else ",").join(head) + "\n")
        for r in range(rows):
            volts = 3.8 + own - 0.001 * current[r] - 0.3 * r / rows + rng.normal(0, 0.0008, CELLS)
            temps = 20 + np.arange(SENSORS) * 0.3 + 5 * r / rows
            ms = r * int(PERIOD_S * 1000)
            clock = f"{9 + ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}"
            if awkward:
                fields = [
                    f"03.05.2026 {clock},{ms % 1000:03d}",
                    f"{current[r]:.1f}",
                    f"{volts.sum():.1f}",
                    *(f"{v * 1000:.0f}" for v in volts),
                    *(f"{x:.1f}" for x in temps),
                    f"{r % 65536:04X}",
                    "drive",
                ]
                out.write(";".join(fields).replace(".", ",").replace("03,05,2026", "03.05.2026") + "\n")
            else:
                fields = [
                    f"2026-05-03 {clock}.{ms % 1000:03d}",
                    f"{current[r]:.1f}",
                    f"{volts.sum():.1f}",
                    *(f"{v:.3f}" for v in volts),
                    *(f"{x:.1f}" for x in temps),
                    f"{r % 65536:04X}",
                    "drive",
                ]
                out.write(",".join(fields) + "\n")


def stretch(source: Path, target: Path, size: int) -> None:
    """Repeat a log's rows on later days until it has `size` bytes."""
    header, _, body = source.read_bytes().partition(b"\n")
    with target.open("wb") as out:
        out.write(header + b"\n")
        day = 3
        while out.tell() < size:
            out.write(
                body.replace(
                    b"2026-05-03", f"2026-{5 + (day - 1) // 28:02d}-{(day - 1) % 28 + 1:02d}".encode()
                )
            )
            day += 1


def run(code: str, source: Path, target: Path) -> tuple[float, float, float]:
    """Run a process; return its wall time [s], peak resident memory [MB] and processor time [s]."""
    start = time.perf_counter()
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": ""}
    pid = os.spawnve(
        os.P_NOWAIT, sys.executable, [sys.executable, "-c", code, str(source), str(target)], environment
    )
    _, status, usage = os.wait4(pid, 0)
    if status:
        raise SystemExit(f"a run failed with status {status}")
    return time.perf_counter() - start, usage.ru_maxrss / 1024, usage.ru_utime + usage.ru_stime


def size_of(target: Path) -> float:
    """Return the size of an output [MB]."""
    files = [target] if target.is_file() else list(target.glob("vehicle=*/pack=*/*.parquet"))
    return sum(f.stat().st_size for f in files) / 1e6


def compare(source: Path, folder: Path, rounds: int, title: str, tools: dict[str, str]) -> dict[str, float]:
    """Run the tools in turns on one file and print their medians."""
    times: dict[str, list[float]] = {name: [] for name in tools}
    works: dict[str, list[float]] = {name: [] for name in tools}
    peaks: dict[str, float] = dict.fromkeys(tools, 0.0)
    sizes: dict[str, float] = {}
    for k in range(rounds):
        for name, code in tools.items():
            target = folder / f"out-{title.replace(' ', '')}-{name}-{k}"
            wall, peak, work = run(code, source, target)
            times[name].append(wall)
            works[name].append(work)
            peaks[name] = max(peaks[name], peak)
            sizes[name] = size_of(target)
    print(f"{title}: {source.stat().st_size / 1e6:.1f} MB, {rounds} rounds, whole process")
    medians = {name: statistics.median(t) for name, t in times.items()}
    for name, wall in medians.items():
        print(
            f"  {name:<10} {wall:7.3f} s  (least {min(times[name]):.3f})   "
            f"processor {statistics.median(works[name]):.3f} s   peak {peaks[name]:6.0f} MB   "
            f"out {sizes[name]:7.2f} MB"
        )
    for other in ("polars", "pyarrow"):
        if other in medians and "bmslogs" in medians:
            work = statistics.median(works["bmslogs"]) / statistics.median(works[other])
            print(
                f"  bmslogs / {other}: {medians['bmslogs'] / medians[other]:.2f} in time, "
                f"{work:.2f} in processor time, "
                f"{sizes[other] / sizes['bmslogs']:.2f} times smaller"
            )
    return medians


def diagnose(store: Path, folder: Path, rounds: int) -> None:
    """Diagnose the stored log in processes of their own and print what that takes, start-up apart."""
    started, took, peaks = [], [], []
    told = folder / "diagnosed.txt"
    for _ in range(rounds):
        peaks.append(run(DIAGNOSE, store, told)[1])
        words = told.read_text(encoding="utf-8").split()
        started.append(float(words[0]))
        took.append(float(words[1]))
    print(
        f"  diagnosing the stored log ({words[2]} rows, {words[3]} cells, {words[4]} estimates): processor "
        f"{statistics.median(took):.2f} s beyond {statistics.median(started):.2f} s of start-up, "
        f"peak {max(peaks):.0f} MB"
    )


def main() -> None:
    """Make the files, run, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--gigabyte", action="store_true")
    parser.add_argument("--awkward", action="store_true")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=int, default=7200, help="length of the invented drive")
    options = parser.parse_args()
    everyone = {"bmslogs": OURS, "polars": POLARS, "pyarrow": PYARROW}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        clean = folder / "clean.csv"
        make(clean, options.seconds, awkward=False)
        plain = compare(clean, folder, options.rounds, "clean", everyone)
        diagnose(folder / "out-clean-bmslogs-0", folder, options.rounds)
        if options.awkward:
            twin = folder / "awkward.csv"
            make(twin, options.seconds, awkward=True)
            other = compare(twin, folder, options.rounds, "awkward", {"bmslogs": OURS})
            print(f"  awkward / clean: {other['bmslogs'] / plain['bmslogs']:.2f} in time")
        if options.gigabyte:
            large = folder / "large.csv"
            stretch(clean, large, 1_000_000_000)
            clean.unlink()
            compare(large, folder, max(options.rounds // 2, 2), "1 GB", everyone)


if __name__ == "__main__":
    main()
