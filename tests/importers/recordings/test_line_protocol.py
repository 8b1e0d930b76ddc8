"""Line protocol: wide points and one point a cell, in the order of time or of the series, stamps of every unit."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from bmslogs.importers import inspect_file
from bmslogs.log import Log, read_log
from tests.importers.recordings.kinds import as_line_protocol, ns_of, stored, typed
from tests.importers.writing import assert_same, bring, drive, pack_for, put, refusal

TRUTH = drive(rows=240, cells=6, sensors=2)
PACK = pack_for(TRUTH)
ROWS = typed(TRUTH)


def points(unit: int = 1, board: bool = False) -> list[str]:
    """Return one point a cell and sensor, stamps in `unit` ns."""
    out = []
    for k, row in enumerate(ROWS[1:]):
        stamp = ns_of(row[0]) // unit
        out.append(f"pack,vehicle=heron current={float(TRUTH.current[k])!r} {stamp}")
        for c in range(6):
            more = f",board={'AB'[c // 3]}" if board else ""
            out.append(f"cell{more},cell={c + 1},vehicle=heron voltage={float(TRUTH.cells[k, c])!r} {stamp}")
        for s in range(2):
            out.append(
                f"temperature,sensor={s + 1},vehicle=heron value={float(TRUTH.temperatures[k, s])!r} {stamp}"
            )
    return out


def read(lines: list[str], tmp_path: Path) -> Log:
    path = put("\n".join([*lines, ""]).encode(), tmp_path / "log.lp")
    return read_log(stored(path, PACK, tmp_path / "store"))


@pytest.mark.parametrize("unit", [1, 10**3, 10**6, 10**9])
def test_one_point_a_cell_and_stamps_of_every_unit(unit: int, tmp_path: Path) -> None:
    assert_same(read(points(unit), tmp_path), TRUTH)


def test_nanoseconds_are_kept_to_the_microsecond(tmp_path: Path) -> None:
    truth = drive(rows=240, cells=6, sensors=2, period_s=0.123457)
    path = as_line_protocol(typed(truth), tmp_path / "log.lp")
    assert_same(read_log(stored(path, PACK, tmp_path / "store")), truth, time_us=0)


def test_tags_that_tell_nothing_more_are_left_out_of_the_names(tmp_path: Path) -> None:
    path = put("\n".join(points(board=True)).encode(), tmp_path / "log.lp")
    names = [c.name for c in inspect_file(path, pack=PACK).columns]
    assert names[:3] == ["time", "pack current", "cell 1 voltage"] and "temperature sensor 2" in names
    assert_same(read_log(stored(path, PACK, tmp_path / "store")), TRUTH)


def test_series_one_behind_the_other(tmp_path: Path) -> None:
    assert_same(read(sorted(points(), key=lambda p: p.split(" ")[0]), tmp_path), TRUTH)


def test_points_in_any_order(tmp_path: Path) -> None:
    shuffled = points()
    random.Random(3).shuffle(shuffled)
    assert_same(read(shuffled, tmp_path), TRUTH)


def test_comments_blank_lines_and_values_of_every_type(tmp_path: Path) -> None:
    lines = ["# from the logger", ""]
    for k, line in enumerate(points()):
        if line.startswith("pack"):
            name, fields, stamp = line.split(" ")
            line = f'{name} {fields},fault={"tf"[k % 2]},count={k}i,mode="on a \\"slow\\" road, with = marks" {stamp}'
        lines += [line, ""] if k % 50 == 0 else [line]
    log = read(lines, tmp_path)
    assert_same(log, TRUTH)


def test_escapes(tmp_path: Path) -> None:
    lines = [x.replace("vehicle=heron", "vehicle=heron\\ main\\,\\ 2\\=b") for x in points()]
    assert_same(read([x.replace("pack,", "main\\ pack,") for x in lines], tmp_path), TRUTH)


def test_holes_are_missing_readings(tmp_path: Path) -> None:
    lines = points()
    gone = [k for k, x in enumerate(lines) if x.startswith("cell,cell=3")][7]
    log = read(lines[:gone] + lines[gone + 1 :], tmp_path)
    assert log.rows == 240 and np.isnan(log.cell_voltage).sum() == 1 and np.isnan(log.cell_voltage[7, 2])


def test_lines_that_are_no_points_are_named(tmp_path: Path) -> None:
    lines = points()
    lines[500] = lines[500][:15]
    lines[900] = "the logger was started anew"
    report = bring(put("\n".join([*lines, ""]).encode(), tmp_path / "log.lp"), PACK, tmp_path / "store")
    assert report.logs[0].rows == 240
    repairs = [str(r) for r in report.logs[0].repairs]
    assert len(repairs) == 1 and "2 rows" in repairs[0] and "line 501" in repairs[0], repairs


def test_a_point_twice_is_named(tmp_path: Path) -> None:
    lines = points()
    report = bring(
        put("\n".join([*lines, *lines[-9:], ""]).encode(), tmp_path / "log.lp"), PACK, tmp_path / "store"
    )
    assert report.logs[0].rows == 240 and [r["rows"] for r in report.logs[0].repairs] == [1]


def test_points_without_stamps_are_refused(tmp_path: Path) -> None:
    lines = [x.rsplit(" ", 1)[0] for x in points()]
    assert "time" in refusal(put("\n".join(lines).encode(), tmp_path / "log.lp"), PACK, tmp_path / "store")
