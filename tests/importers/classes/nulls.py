"""How many true readings of fault-free rows are stored as null or altered, and by which rule.

``python -m tests.importers.classes.nulls --rows 10000000 --seed 1`` writes long fault-free logs (noise, steps, rates,
rests in which values repeat by chance, readings that look like fill values between like neighbours), imports each by
the command and compares every reading. Exit 1 where more than one in a million is null or altered, or a row is lost.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from tests.importers.classes.draft import pack_text, random_start
from tests.importers.classes.judge import column, command, same, stored_files
from tests.importers.classes.string_model import Array, Rng, simulate
from tests.importers.classes.string_model import day as day_current

ROWS_A_LOG = (10_000, 250_000)
MOST_PER_MILLION = 1.0
"""True readings lost per million that are borne (the project's aim)."""


@dataclass
class Log:
    """A fault-free log as printed, by column of the store."""

    time_ms: np.ndarray
    readings: dict[str, Array]
    texts: dict[str, pa.Array]
    pack: str


@dataclass
class Tally:
    """What was lost so far."""

    logs: int = 0
    rows: int = 0
    readings: int = 0
    nulled: int = 0
    altered: int = 0
    lost_rows: int = 0
    asked: list[str] = field(default_factory=list)
    by_rule: Counter[str] = field(default_factory=Counter)


def printed(values: Array, step: float, places: int) -> tuple[Array, pa.Array]:
    """Return readings in whole steps, as numbers and as texts of fixed places."""
    k = np.round(values / step).astype(np.int64)
    kinds, which = np.unique(k, return_inverse=True)
    numbers = np.round(kinds * step, places) + 0.0
    words = pa.array([f"{v:.{places}f}" for v in numbers])
    texts = pa.DictionaryArray.from_arrays(pa.array(which.astype(np.int32)), words)
    return numbers[which], texts.cast(pa.string())


def current_of(rng: Rng, rows: int, dt: float) -> Array:
    """Return a current in C: a day's work, a rest in every row, or rests with short work between."""
    kind = rng.random()
    if kind < 0.25:
        return np.zeros(rows)
    if kind < 0.4:
        return np.full(rows, min(1e-3, 0.6 * 3600 / (rows * dt)))
    work = day_current(rng, rows * dt, dt, 0.8, 0.6)
    if kind < 0.6:
        work[(np.arange(len(work)) // max(1, int(1800 / dt))) % 4 > 0] = 0.0
    # Only as much as keeps the cells between empty and full.
    moved = float(np.max(np.abs(np.cumsum(work)))) * dt / 3600
    return work * min(1.0, 0.7 / max(moved, 1e-9))


def make_log(rng: Rng, rows: int) -> Log:
    """Return a log of random rate, step, noise and level."""
    dt = float(rng.choice([0.1, 0.2, 1.0, 1.0, 2.0, 10.0, 60.0]))
    cells, sensors = int(rng.integers(1, 5)), int(rng.integers(0, 3))
    chemistry = str(rng.choice(["NMC", "LFP"]))
    capacity = float(rng.uniform(20, 200))
    current_C = current_of(rng, rows, dt)
    run = simulate(rng, chemistry, cells, sensors, current_C, dt, 1, 0.75, capacity)
    rows = len(run.t)
    step_mV = float(rng.choice([0.1, 1.0, 1.0, 1.0, 5.0, 10.0]))
    noise = float(rng.choice([0.0, 0.1, 0.3, 0.6, 1.0, 2.5])) * max(1.0, step_mV / 2)
    level = rng.choice([0.0, 3.2767, 4.095, 3.2768, 3.999, 4.096])
    mV = run.cells * 1000 + rng.normal(0, 1, run.cells.shape) * noise
    if level:
        mV += float(level) * 1000 - np.median(mV)
    in_volts = bool(rng.random() < 0.5)
    places = (4 if step_mV < 1 else 3) if in_volts else (1 if step_mV < 1 else 0)
    amp = float(rng.choice([0.01, 0.1, 0.1, 1.0]))
    current = run.current + (0.0 if rng.random() < 0.4 else rng.normal(0, amp / 2, rows))
    texts: dict[str, pa.Array] = {}
    readings: dict[str, Array] = {}
    readings["current_A"], texts["Current (discharge positive) [A]"] = printed(current, amp, 2)
    for c in range(cells):
        unit = "V" if in_volts else "mV"
        scale = 1000 if in_volts else 1
        read, text = printed(mV[:, c] / scale, step_mV / scale, places)
        readings[f"cell_{c + 1:03d}_mV"], texts[f"Cell {c + 1} [{unit}]"] = read * scale, text
    fine = bool(rng.random() < 0.7)
    for s in range(sensors):
        warm = run.temperatures[:, s]
        if rng.random() < 0.5:
            warm = warm - np.median(warm) + float(rng.choice([25.5, 0.0, -1.0, 12.7, 25.6]))
        step = 0.1 if fine else 1.0
        warm = warm + rng.normal(0, step * float(rng.choice([0.0, 0.3])), rows)
        readings[f"temperature_{s + 1:02d}_C"], texts[f"Temperature {s + 1} [degC]"] = printed(warm, step, 1)
    jitter = np.round(rng.uniform(-0.1, 0.1, rows) * dt * 1000) if rng.random() < 0.3 else np.zeros(rows)
    time_ms = np.round(random_start(rng) * 1000 + run.t * 1000 + jitter).astype(np.int64)
    return Log(time_ms, readings, texts, pack_text(cells, chemistry, round(capacity * 1.05, 1)))


def write(log: Log, file: Path) -> None:
    """Write a log as a CSV file."""
    stamps = pa.array(log.time_ms, pa.timestamp("ms"))
    table = pa.table({"time": stamps, **log.texts})
    pa_csv.write_csv(table, file, pa_csv.WriteOptions(quoting_style="none"))


def weigh(log: Log, file: Path, tally: Tally) -> None:
    """Compare a stored log with what was printed, and add what was lost to the tally."""
    table = pq.ParquetFile(file).read()
    stored_ms = table["time"].cast("int64").to_numpy() // 1000
    where = np.searchsorted(log.time_ms, stored_ms)
    whole = np.clip(where, 0, len(log.time_ms) - 1)
    known = log.time_ms[whole] == stored_ms
    tally.lost_rows += len(log.time_ms) - int(known.sum())
    repairs = json.loads((table.schema.metadata or {}).get(b"bmslogs.repairs", b"[]"))
    rules = "+".join(sorted({str(r["rule"]) for r in repairs})) or "no rule named"
    for name, true in log.readings.items():
        tally.readings += len(true)
        stored = column(table, name) if name in table.column_names else np.full(len(stored_ms), np.nan)
        expected = true[whole]
        null = np.isnan(stored) & known
        other = ~same(stored, expected, 0.02) & ~null & known
        tally.nulled += int(null.sum())
        tally.altered += int(other.sum())
        if null.any() or other.any():
            tally.by_rule[rules] += int(null.sum() + other.sum())


def run(rows: int, seed: int) -> Tally:
    """Import fault-free logs until `rows` rows were compared."""
    tally, number = Tally(), 0
    while tally.rows < rows:
        rng = np.random.default_rng([seed, 77, number])
        number += 1
        size = min(int(np.exp(rng.uniform(*np.log(ROWS_A_LOG)))), max(1000, rows - tally.rows))
        log = make_log(rng, size)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write(log, folder / "log.csv")
            (folder / "pack.toml").write_text(log.pack, encoding="utf-8")
            pack, store = str(folder / "pack.toml"), str(folder / "store")
            answer = command(
                ["import", str(folder / "log.csv"), "--pack", pack, "--store", store, "--json", "-"]
            )
            if answer.code or answer.error:
                tally.asked.append(f"log {number}: {(answer.error or answer.err).strip()[-300:]}")
                if len(tally.asked) > 5 + tally.logs:
                    break
                continue
            weigh(log, stored_files(folder)[0], tally)
        tally.logs += 1
        tally.rows += len(log.time_ms)
    return tally


def main() -> int:
    """Print what was lost."""
    parser = argparse.ArgumentParser(prog="tests.importers.classes.nulls", description=__doc__)
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    tally = run(given.rows, given.seed)
    lost = tally.nulled + tally.altered
    per_million = 1e6 * lost / max(1, tally.readings)
    print(
        f"{tally.logs} fault-free logs, {tally.rows} rows, {tally.readings} readings; refused {len(tally.asked)}"
    )
    for line in tally.asked:
        print(f"    refused: {line}")
    print(f"null {tally.nulled}, altered {tally.altered}: {per_million:.3f} per million readings"
          f" ({1e6 * lost / max(1, tally.rows):.3f} per million rows); rows lost {tally.lost_rows}")  # fmt: skip
    for rule, count in tally.by_rule.most_common():
        print(f"    {rule}: {count} ({1e6 * count / max(1, tally.readings):.3f} per million readings)")
    short = tally.rows < given.rows
    return int(per_million > MOST_PER_MILLION or tally.lost_rows > 0 or short)


if __name__ == "__main__":
    sys.exit(main())
