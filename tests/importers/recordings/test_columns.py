"""Parquet and Arrow files of others: every type of column, lists of cells, zones, cut and broken files."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet as pq
import pytest

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.cells import array_texts
from bmslogs.importers.text.made_table import Origin
from bmslogs.log import Log, read_log
from tests.importers.recordings.kinds import as_arrow, as_feather, as_parquet, stored, typed
from tests.importers.writing import assert_same, drive, pack_for, refusal

TRUTH = drive(rows=240, cells=6, sensors=2)
PACK = pack_for(TRUTH)
ROWS = typed(TRUTH)
TABLE = as_arrow(ROWS)


def read(table: pa.Table, tmp_path: Path, **how: Any) -> Log:
    pq.write_table(table, tmp_path / "log.parquet", **how)
    return read_log(stored(tmp_path / "log.parquet", PACK, tmp_path / "store"))


def with_column(name: str, array: Any) -> pa.Table:
    return TABLE.set_column(TABLE.column_names.index(name), name, array)


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "Europe/Oslo", "+05:30"])
def test_stamps_of_every_unit_and_zone(unit: str, zone: str | None, tmp_path: Path) -> None:
    stamps = TABLE["Time"].cast(pa.timestamp(unit))
    stamps = stamps.cast(pa.timestamp(unit, "UTC")).cast(pa.timestamp(unit, zone)) if zone else stamps
    assert_same(read(with_column("Time", stamps), tmp_path), TRUTH)


def test_stamps_as_numbers(tmp_path: Path) -> None:
    for unit in ("s", "ms", "us", "ns"):
        count = TABLE["Time"].cast(pa.timestamp(unit)).cast(pa.int64())
        folder = tmp_path / unit
        folder.mkdir()
        assert_same(read(with_column("Time", count), folder), TRUTH)


def test_single_precision_keeps_its_own_digits(tmp_path: Path) -> None:
    single = pa.table({n: c.cast(pa.float32()) if n != "Time" else c for n, c in zip(ROWS[0], TABLE.columns)})
    log = read(single, tmp_path)
    assert_same(log, TRUTH)
    assert float(log.meta["bmslogs.voltage_step_V"]) == 1e-3  # 3.7 as single precision is not 3.7000000477


def test_decimals_integers_and_dictionaries(tmp_path: Path) -> None:
    table = with_column("Current (A)", pa.array([Decimal(f"{v:.1f}") for v in TRUTH.current]))
    for c in range(6):
        mv = pa.array(np.rint(TRUTH.cells[:, c] * 1000).astype(np.uint16))
        table = table.set_column(2 + c, f"Cell{c + 1} (mV)", mv)
    table = table.append_column("Mode", pa.array(["drive"] * 240).dictionary_encode())
    assert_same(read(table, tmp_path), TRUTH)


def test_lists_and_records_become_numbered_columns(tmp_path: Path) -> None:
    cells = pa.array(TRUTH.cells.tolist())
    records = pa.array([{"T": {"front": a, "rear": b}} for a, b in TRUTH.temperatures.tolist()])
    columns = [TABLE["Time"], TABLE["Current (A)"], cells, records]
    table = pa.table(columns, names=["Time", "Current (A)", "cells", "box"])
    assert_same(read(table, tmp_path), TRUTH)
    fixed = table.set_column(2, "cells", cells.cast(pa.list_(pa.float64(), 6)))
    folder = tmp_path / "fixed"
    folder.mkdir()
    assert_same(read(fixed, folder), TRUTH)


def test_lists_of_unequal_length_are_filled_with_nothing(tmp_path: Path) -> None:
    lists: list[Any] = TRUTH.cells.tolist()
    lists[10], lists[11] = lists[10][:4], None
    table = pa.table(
        [TABLE["Time"], TABLE["Current (A)"], pa.array(lists)], names=["Time", "Current (A)", "cells"]
    )
    log = read(table, tmp_path, row_group_size=7)
    assert np.isnan(log.cell_voltage).sum() == 2 + 6 and np.isnan(log.cell_voltage[11]).all()


def test_files_of_other_libraries(tmp_path: Path) -> None:
    frame = pd.DataFrame({n: TABLE[n].to_pandas() for n in ROWS[0]}).set_index("Time")
    frame.to_parquet(tmp_path / "pandas.parquet")
    other = pl.from_arrow(TABLE)
    assert isinstance(other, pl.DataFrame)
    other.write_parquet(tmp_path / "polars.parquet", compression="zstd")
    other.write_ipc(tmp_path / "polars.arrow", compression="lz4")
    for name in ("pandas.parquet", "polars.parquet", "polars.arrow"):
        assert_same(read_log(stored(tmp_path / name, PACK, tmp_path / name.replace(".", "-"))), TRUTH)


@pytest.mark.parametrize("write", [as_parquet, as_feather])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_cut_files_are_refused_in_one_line(write: Any, share: float, tmp_path: Path) -> None:
    path = write(ROWS, tmp_path / "whole")
    data = path.read_bytes()
    cut = tmp_path / "log.parquet"
    cut.write_bytes(data[: max(int(len(data) * share), 9)])
    reason = refusal(cut, PACK, tmp_path / "store")
    assert reason.startswith("log.parquet: the ") and "file is" in reason


def test_two_columns_of_one_name_are_refused(tmp_path: Path) -> None:
    twin = TABLE.rename_columns([*TABLE.column_names[:3], "Cell1 (V)", *TABLE.column_names[4:]])
    pq.write_table(twin, tmp_path / "log.parquet")
    assert "two columns of the name 'Cell1 (V)'" in refusal(
        tmp_path / "log.parquet", PACK, tmp_path / "store"
    )


def test_refusals_count_rows() -> None:
    found = BadInput("5 V", "a voltage", file="log.parquet", line=14, column="Cell1")
    assert str(Origin("row", 1).told(found)) == "log.parquet: row 13, column Cell1: 5 V; expected a voltage"
    told = Origin("row", 0, "Drive").told(found)
    assert str(told) == "log.parquet: sheet Drive, row 14, column Cell1: 5 V; expected a voltage"
    assert str(told.in_file("other.csv")) == str(told)


@pytest.mark.parametrize(
    ("array", "texts"),
    [
        (pa.array([1e-7, 123456789.125, 3700.0]), ["0.0000001", "123456789.125", "3700"]),
        (pa.array([1e15, -0.5, None, float("nan")]), ["1000000000000000", "-0.5", None, None]),
        (pa.array([0.1, 3.712, 1e-6], pa.float32()), ["0.1", "3.712", "0.000001"]),
        (pa.array([np.float16(3.7)], pa.float16()), ["3.7"]),
        (pa.array([2**63 - 1, -(2**63)]), ["9223372036854775807", "-9223372036854775808"]),
        (pa.array([2**64 - 1], pa.uint64()), ["18446744073709551615"]),
        (pa.array([Decimal("3.700")]), ["3.700"]),
        (pa.array([True, False, None]), ["1", "0", None]),
        (pa.array([dt.date(2026, 5, 13)]), ["2026-05-13"]),
        (pa.array([dt.time(9, 10, 0, 5000)]), ["09:10:00.005000"]),
        (pa.array([1_500_000_000], pa.duration("ns")), ["1.500000000"]),
        (pa.array([-1500], pa.duration("ms")), ["-1.500"]),
        (pa.array([1778663400123456789], pa.timestamp("ns", "Europe/Oslo")), ["2026-05-13 09:10:00.123456789Z"]),
        (pa.array(["a\tb\r\nc", 'x"y', "plain"]), ["a b c", "x'y", "plain"]),
        (pa.array([b"abc", b"\xff"]), ["abc", "\ufffd"]),
        (pa.array([None, None]), [None, None]),
    ],
)  # fmt: skip
def test_types_as_fields(array: Any, texts: list[str | None]) -> None:
    assert array_texts(array).to_pylist() == texts
