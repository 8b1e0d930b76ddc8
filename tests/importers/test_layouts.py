"""Long tables, parts of one log, modules logged alone, columns that change."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from tests.importers.writing import Dialect, Truth, assert_same, drive, imported, pack_for, put, refusal

from bmslogs.importers.profile import parse_profile

D = Dialect()


def long_text(truth: Truth, header: str, row: Callable[[int, int], str], scans: int | None = None) -> bytes:
    lines = [header]
    for r in range(scans or len(truth.time)):
        lines += [row(r, c) for c in range(truth.cells.shape[1])]
    return ("\n".join(lines) + "\n").encode()


def stamp_of(truth: Truth, r: int) -> str:
    return str(truth.time[r].astype("datetime64[ms]"))


LONG: dict[str, tuple[str, Callable[[Truth], Callable[[int, int], str]]]] = {
    "plain": ("Time,Cell,Voltage (V),Current (A)",
              lambda t: lambda r, c: f"{stamp_of(t, r)},{c + 1},{t.cells[r, c]:.3f},{t.current[r]:.1f}"),
    "from nought, mV": ("timestamp,cell,mV,current_A",
                        lambda t: lambda r, c: f"{stamp_of(t, r)},{c},{t.cells[r, c] * 1000:.0f},{t.current[r]:.1f}"),
    "by module": ("Time,Module,Cell,Voltage (V),Current (A)",
                  lambda t: lambda r, c: f"{stamp_of(t, r)},{c // 4 + 1},{c % 4 + 1},{t.cells[r, c]:.3f},{t.current[r]:.1f}"),
    "named cells": ("Time,Cell name,Cell voltage (V),Pack current (A)",
                    lambda t: lambda r, c: f"{stamp_of(t, r)},C{c + 1:02d},{t.cells[r, c]:.3f},{t.current[r]:.1f}"),
    "current in the first row alone": ("Time,Cell,Voltage (V),Current (A)",
                    lambda t: lambda r, c: f"{stamp_of(t, r)},{c + 1},{t.cells[r, c]:.3f},{f'{t.current[r]:.1f}' if c == 0 else ''}"),
}


@pytest.mark.parametrize("name", LONG)
def test_long_tables(name: str, tmp_path: Path) -> None:
    truth = drive(sensors=0)
    header, row = LONG[name]
    path = put(long_text(truth, header, row(truth)), tmp_path / "long.csv")
    assert_same(imported(path, pack_for(truth), tmp_path / "store"), truth)


def test_long_table_whose_scan_is_spread_over_stamps(tmp_path: Path) -> None:
    truth = drive(sensors=0)

    def row(r: int, c: int) -> str:
        when = truth.time[r] + np.timedelta64(20 * c, "ms")
        return f"{when.astype('datetime64[ms]')},{c + 1},{truth.cells[r, c]:.3f},{truth.current[r]:.1f}"

    path = put(long_text(truth, "Time,Cell,Voltage (V),Current (A)", row), tmp_path / "long.csv")
    assert_same(imported(path, pack_for(truth), tmp_path / "store"), truth)


def test_long_table_by_profile(tmp_path: Path) -> None:
    truth = drive(sensors=0)
    row = lambda r, c: f"{stamp_of(truth, r)},{c + 1},{truth.cells[r, c] * 1000:.0f},{truth.current[r]:.1f}"  # noqa: E731
    path = put(long_text(truth, "when,which,mV,I", row), tmp_path / "long.csv")
    profile = parse_profile({
        "layout": {"shape": "long", "cell_column": "which", "value_columns": {"voltage": "mV"}}, "current": {"column": "I", "unit": "A"},
    })
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)


def test_long_table_with_temperatures_and_a_lost_row(tmp_path: Path) -> None:
    truth = drive(sensors=12)
    row = lambda r, c: f"{stamp_of(truth, r)},{c + 1},{truth.cells[r, c]:.3f},{truth.temperatures[r, c]:.1f},{truth.current[r]:.1f}"  # noqa: E731
    lines = long_text(truth, "Time,Cell,Voltage (V),Temperature (C),Current (A)", row).decode().splitlines()
    del lines[1 + 12 * 77 + 5]
    log = imported(put(("\n".join(lines) + "\n").encode(), tmp_path / "long.csv"), pack_for(truth), tmp_path / "store")
    truth.cells[77, 5] = truth.temperatures[77, 5] = np.nan
    assert_same(log, truth)


def test_long_table_of_other_cells_is_refused(tmp_path: Path) -> None:
    truth = drive(sensors=0)
    header, row = LONG["plain"]
    path = put(long_text(truth, header, row(truth)), tmp_path / "long.csv")
    assert "12 cells" in refusal(path, pack_for(truth, cells_in_series=14), tmp_path / "store")
