"""What people do to sheets: titles above, notes beside, several sheets, merged cells, dates of every kind, formulas."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from bmslogs.importers import inspect_file
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.log import Log, read_log
from tests.importers.recordings.kinds import (
    Rows,
    as_csv,
    as_ods,
    as_xls,
    as_xlsx,
    assert_equal,
    serial,
    stamp_of,
    stored,
    typed,
    with_part,
)
from tests.importers.writing import assert_same, bring, drive, pack_for, refusal

TRUTH = drive(rows=240, cells=6, sensors=2)
PACK = pack_for(TRUTH)
ROWS = typed(TRUTH)


def with_stamps(text: Callable[[np.datetime64], Any]) -> Rows:
    return [ROWS[0], *([text(t), *row[1:]] for t, row in zip(TRUTH.time, ROWS[1:]))]


def read(path: Path, tmp_path: Path, profile: Any = None) -> Log:
    return read_log(stored(path, PACK, tmp_path / "store", profile))


def book_of(sheets: dict[str, Rows], path: Path) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        for row in rows:
            page.append(row)
    book.save(path)
    return path


SUMMARY: Rows = [["Heron", "front box"], ["Nominal", 100.0], ["Cells", 6.0]]
WRITERS = {"xlsx": (as_xlsx, "log.xlsx"), "xls": (as_xls, "log.xls"), "ods": (as_ods, "log.ods")}


@pytest.mark.parametrize("kind", WRITERS)
def test_a_header_lower_down(kind: str, tmp_path: Path) -> None:
    write, name = WRITERS[kind]
    above: Rows = [["Heron, test drive"], [None], ["Driver", "the apprentice"], [None]]
    assert_same(read(write([*above, *ROWS], tmp_path / name), tmp_path), TRUTH)


@pytest.mark.parametrize("kind", WRITERS)
def test_a_row_of_units(kind: str, tmp_path: Path) -> None:
    write, name = WRITERS[kind]
    names = ["Time", "Current", *(f"Cell{c}" for c in range(1, 7)), "T1", "T2"]
    units = [None, "A", *["V"] * 6, "°C", "°C"]
    assert_same(read(write([names, units, *ROWS[1:]], tmp_path / name), tmp_path), TRUTH)


@pytest.mark.parametrize("kind", WRITERS)
def test_a_table_that_begins_further_right_and_notes_beside(kind: str, tmp_path: Path) -> None:
    write, name = WRITERS[kind]
    notes = {3: "left the yard", 90: "rain; speed 60, wind", 200: 'a "knock" at the front'}
    rows = [[None, None, *row, None, notes.get(k)] for k, row in enumerate(ROWS)]
    assert_same(read(write(rows, tmp_path / name), tmp_path), TRUTH)


@pytest.mark.parametrize("kind", WRITERS)
def test_numbers_beside_the_table_change_nothing(kind: str, tmp_path: Path) -> None:
    write, name = WRITERS[kind]
    rows = [[*row, None, *(SUMMARY[k] if k < 3 else [])] for k, row in enumerate(ROWS)]
    assert_same(read(write(rows, tmp_path / name), tmp_path), TRUTH)


@pytest.mark.parametrize("kind", WRITERS)
def test_dates_as_serial_numbers(kind: str, tmp_path: Path) -> None:
    write, name = WRITERS[kind]
    rows = with_stamps(lambda t: serial(stamp_of(t)))
    assert_same(read(write(rows, tmp_path / name), tmp_path), TRUTH)


@pytest.mark.parametrize("form", ["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p"])
def test_dates_as_text(form: str, tmp_path: Path) -> None:
    rows = with_stamps(lambda t: stamp_of(t).strftime(form))
    assert_same(read(as_xlsx(rows, tmp_path / "log.xlsx"), tmp_path), TRUTH)


def test_date_and_time_of_day_in_two_columns(tmp_path: Path) -> None:
    rows: Rows = [["Date", *ROWS[0]]]
    rows += [[row[0].date(), row[0].time(), *row[1:]] for row in ROWS[1:]]
    assert_same(read(as_xlsx(rows, tmp_path / "log.xlsx"), tmp_path), TRUTH)


def test_midnight_is_a_stamp_like_any_other(tmp_path: Path) -> None:
    truth = drive(rows=240, cells=6, sensors=2, start="2026-05-13T23:58:00")
    log = read(as_xlsx(typed(truth), tmp_path / "log.xlsx"), tmp_path)
    assert_same(log, truth)
    begins = drive(rows=240, cells=6, sensors=2, start="2026-05-14T00:00:00")
    assert_same(read(as_xlsx(typed(begins), tmp_path / "b.xlsx"), tmp_path), begins)


@pytest.mark.parametrize("start", ["1900", "1904"])
def test_both_counts_of_days(start: str, tmp_path: Path) -> None:
    path = as_xlsx(ROWS, tmp_path / "log.xlsx")
    book = openpyxl.load_workbook(path)
    if start == "1904":
        from openpyxl.utils.datetime import CALENDAR_MAC_1904

        book.epoch = CALENDAR_MAC_1904
    book.save(path)
    assert_same(read(path, tmp_path), TRUTH)


@pytest.mark.parametrize("mark", [".", ","])
def test_numbers_as_text(mark: str, tmp_path: Path) -> None:
    rows = [ROWS[0], *([r[0], *(f"{v:.3f}".replace(".", mark) for v in r[1:])] for r in ROWS[1:])]
    assert_same(read(as_xlsx(rows, tmp_path / "log.xlsx"), tmp_path), TRUTH)


def test_one_column_of_numbers_as_text_among_numbers(tmp_path: Path) -> None:
    rows = [ROWS[0], *([*r[:-1], f"{r[-1]:.1f}".replace(".", ",")] for r in ROWS[1:])]
    assert_same(read(as_xlsx(rows, tmp_path / "log.xlsx"), tmp_path), TRUTH)


def test_merged_headers_and_dates(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Date", "Time", "Current (A)", "Cell (V)", *[None] * 5, "Temperature (C)", None])
    page.append([None, None, None, 1, 2, 3, 4, 5, 6, 1, 2])
    for row in ROWS[1:]:
        page.append([None, row[0].time(), *row[1:]])
    page["A3"] = dt.date(2026, 5, 13)
    page.merge_cells(f"A3:A{len(ROWS) + 1}")
    for column in "ABC":
        page.merge_cells(f"{column}1:{column}2")
    page.merge_cells("D1:I1")
    page.merge_cells("J1:K1")
    book.save(tmp_path / "log.xlsx")
    assert_same(read(tmp_path / "log.xlsx", tmp_path), TRUTH)


def test_a_merged_title_is_no_header(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Heron, drive 3"])
    page.merge_cells("A1:J1")
    for row in ROWS:
        page.append(row)
    book.save(tmp_path / "log.xlsx")
    assert_same(read(tmp_path / "log.xlsx", tmp_path), TRUTH)


def test_formulas_are_read_by_their_values(tmp_path: Path) -> None:
    path = as_xlsx(ROWS, tmp_path / "log.xlsx")
    with_part(
        path,
        "xl/worksheets/sheet1.xml",
        lambda x: x.replace(b"<v>3.7", b"<f>SUM(1,2)*WEBSERVICE(A1)</f><v>3.7"),
    )
    assert_equal(
        stored(path, PACK, tmp_path / "store"),
        stored(as_csv(ROWS, tmp_path / "log.csv"), PACK, tmp_path / "other"),
    )


def test_formulas_without_values_are_named(tmp_path: Path) -> None:
    rows = [ROWS[0], *([*r[:-1], "=21+1"] for r in ROWS[1:])]
    log = read(as_xlsx(rows, tmp_path / "log.xlsx"), tmp_path)
    assert "240 cells hold a formula whose value does not stand in the file" in log.meta["bmslogs.notes"]


@pytest.mark.parametrize("errors", ["#N/A", "#DIV/0!", "#REF!"])
def test_error_values_are_missing_readings(errors: str, tmp_path: Path) -> None:
    rows = [list(r) for r in ROWS]
    rows[20][4] = errors
    log = read(as_xlsx(rows, tmp_path / "log.xlsx"), tmp_path)
    assert np.isnan(log.cell_voltage[19, 2]) and np.isnan(log.cell_voltage).sum() == 1


def test_truth_values_are_flags(tmp_path: Path) -> None:
    rows = [[*ROWS[0], *(f"Balancing {c}" for c in range(1, 7))]]
    flags = [[(r // 20 + c) % 3 == 0 for c in range(6)] for r in range(240)]
    rows += [[*r, *f] for r, f in zip(ROWS[1:], flags)]
    for kind, (write, name) in WRITERS.items():
        log = read_log(stored(write(rows, tmp_path / name), PACK, tmp_path / kind))
        assert log.bleed is not None
        np.testing.assert_array_equal(log.bleed, flags)


def test_the_only_sheet_that_looks_like_a_log(tmp_path: Path) -> None:
    path = book_of(
        {"Summary": SUMMARY, "Empty": [], "Drive": ROWS, "Notes": [["a"], ["b"]]}, tmp_path / "log.xlsx"
    )
    assert_same(read(path, tmp_path), TRUTH)
    profile = inspect_file(path, pack=PACK).profile_toml()
    assert '[file]\nsheet = "Drive"' in profile


def test_several_logs_are_asked_about(tmp_path: Path) -> None:
    path = book_of({"Drive": ROWS, "Charge, first": ROWS, "Notes": SUMMARY}, tmp_path / "log.xlsx")
    reason = refusal(path, PACK, tmp_path / "no store")
    assert "2 sheets look like a log: 'Drive', 'Charge, first'" in reason
    assert '[file] sheet = "Drive" in the profile' in reason
    log = read(path, tmp_path, parse_profile({"file": {"sheet": "Charge, first"}}))
    assert_same(log, TRUTH)


def test_a_sheet_that_is_not_there(tmp_path: Path) -> None:
    path = book_of({"Drive": ROWS}, tmp_path / "log.xlsx")
    profile = parse_profile({"file": {"sheet": "Drives"}})
    assert "no sheet 'Drives'; expected one of 'Drive'" in refusal(path, PACK, tmp_path / "s", profile)
    csv = as_csv(ROWS, tmp_path / "log.csv")
    assert "the file has no sheets" in refusal(csv, PACK, tmp_path / "s", profile)


def test_no_sheet_is_a_log(tmp_path: Path) -> None:
    path = book_of({"A": SUMMARY, "B": [["x"]]}, tmp_path / "log.xlsx")
    reason = refusal(path, PACK, tmp_path / "s")
    assert reason.startswith("log.xlsx: no sheet looks like a log (A: ")


def test_the_profile_that_inspect_prints_reads_the_same(tmp_path: Path) -> None:
    import tomllib

    path = book_of({"Summary": SUMMARY, "Drive": ROWS}, tmp_path / "log.xlsx")
    profile = parse_profile(tomllib.loads(inspect_file(path, pack=PACK).profile_toml()))
    assert_same(read(path, tmp_path, profile), TRUTH)


def test_refusals_name_sheet_row_and_column(tmp_path: Path) -> None:
    other = [[*r[:2], *r[3:6]] for r in ROWS]
    turned = [[*r[:2], r[3], r[2], *r[4:]] for r in ROWS]
    path = book_of({"Notes": [["a"]], "Drive": [["Heron"], [None], *ROWS, *turned]}, tmp_path / "log.xlsx")
    reason = refusal(path, PACK, tmp_path / "s")
    # 2 rows above, a header and 240 rows before the second header
    assert reason.startswith("log.xlsx: sheet Drive, row 244: a second header"), reason
    assert "sheet Drive" in refusal(book_of({"Drive": other}, tmp_path / "few.xlsx"), PACK, tmp_path / "s")


def test_words_between_the_rows_are_named_by_their_row(tmp_path: Path) -> None:
    rows = [*ROWS[:100], ["the charger was plugged in here"], *ROWS[100:]]
    report = bring(as_xlsx(rows, tmp_path / "log.xlsx"), PACK, tmp_path / "store")
    assert report.logs[0].rows == 240
    assert [r["rows"] for r in report.logs[0].repairs] == [1], report.logs[0].repairs


def test_hidden_sheets_are_taken_where_asked_for_alone(tmp_path: Path) -> None:
    path = book_of({"Drive": ROWS, "Old": ROWS}, tmp_path / "log.xlsx")
    book = openpyxl.load_workbook(path)
    book["Old"].sheet_state = "hidden"
    book.save(path)
    assert_same(read(path, tmp_path), TRUTH)
    assert bring(path, PACK, tmp_path / "o", parse_profile({"file": {"sheet": "Old"}})).logs
