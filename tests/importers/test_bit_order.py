"""Which end of a bitfield is the first cell, told by what the bits do to the voltages (planted from Ohm's law)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bmslogs.log import Log
from tests.importers.writing import Truth, drive, imported, pack_for, put

CELLS, OHM = 12, 27.0


def stamp(truth: Truth, r: int) -> str:
    return str(truth.time[r].astype("datetime64[ms]"))


def log_of(tmp_path: Path, volts: np.ndarray, up: np.ndarray, lowest: str) -> Log:
    """Import a log with the flags as a hexadecimal number whose lowest bit is the first cell's, or the last's."""
    truth = drive(rows=len(volts), sensors=0)
    lines = [
        "time,current_A (discharge +)," + ",".join(f"cell{k + 1}_V" for k in range(CELLS)) + ",balancing"
    ]
    for r, (row, flags) in enumerate(zip(volts, up, strict=True)):
        bits = flags if lowest == "first" else flags[::-1]
        number = sum(1 << k for k in np.flatnonzero(bits))
        cells = ",".join(f"{v:.4f}" for v in row)
        lines.append(f"{stamp(truth, r)},{truth.current[r]:.1f},{cells},0x{number:03X}")
    path = put(("\n".join(lines) + "\n").encode(), tmp_path / "bits.csv")
    return imported(path, pack_for(truth), tmp_path / "store")


def string(rows: int, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    truth = drive(rows=rows, sensors=0)
    level = 3.75 - 0.0011 * truth.current[:, None]
    return np.asarray(level + rng.normal(0, 0.003, CELLS) + rng.normal(0, 0.0006, (rows, CELLS)))


@pytest.mark.parametrize("lowest", ["first", "last"])
def test_by_what_a_reading_falls_as_bleeding_begins(lowest: str, tmp_path: Path) -> None:
    """Two wires of 20 mohm at 3.7 V / 27 ohm drop 5.5 mV; the cells that bleed stand lower than their mirror images."""
    rows, wire = 400, 0.02
    volts, up = string(rows), np.zeros((rows, CELLS), bool)
    up[np.arange(rows) % 40 < 20, 1] = up[np.arange(rows) % 60 < 20, 4] = True
    volts[:, [1, 4]] -= 0.02  # which cells are higher speaks for the other end
    volts -= 2 * wire * 3.7 / OHM * up
    log = log_of(tmp_path, volts, up, lowest)
    assert log.bleed is not None and np.array_equal(log.bleed, up)


@pytest.mark.parametrize("lowest", ["first", "last"])
def test_by_which_cells_fell_where_a_dead_bleeder_is_among_them(lowest: str, tmp_path: Path) -> None:
    """Bled for 300 rows, three cells fall 60 mV, one stays: no wire drops anything, and its mirror image is higher."""
    rows = 400
    volts, up = string(rows), np.zeros((rows, CELLS), bool)
    up[20:320, [0, 2, 3, 6]] = True
    fallen = np.interp(np.arange(rows), [20, 320], [0.0, 0.06])
    volts[:, [0, 2, 3]] -= fallen[:, None]
    volts[:, [11, 9]] += 0.004
    log = log_of(tmp_path, volts, up, lowest)
    assert log.bleed is not None and np.array_equal(log.bleed, up)
