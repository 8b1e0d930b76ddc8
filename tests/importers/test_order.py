"""Rows out of place, rows twice, delimiters that change, quotes left open, and the balance of rows."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bmslogs.base.errors import BadInput
from bmslogs.importers.plan.repairs import Repairs
from bmslogs.importers.reading.balance import LEFT_OUT, Balance
from bmslogs.importers.reading.sorting import order_of
from bmslogs.log import Log
from tests.importers.writing import (
    Dialect,
    Truth,
    assert_same,
    bring,
    drive,
    imported,
    pack_for,
    put,
    refusal,
    stamp,
    text_of,
    write,
)

D = Dialect()


def assert_rows(log: Log, truth: Truth) -> None:
    """Compare every row's stamp and what it has of current and cells."""
    assert np.array_equal(log.time, truth.time)
    assert log.current is not None
    there = np.isfinite(log.current)
    np.testing.assert_allclose(log.current[there], truth.current[there], atol=0.051)
    there = np.isfinite(log.cell_voltage)
    assert there.mean() > 0.98
    np.testing.assert_allclose(log.cell_voltage[there], truth.cells[there], atol=5.1e-4)


def left_out(log: Log) -> int:
    """Return how many lines of the file are no rows of the log, by its repairs."""
    return sum(r["rows"] for r in log.repairs if r["rule"] in LEFT_OUT)


def reordered(text: str, order: np.ndarray) -> bytes:  # type: ignore[type-arg]
    header, *rows = text.splitlines()
    return ("\n".join([header, *(rows[k] for k in order)]) + "\n").encode()


def shuffled(rows: int, apart: float, share: float, rng: np.random.Generator) -> np.ndarray:  # type: ignore[type-arg]
    """Return an order in which some rows stand up to `apart` rows late."""
    late = np.where(rng.random(rows) < share, rng.uniform(0, apart, rows), 0.0)
    return np.argsort(np.arange(rows) + late, kind="stable")


@pytest.mark.parametrize("seed", range(12))
def test_rows_a_few_apart_are_sorted(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(100, 3000))
    truth = drive(rows=rows, cells=4, sensors=1, seed=seed, period_s=float(rng.choice([0.05, 0.2, 1, 30])))
    order = shuffled(rows, float(rng.choice([2, 5, 20, 60])), float(rng.choice([0.02, 0.3, 1.0])), rng)
    path = put(reordered(text_of(truth, D), order), tmp_path / "log.csv")
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert_rows(log, truth)
    rules = {r["rule"] for r in log.repairs} - {"held_frame", "held_cells"}
    assert rules == ({"rows_sorted"} if (order != np.arange(rows)).any() else set())


def test_rows_out_of_place_at_the_borders_of_blocks(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    truth = drive(rows=60_000, cells=3, sensors=0, period_s=0.1)
    order = shuffled(60_000, 30, 1.0, rng)
    log = imported(
        put(reordered(text_of(truth, D), order), tmp_path / "log.csv"), pack_for(truth), tmp_path / "s"
    )
    assert_rows(log, truth)


def test_rows_of_a_clock_without_a_date_shuffled_over_midnight(tmp_path: Path) -> None:
    truth = drive(start="2026-05-13T23:58:00")
    text = text_of(truth, D.but(time_text=stamp("%H:%M:%S")))
    order = shuffled(400, 6, 1.0, np.random.default_rng(3))
    path = put(reordered(text, order), tmp_path / "drive_2026-05-13.csv")
    assert_same(imported(path, pack_for(truth), tmp_path / "store"), truth)


@pytest.mark.parametrize("back", [2, 5, 20, 60, 100, 250])
def test_a_clock_set_back_is_no_disorder(back: int) -> None:
    """Time that passes twice is twice as dense: by arithmetic."""
    time = np.arange(600) * 1_000_000
    time[300:] -= back * 1_000_000
    assert order_of(time) is None


@pytest.mark.parametrize("cut", [40, 200, 333])
def test_the_second_part_before_the_first(cut: int, tmp_path: Path) -> None:
    truth = drive()
    order = np.concatenate([np.arange(cut, 400), np.arange(cut)])
    log = imported(
        put(reordered(text_of(truth, D), order), tmp_path / "log.csv"), pack_for(truth), tmp_path / "s"
    )
    assert_same(log, truth)
    assert [r["rule"] for r in log.repairs] == ["rows_sorted"]


def test_blocks_of_two_halves_in_turn(tmp_path: Path) -> None:
    truth = drive(rows=1600)
    halves = [np.arange(0, 800).reshape(4, 200), np.arange(800, 1600).reshape(4, 200)]
    order = np.concatenate([half[k] for k in range(4) for half in halves])
    log = imported(
        put(reordered(text_of(truth, D), order), tmp_path / "log.csv"), pack_for(truth), tmp_path / "s"
    )
    assert_same(log, truth)


@pytest.mark.parametrize("first, count, at", [(100, 18, 118), (100, 50, 150), (0, 200, 200)])
def test_rows_written_a_second_time(first: int, count: int, at: int, tmp_path: Path) -> None:
    truth = drive()
    rows = np.arange(400)
    order = np.concatenate([rows[:at], rows[first : first + count], rows[at:]])
    log = imported(
        put(reordered(text_of(truth, D), order), tmp_path / "log.csv"), pack_for(truth), tmp_path / "s"
    )
    assert_same(log, truth)
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("row_twice", count)]


@pytest.mark.parametrize("old, new", [(",", ";"), (";", ","), (";", "\t"), ("\t", "|")])
@pytest.mark.parametrize("seed", range(3))
def test_a_delimiter_that_changes_is_refused_with_its_line(
    old: str, new: str, seed: int, tmp_path: Path
) -> None:
    rng = np.random.default_rng(seed)
    truth = drive(rows=int(rng.integers(60, 400)), seed=seed)
    lines = text_of(truth, D.but(delimiter=old)).splitlines()
    at = int(rng.integers(3, len(lines) - 2))
    lines[at:] = [x.replace(old, new) for x in lines[at:]]
    reason = refusal(
        put(("\n".join(lines) + "\n").encode(), tmp_path / "log.csv"), pack_for(truth), tmp_path / "s"
    )
    assert f"line {at + 1}: the delimiter changes" in reason


@pytest.mark.parametrize("at", [200, 700])
def test_a_delimiter_that_changes_in_a_table_of_three_columns_is_refused(at: int, tmp_path: Path) -> None:
    truth = drive(rows=1000, cells=1, sensors=0)
    lines = text_of(truth, Dialect().but(delimiter=";")).splitlines()
    text = "\n".join([*lines[:at], *(x.replace(";", "|") for x in lines[at:])]) + "\n"
    reason = refusal(put(text.encode(), tmp_path / "log.csv"), pack_for(truth), tmp_path / "store")
    assert f"line {at + 1}" in reason and "delimiter" in reason


def test_a_delimiter_that_changes_far_from_the_start(tmp_path: Path) -> None:
    truth = drive(rows=40_000, cells=4, sensors=0)
    lines = text_of(truth, D).splitlines()
    lines[30_000:30_020] = [x.replace(",", ";") for x in lines[30_000:30_020]]
    reason = refusal(
        put(("\n".join(lines) + "\n").encode(), tmp_path / "log.csv"), pack_for(truth), tmp_path / "s"
    )
    assert "line 30001: the delimiter changes from ',' to ';'" in reason


@pytest.mark.parametrize("quote", [True, False])
@pytest.mark.parametrize("row", [0, 7, 399])
def test_a_quote_left_open_takes_no_rows(quote: bool, row: int, tmp_path: Path) -> None:
    truth = drive()
    lines = text_of(truth, D.but(quote=quote, delimiter=";")).splitlines()
    fields = lines[row + 1].split(";")
    fields[3] = fields[3].removesuffix('"') if quote else '"' + fields[3]
    lines[row + 1] = ";".join(fields)
    log = imported(
        put(("\n".join(lines) + "\n").encode(), tmp_path / "log.csv"), pack_for(truth), tmp_path / "s"
    )
    assert_same(log, truth)
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("quote_stray", 1)]


@pytest.mark.parametrize("every", [20, 90])
def test_a_repeated_header_takes_no_column(every: int, tmp_path: Path) -> None:
    truth = drive(rows=300, sensors=1)
    truth.temperatures[:] = np.round(truth.temperatures)
    path = put(
        text_of(truth, D.but(repeat_header=every, temperature_decimals=0)).encode(), tmp_path / "log.csv"
    )
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert log.temperature.shape == (300, 1)
    assert [r["rule"] for r in log.repairs] == ["header_repeated"]


def test_a_second_header_in_another_order_is_refused(tmp_path: Path) -> None:
    truth = drive()
    lines = text_of(truth, D).splitlines()
    swapped = [",".join([f[0], *f[2:4], f[1], *f[4:]]) for f in (x.split(",") for x in lines)]
    text = "\n".join([*lines[:200], swapped[0], *swapped[200:]]) + "\n"
    reason = refusal(put(text.encode(), tmp_path / "log.csv"), pack_for(truth), tmp_path / "store")
    assert "line 201: a second header" in reason


def damaged(lines: list[str], rng: np.random.Generator) -> list[str]:
    """Return lines with remarks, blanks, cut rows, rows twice and rows without a time between them."""
    out = [lines[0]]
    for line in lines[1:]:
        out.append(line)
        chance = rng.random()
        if chance < 0.01:
            out.append("# key on")
        elif chance < 0.02:
            out += ["", ""]
        elif chance < 0.03:
            out.append(line[: len(line) // 2])
        elif chance < 0.04:
            out.append(line)
        elif chance < 0.05:
            out.append(lines[0])
        elif chance < 0.06:
            out.append("," + line.split(",", 1)[1])
    return out


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("eol", ["\n", "\r\n", "\r"])
def test_lines_are_rows_or_named(seed: int, eol: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    truth = drive(rows=int(rng.integers(60, 900)), cells=int(rng.integers(2, 20)), seed=seed)
    lines = damaged(text_of(truth, D).splitlines(), rng)
    path = put((eol.join(lines) + eol).encode(), tmp_path / "log.csv")
    report = bring(path, pack_for(truth), tmp_path / "store")
    assert not report.refused, report.refused
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert sum(bool(x) for x in lines[1:]) == log.rows + left_out(log)


def test_a_balance_that_does_not_hold_is_refused(tmp_path: Path) -> None:
    balance, repairs = Balance(), Repairs()
    balance.lines = 10
    repairs.add("no_time", "{rows} left out", 2)
    balance.close(8, repairs, tmp_path / "log.csv")
    with pytest.raises(BadInput, match="10 lines were read and 9 are accounted for"):
        balance.close(7, repairs, tmp_path / "log.csv")


def long_text(truth: Truth, scramble: Callable[[list[str]], list[str]] = list) -> str:
    rows = []
    for r in range(len(truth.time)):
        scan = [
            f"{truth.time[r].astype('datetime64[ms]')},{c + 1},{truth.cells[r, c]:.3f},{truth.current[r]:.1f}"
            for c in range(truth.cells.shape[1])
        ]
        rows += scramble(scan)
    return "\n".join(["Time,cell,voltage (V),Current (A)", *rows]) + "\n"


def test_rows_of_a_long_table_are_named_and_no_damage(tmp_path: Path) -> None:
    truth = drive(rows=120, sensors=0)
    path = put(long_text(truth).encode(), tmp_path / "long.csv")
    log = imported(path, pack_for(truth), tmp_path / "store", strict=True)
    assert log.rows == 120
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("rows_put_together", 120 * 11)]


def test_writing_twice_gives_the_same_file(tmp_path: Path) -> None:
    truth = drive(rows=80)
    assert write(truth, D, tmp_path, "a.csv").read_bytes() == text_of(truth, D).encode()
