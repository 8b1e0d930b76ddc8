"""JSON lines and arrays: nested cells, keys that come late, broken lines, digits as they are written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bmslogs.importers import inspect_file
from bmslogs.log import Log, read_log
from tests.importers.recordings.kinds import as_csv, assert_equal, objects, stored, typed
from tests.importers.writing import assert_same, bring, drive, pack_for, put, refusal

TRUTH = drive(rows=240, cells=6, sensors=2)
PACK = pack_for(TRUTH)
OBJECTS = objects(typed(TRUTH))
NESTED = [
    {
        "time": o["Time"],
        "battery": {"current_A": float(TRUTH.current[k]), "cells": TRUTH.cells[k].tolist()},
        "temperatures": {"1": float(TRUTH.temperatures[k, 0]), "2": float(TRUTH.temperatures[k, 1])},
    }
    for k, o in enumerate(OBJECTS)
]


def lines(rows: list[Any]) -> bytes:
    return "".join(json.dumps(r) + "\n" for r in rows).encode()


def read(data: bytes, tmp_path: Path) -> Log:
    return read_log(stored(put(data, tmp_path / "log.json"), PACK, tmp_path / "store"))


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_nested_lines(end: bytes, tmp_path: Path) -> None:
    assert_same(read(lines(NESTED).replace(b"\n", end), tmp_path), TRUTH)


@pytest.mark.parametrize("indent", [None, 1])
def test_nested_array(indent: int | None, tmp_path: Path) -> None:
    assert_same(read(json.dumps(NESTED, indent=indent).encode(), tmp_path), TRUTH)


def test_objects_spread_over_lines_without_an_array(tmp_path: Path) -> None:
    assert_same(read("\n".join(json.dumps(o, indent=2) for o in NESTED).encode(), tmp_path), TRUTH)


def test_an_object_that_holds_the_rows(tmp_path: Path) -> None:
    assert_same(read(json.dumps({"vehicle": "Heron", "rows": OBJECTS}).encode(), tmp_path), TRUTH)


def test_a_byte_order_mark_and_blank_lines(tmp_path: Path) -> None:
    data = b"\xef\xbb\xbf" + lines(OBJECTS).replace(b"\n", b"\n\n", 3)
    log = read(data, tmp_path)
    assert_same(log, TRUTH)
    assert not log.repairs


def test_a_list_of_records(tmp_path: Path) -> None:
    rows = [
        {
            "time": o["Time"],
            "current": float(TRUTH.current[k]),
            "cells": [{"voltage": v, "balancing": False} for v in TRUTH.cells[k].tolist()],
        }
        for k, o in enumerate(OBJECTS)
    ]
    log = read(lines(rows), tmp_path)
    np.testing.assert_array_equal(np.round(log.cell_voltage, 3), TRUTH.cells)
    assert log.bleed is not None and not log.bleed.any()


@pytest.mark.parametrize("form", ["lines", "array"])
@pytest.mark.parametrize("first", [5, 150, 239])
def test_a_key_that_comes_late_is_kept(form: str, first: int, tmp_path: Path) -> None:
    late = "Cell6 (V)"
    rows = [{n: v for n, v in o.items() if n != late or k >= first} for k, o in enumerate(OBJECTS)]
    truth = drive(rows=240, cells=6, sensors=2)
    truth.cells[:first, 5] = np.nan
    log = read(lines(rows) if form == "lines" else json.dumps(rows).encode(), tmp_path)
    if log.cell_voltage.shape[1] == 6:
        assert_same(log, truth)


def test_a_key_after_thousands_of_rows_is_kept(tmp_path: Path) -> None:
    truth = drive(rows=5000, cells=4, sensors=1)
    rows: list[dict[str, Any]] = objects(typed(truth))
    for k, row in enumerate(rows):
        if k < 4500:
            del row["T1 (C)"]
    truth.temperatures[:4500] = np.nan
    path = put(lines(rows), tmp_path / "log.jsonl")
    csv = as_csv(typed(truth), tmp_path / "log.csv")
    names = [c.name for c in inspect_file(path, pack=pack_for(truth)).columns]
    assert names == typed(truth)[0]
    pack = pack_for(truth)
    assert_equal(stored(path, pack, tmp_path / "store"), stored(csv, pack, tmp_path / "other"))


def test_digits_as_they_are_written(tmp_path: Path) -> None:
    rows = lines([{**o, "Current (A)": 0} for o in OBJECTS]).split(b"\n")
    data = b"\n".join(r.replace(b": 0,", b": %e," % a, 1) for r, a in zip(rows, TRUTH.current))
    assert_same(read(data, tmp_path), TRUTH)


def test_broken_lines_are_named_and_the_rest_is_read(tmp_path: Path) -> None:
    rows = lines(OBJECTS).split(b"\n")
    rows[50] = rows[50][:40]
    rows[120] = b'{"Time": 1, "Time": 2}'
    report = bring(put(b"\n".join(rows), tmp_path / "log.jsonl"), PACK, tmp_path / "store")
    assert report.logs[0].rows == 238
    repairs = [str(r) for r in report.logs[0].repairs]
    assert len(repairs) == 1 and "first: line 51" in repairs[0], repairs


def test_a_line_that_is_cut_off(tmp_path: Path) -> None:
    report = bring(put(lines(OBJECTS)[:-30], tmp_path / "log.jsonl"), PACK, tmp_path / "store")
    assert report.logs[0].rows == 239 and [r["rows"] for r in report.logs[0].repairs] == [1]


def test_a_broken_array_is_refused_with_its_row(tmp_path: Path) -> None:
    data = json.dumps(OBJECTS).encode()
    at = data.find(b"}", len(data) // 2)
    for broken in (data[:at], data[: at - 5] + b'"' + data[at - 5 :]):
        reason = refusal(put(broken, tmp_path / "log.json"), PACK, tmp_path / "store")
        assert reason.startswith("log.json: row 12") and "the JSON is broken" in reason, reason


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b'[{"a": 1}, 5]', "row 2: a number where an object should stand"),
        (b'[{"a": {"b": 1}, "a b": 2}]', "two values of the name 'a b'"),
        (b'{"a": ' * 12 + b"1" + b"}" * 12, "nested more than 8 levels"),
        (b'[{"a": ' + b"[" * 100_000 + b"]" * 100_000 + b"}]", "nested too deep"),
        (b"[{}]", "no object with readings"),
    ],
)
def test_what_is_no_log_is_refused(data: bytes, says: str, tmp_path: Path) -> None:
    assert says in refusal(put(data, tmp_path / "log.json"), PACK, tmp_path / "store")
