"""Long tables, parts of one log, modules logged alone, columns that change."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bmslogs.base.pack import Pack
from bmslogs.importers.clock_offset import align
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.log import read_log
from bmslogs.store import Store
from tests.importers.writing import (
    Dialect,
    Truth,
    assert_same,
    drive,
    imported,
    pack_for,
    put,
    refusal,
    text_of,
    write,
)

D = Dialect()


def long_text(truth: Truth, header: str, row: Callable[[int, int], str], scans: int | None = None) -> bytes:
    lines = [header]
    for r in range(scans or len(truth.time)):
        lines += [row(r, c) for c in range(truth.cells.shape[1])]
    return ("\n".join(lines) + "\n").encode()


def stamp_of(truth: Truth, r: int) -> str:
    return str(truth.time[r].astype("datetime64[ms]"))


LONG: dict[str, tuple[str, Callable[[Truth], Callable[[int, int], str]]]] = {
    "plain": (
        "Time,Cell,Voltage (V),Current (A)",
        lambda t: lambda r, c: f"{stamp_of(t, r)},{c + 1},{t.cells[r, c]:.3f},{t.current[r]:.1f}",
    ),
    "from nought, mV": (
        "timestamp,cell,mV,current_A",
        lambda t: lambda r, c: f"{stamp_of(t, r)},{c},{t.cells[r, c] * 1000:.0f},{t.current[r]:.1f}",
    ),
    "by module": (
        "Time,Module,Cell,Voltage (V),Current (A)",
        lambda t: (
            lambda r, c: f"{stamp_of(t, r)},{c // 4 + 1},{c % 4 + 1},{t.cells[r, c]:.3f},{t.current[r]:.1f}"
        ),
    ),
    "named cells": (
        "Time,Cell name,Cell voltage (V),Pack current (A)",
        lambda t: lambda r, c: f"{stamp_of(t, r)},C{c + 1:02d},{t.cells[r, c]:.3f},{t.current[r]:.1f}",
    ),
    "current in the first row alone": (
        "Time,Cell,Voltage (V),Current (A)",
        lambda t: (
            lambda r, c: (
                f"{stamp_of(t, r)},{c + 1},{t.cells[r, c]:.3f},{f'{t.current[r]:.1f}' if c == 0 else ''}"
            )
        ),
    ),
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
    profile = parse_profile(
        {
            "layout": {"shape": "long", "cell_column": "which", "value_columns": {"voltage": "mV"}},
            "current": {"column": "I", "unit": "A"},
        }
    )
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)


def test_long_table_with_temperatures_and_a_lost_row(tmp_path: Path) -> None:
    truth = drive(sensors=12)

    def row(r: int, c: int) -> str:
        readings = f"{truth.cells[r, c]:.3f},{truth.temperatures[r, c]:.1f},{truth.current[r]:.1f}"
        return f"{stamp_of(truth, r)},{c + 1},{readings}"

    lines = long_text(truth, "Time,Cell,Voltage (V),Temperature (C),Current (A)", row).decode().splitlines()
    del lines[1 + 12 * 77 + 5]
    log = imported(
        put(("\n".join(lines) + "\n").encode(), tmp_path / "long.csv"), pack_for(truth), tmp_path / "store"
    )
    truth.cells[77, 5] = truth.temperatures[77, 5] = np.nan
    assert_same(log, truth)


def test_long_table_of_other_cells_is_refused(tmp_path: Path) -> None:
    truth = drive(sensors=0)
    header, row = LONG["plain"]
    path = put(long_text(truth, header, row(truth)), tmp_path / "long.csv")
    assert "12 cells" in refusal(path, pack_for(truth, cells_in_series=14), tmp_path / "store")


def module_rows(truth: Truth, sizes: tuple[int, ...], more: str = "", order: bool = True) -> bytes:
    """Write a table of one row a module; where there is no order, its rows come in any within a scan."""
    rng = np.random.default_rng(3)
    most = max(sizes)
    lines = [
        f"time,current_A (discharge +),module,{','.join(f'cell{k + 1}_mV' for k in range(most))},temp_C{more}"
    ]
    first = np.cumsum((0, *sizes))
    for r in range(len(truth.time)):
        for m in range(len(sizes)) if order else rng.permutation(len(sizes)):
            mine = range(first[m], first[m + 1])
            volts = [f"{truth.cells[r, c] * 1000:.0f}" for c in mine] + [""] * (most - sizes[m])
            flags = ""
            if truth.bleed is not None:
                flags = "".join(f",{int(truth.bleed[r, c])}" for c in mine) + "," * (most - sizes[m])
            row = [stamp_of(truth, r), f"{truth.current[r]:.1f}", f"M{m + 1}", *volts]
            lines.append(",".join(row) + f",{truth.temperatures[r, m]:.1f}{flags}")
    return ("\n".join(lines) + "\n").encode()


def in_modules(sizes: tuple[int, ...]) -> list[dict[str, object]]:
    first = np.cumsum((1, *sizes))
    return [
        {"name": f"M{m + 1}", "cells": list(range(int(first[m]), int(first[m + 1])))}
        for m in range(len(sizes))
    ]


@pytest.mark.parametrize("sizes", [(4, 4, 4), (5, 5, 2), (1, 11)])
@pytest.mark.parametrize("order", [True, False])
def test_a_table_of_one_row_a_module(sizes: tuple[int, ...], order: bool, tmp_path: Path) -> None:
    truth = drive(sensors=len(sizes))
    path = put(module_rows(truth, sizes, order=order), tmp_path / "modules.csv")
    log = imported(path, pack_for(truth, modules=in_modules(sizes)), tmp_path / "store")
    assert_same(log, truth)
    (told,) = (r for r in log.repairs if r["rule"] == "rows_put_together")
    assert told["rows"] == 400 * (len(sizes) - 1) and "one row a module" in told["says"]


def test_bleed_flags_of_a_row_are_those_of_its_module(tmp_path: Path) -> None:
    truth = drive(sensors=3)
    truth.bleed = np.random.default_rng(5).random(truth.cells.shape) < 0.3
    flags = ",".join(f"balancing {k + 1}" for k in range(4))
    path = put(module_rows(truth, (4, 4, 4), "," + flags, order=False), tmp_path / "modules.csv")
    log = imported(path, pack_for(truth, modules=in_modules((4, 4, 4))), tmp_path / "store")
    assert_same(log, truth)
    assert log.bleed is not None and np.array_equal(log.bleed, truth.bleed)


def test_modules_of_another_pack_are_refused(tmp_path: Path) -> None:
    truth = drive(sensors=3)
    path = put(module_rows(truth, (4, 4, 4)), tmp_path / "modules.csv")
    reason = refusal(path, pack_for(truth, cells_in_series=16), tmp_path / "store")
    assert "rows of 3 modules" in reason and "12 cells" in reason and "16" in reason


def test_a_column_that_names_the_warmest_module_is_no_key(tmp_path: Path) -> None:
    """Rows of the whole string, each stamp once: the column changes from row to row and says nothing of the rows."""
    truth = drive(sensors=0)
    rng = np.random.default_rng(4)
    lines = ["time,current_A (discharge +),warmest module," + ",".join(f"cell{k + 1}_mV" for k in range(12))]
    for r in range(len(truth.time)):
        volts = ",".join(f"{v * 1000:.0f}" for v in truth.cells[r])
        lines.append(f"{stamp_of(truth, r)},{truth.current[r]:.1f},M{rng.integers(1, 4)},{volts}")
    path = put(("\n".join(lines) + "\n").encode(), tmp_path / "wide.csv")
    assert_same(imported(path, pack_for(truth), tmp_path / "store"), truth)


def test_a_bleed_flag_in_a_row_of_one_cell_is_that_cells(tmp_path: Path) -> None:
    truth = drive(sensors=0)
    truth.bleed = np.random.default_rng(6).random(truth.cells.shape) < 0.3

    def row(r: int, c: int) -> str:
        flag = int(truth.bleed[r, c])  # type: ignore[index]
        return f"{stamp_of(truth, r)},{c + 1},{truth.cells[r, c]:.3f},{truth.current[r]:.1f},{flag}"

    path = put(long_text(truth, "Time,Cell,Voltage (V),Current (A),Balancing", row), tmp_path / "long.csv")
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.bleed is not None and np.array_equal(log.bleed, truth.bleed)


def joined(files: list[Path], truth: Truth, store: Path, **options):  # type: ignore[no-untyped-def]
    report = Store(store).import_files(files, pack_for(truth), together=True, **options)
    assert not report.refused, report.refused
    assert len(report.logs) == 1
    return read_log(Store(store).log_path(report.logs[0].id))


def part(truth: Truth, rows: slice) -> Truth:
    return Truth(truth.time[rows], truth.current[rows], truth.cells[rows], truth.temperatures[rows])


def test_parts_one_after_the_other(tmp_path: Path) -> None:
    truth = drive(rows=900)
    files = [
        write(part(truth, slice(a, b)), D, tmp_path, f"log_{k}.csv")
        for k, (a, b) in enumerate([(300, 600), (0, 300), (600, 900)])
    ]
    log = joined(files, truth, tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()
    again = Store(tmp_path / "store").import_files(files[::-1], pack_for(truth), together=True)
    assert again.logs[0].status == "known" and len(Store(tmp_path / "store").logs()) == 1


def test_parts_that_overlap_are_taken_once(tmp_path: Path) -> None:
    truth = drive(rows=900)
    files = [
        write(part(truth, slice(a, b)), D, tmp_path, f"log_{k}.csv")
        for k, (a, b) in enumerate([(0, 500), (400, 900)])
    ]
    log = joined(files, truth, tmp_path / "store")
    assert_same(log, truth)
    assert [r["rule"] for r in log.repairs] == ["parts_overlap"] and log.repairs[0]["rows"] == 100


@pytest.mark.parametrize("shift_s, sign", [(0.0, 1), (7.3, 1), (-123.4, -1), (86_400.0, 1)])
def test_current_apart_with_its_own_clock(shift_s: float, sign: int, tmp_path: Path) -> None:
    truth = drive(rows=1500, period_s=0.5)
    cells = [",".join(["Time", *(f"Cell{c} (V)" for c in range(1, 13))])]
    cells += [",".join([stamp_of(truth, r), *(f"{v:.3f}" for v in truth.cells[r])]) for r in range(1500)]
    moved = truth.time - np.timedelta64(round(shift_s * 1e6), "us")
    amps = [
        "Time,Current (A)",
        *(f"{moved[r].astype('datetime64[ms]')},{sign * truth.current[r]:.1f}" for r in range(1500)),
    ]
    files = [
        put(("\n".join(x) + "\n").encode(), tmp_path / n)
        for x, n in ((cells, "cells.csv"), (amps, "amps.csv"))
    ]
    log = joined(files, truth, tmp_path / "store")
    good = np.isfinite(log.current)
    assert good.mean() > 0.99
    np.testing.assert_allclose(log.current[good], truth.current[good], atol=1e-4)
    np.testing.assert_allclose(log.cell_voltage, truth.cells, atol=1e-6)
    (repair,) = log.repairs
    assert repair["rule"] == "clocks_aligned" and f"{shift_s:+.1f}"[:-1] in repair["says"]


def test_alignment_says_how_sure_it_is() -> None:
    truth = drive(rows=1500, period_s=0.5)
    time = truth.time.astype(np.int64)
    found = align(time, truth.cells.mean(axis=1), time - 3_210_000, truth.current)
    assert found.shift_s is not None and abs(found.shift_s - 3.21) < max(found.uncertainty_s, 0.05)
    rest = align(time, truth.cells.mean(axis=1), time, np.zeros(1500))
    assert rest.shift_s is None


def modular(truth: Truth) -> Pack:
    modules = [
        {"name": n, "cells": list(range(4 * k + 1, 4 * k + 5))} for k, n in enumerate(("F1", "F2", "R1"))
    ]
    return Pack.model_validate(pack_for(truth).model_dump() | {"modules": modules})


@pytest.mark.parametrize("name", [lambda c: f"Cell{c - 4} (V)", lambda c: f"Cell{c} (V)"])
def test_modules_logged_alone(name: Callable[[int], str], tmp_path: Path) -> None:
    truth = drive()
    half = Truth(truth.time, truth.current, truth.cells[:, 4:], truth.temperatures)
    d = D.but(cell_name=lambda c: name(c + 4))
    log = imported(write(half, d, tmp_path), modular(truth), tmp_path / "store", modules=["F2", "R1"])
    assert log.cells == tuple(range(5, 13))
    assert_same(log, half, d)


def test_modules_that_are_not_in_the_pack(tmp_path: Path) -> None:
    truth = drive()
    assert "no module 'X9'" in refusal(
        write(truth, D, tmp_path), modular(truth), tmp_path / "store", modules=["X9"]
    )


def test_modules_must_be_named_for_a_part_of_the_pack(tmp_path: Path) -> None:
    truth = drive()
    half = Truth(truth.time, truth.current, truth.cells[:, 4:8], truth.temperatures)
    assert "expected 12" in refusal(write(half, D, tmp_path), modular(truth), tmp_path / "store")


def test_scans_spread_over_rows_are_gathered(tmp_path: Path) -> None:
    truth = drive()
    lines = ["Time,Current (A)," + ",".join(f"Cell{c} (V)" for c in range(1, 13)) + ",T1 (C),T2 (C),T3 (C)"]
    for r in range(400):
        for k in range(3):
            when = (truth.time[r] + np.timedelta64(200 * k, "ms")).astype("datetime64[ms]")
            cells = [f"{v:.3f}" if c // 4 == k else "" for c, v in enumerate(truth.cells[r])]
            temps = [f"{v:.1f}" if s == k else "" for s, v in enumerate(truth.temperatures[r])]
            lines.append(",".join([str(when), f"{truth.current[r]:.1f}" if k == 0 else "", *cells, *temps]))
    log = imported(
        put(("\n".join(lines) + "\n").encode(), tmp_path / "log.csv"), pack_for(truth), tmp_path / "store"
    )
    assert_same(log, truth)
    assert [r["rule"] for r in log.repairs] == ["scan_gathered"]


def two_headers(truth: Truth, added: str, at: int = 200) -> bytes:
    lines = text_of(truth, D).splitlines()
    later = [x + ",17" for x in lines[at:]]
    return ("\n".join([*lines[:at], lines[0] + added, *later]) + "\n").encode()


TRIPS = {
    "header again": (D, {"header_repeated"}),
    "preamble again": (D.but(preamble=("Logger 7", "Vehicle,Heron")), {"header_repeated", "text_line"}),
    "units row again": (
        D.but(
            cell_name=lambda c: f"U{c}",
            current_name="I",
            temperature_name=lambda s: f"T{s}",
            units_row=("V", "A", "°C"),
        ),
        {"header_repeated"},
    ),
}


@pytest.mark.parametrize("name", TRIPS)
def test_two_trips_in_one_file(name: str, tmp_path: Path) -> None:
    d, rules = TRIPS[name]
    first, second = drive(rows=300), drive(rows=300, seed=2, start="2026-05-13T14:00:00")
    both = Truth(
        *(
            np.concatenate([getattr(t, k) for t in (first, second)])
            for k in ("time", "current", "cells", "temperatures")
        )
    )
    path = put((text_of(first, d) + "\n" + text_of(second, d)).encode(), tmp_path / "log.csv")
    log = imported(path, pack_for(both), tmp_path / "store")
    assert_same(log, both, d)
    assert {r["rule"] for r in log.repairs} == rules


@pytest.mark.parametrize("at", [200, 30, 380])
def test_columns_added_by_a_firmware_update(at: int, tmp_path: Path) -> None:
    truth = drive()
    path = put(two_headers(truth, ",Fan speed", at), tmp_path / "log.csv")
    report = Store(tmp_path / "store").import_files([path], pack_for(truth))
    assert_same(read_log(Store(tmp_path / "store").log_path(report.logs[0].id)), truth)
    assert any(f"line {at + 1}" in n and "Fan speed" in n for n in report.logs[0].notes)


def test_cells_added_in_mid_file_are_refused(tmp_path: Path) -> None:
    truth = drive(rows=900)
    path = put(two_headers(truth, ",Cell13 (V)", 700), tmp_path / "log.csv")
    assert "line 701" in refusal(path, pack_for(truth), tmp_path / "store")
