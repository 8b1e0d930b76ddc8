"""What people type: tables, readings of a loom, goods-in figures, insulation; and what is printed."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Limits, Pack
from bmslogs.base.results import Diagnosis, Estimate, refused
from bmslogs.faces.bench_tables import logged_readings, measured_items, typed_readings
from bmslogs.faces.layout import part, titled, wrapped
from bmslogs.faces.output import able, write_json, write_table, write_text
from bmslogs.faces.record.contents import Typed, contents, highest_voltage, insulation_text
from bmslogs.faces.typed_table import MEASURED, MEASURED_MORE, METER, READINGS, Row, read_table
from bmslogs.faces.unknown import open_questions, unknowns
from tests.findings.by_hand import a_pack, rest, run, string


def table(tmp_path: Path, text: str | bytes, needed: Any = READINGS, optional: Any = METER) -> list[Row]:
    path = tmp_path / "typed.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_table(path, needed, optional)


def refusal(tmp_path: Path, text: str | bytes, **more: Any) -> str:
    with pytest.raises(BadInput) as caught:
        table(tmp_path, text, **more)
    assert str(caught.value).startswith("typed.csv: ") and "\n" not in str(caught.value)
    return str(caught.value)


# ---- tables -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "cell,voltage_V\n1,3.65\n2,3.70\n",
        "cell;voltage_V\n1;3,65\n2;3,70\n",
        "cell\tvoltage_V\r\n1\t3,65\r\n\r\n2\t3.70\r\n",
        "\ufeff voltage_V ; cell \n 3,65 ; 1 \n3.70;2",
    ],
)
def test_tables_as_spreadsheets_save_them(tmp_path: Path, text: str) -> None:
    rows = table(tmp_path, text)
    assert [(r.needed("cell"), r.needed("voltage_V"), r.number("meter_V")) for r in rows] == [
        (1, 3.65, None),
        (2, 3.7, None),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "an empty file; expected a table with columns cell, voltage_V"),
        ("cell,V\n", "line 1: no column voltage_V"),
        (
            "cell,voltage_V,colour\n",
            "line 1: column 'colour'; expected columns cell, voltage_V and, where known, meter_V",
        ),
        ("cell,voltage_V,cell\n", "line 1: column 'cell'"),
        ("cell,voltage_V\n1,3,65\n", "line 2: 3 cells; expected 2, as in the header"),
        (b"cell,voltage_V\n1,3.6\xff\n", "cannot be read"),
        ("x" * 1_000_001, "1000001 bytes; expected a small table"),
    ],
)
def test_what_is_no_such_table_is_refused_with_its_line(tmp_path: Path, text: str | bytes, said: str) -> None:
    assert said in refusal(tmp_path, text)


@pytest.mark.parametrize("value", ["3.6 V", "nan", "inf", "1.234,5", "--"])
def test_a_cell_that_is_no_number_is_named_with_its_place(tmp_path: Path, value: str) -> None:
    (row,) = table(tmp_path, f"cell;voltage_V\n1;{value}\n")
    with pytest.raises(BadInput, match=r"typed\.csv: line 2, column voltage_V: ") as caught:
        row.needed("voltage_V")
    assert "expected a number" in str(caught.value)


# ---- readings of a loom and goods in ------------------------------------------------------------------------------


def readings(tmp_path: Path, text: str) -> Any:
    return typed_readings(table(tmp_path, text), a_pack(), 45.2, 21.0)


def test_typed_readings_lie_at_their_cells(tmp_path: Path) -> None:
    got = readings(tmp_path, "cell,voltage_V,meter_V\n3,3.65,3.651\n1,3.60,\n")
    assert got.cell_voltage[:3].tolist()[::2] == [3.6, 3.65] and np.isnan(got.cell_voltage[1])
    assert len(got.cell_voltage) == 12 and got.meter_total == 45.2 and got.ambient == 21.0
    assert got.meter_cell[2] == 3.651 and np.isnan(got.meter_cell[0])


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("1,3.6\n1,3.7", "line 3, column cell: cell 1 twice; expected each cell once"),
        ("0,3.6", "line 2, column cell: cell 0; expected 1..12"),
        ("-4,3.6", "cell -4; expected 1..12"),
        ("2.5,3.6", "cell 2.5"),
        ("5000,3.6", "cell 5000; expected 1..12"),
        ("1,", "line 2, column voltage_V: nothing; expected a number"),
    ],
)
def test_readings_of_no_cell_are_refused(tmp_path: Path, rows: str, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        readings(tmp_path, f"cell,voltage_V\n{rows}\n")
    assert said in str(caught.value)


def test_the_readings_of_a_log_are_the_medians_of_its_channels() -> None:
    log = run(string(), rest(3))
    log = replace(log, cells=tuple(range(3, 15)))  # a log of some modules of a longer pack
    got = logged_readings(log, None, None)
    assert len(got.cell_voltage) == 14 and np.isnan(got.cell_voltage[:2]).all()
    assert got.cell_voltage[2] == pytest.approx(np.median(log.cell_voltage[:, 0]))


def test_measured_items_come_in_the_order_of_arrival(tmp_path: Path) -> None:
    text = "name;rest_voltage_V;capacity_Ah;capacity_half_width_Ah;lot\nB;3,61;98;1\n;3,60;99,5;1,5;x\n"
    first, second = measured_items(table(tmp_path, text, MEASURED, MEASURED_MORE))
    assert (first.name, first.capacity, first.lot, first.resistance) == ("B", 98.0, None, None)
    assert (second.name, second.capacity_half_width, second.lot) == ("line 3", 1.5, "x")


# ---- insulation ---------------------------------------------------------------------------------------------------


def the_pack(chemistry: str = "NMC", **limits: float) -> Pack:
    own = {"ocv": None, "ocv_table": None, "chemistry": chemistry}
    return a_pack(
        96, limits=Limits(**limits), modules=(), boxes=(), temperature_sensors=(), sense_boards=(), **own
    )


@pytest.mark.parametrize(
    ("pack", "volts"),
    [
        (the_pack(voltage_max_V=4.1), 393.6),
        (the_pack(), 403.2),
        (the_pack("LFP"), 350.4),
        (the_pack(voltage_max_V=4200.0), 403.2),  # a slip of the unit is no voltage of a pack
        (the_pack(voltage_max_V=0.0042), 403.2),
    ],
)
def test_the_highest_voltage_is_that_of_all_cells_at_their_limit(pack: Pack, volts: float) -> None:
    """96 cells at 4.2 or 3.65 V where the pack file says no other."""
    assert highest_voltage(pack) == pytest.approx(volts)


@pytest.mark.parametrize(("ohm", "stop"), [(40_000.0, True), (40_500.0, False), (0.0, True)])
def test_a_hundred_ohm_a_volt_are_asked_for(ohm: float, stop: bool) -> None:
    """UN Regulation No. 100, 5.1.3: 403.2 V ask for 40 320 ohm."""
    text = " ".join(insulation_text(the_pack(), Typed(insulation_ohm=ohm, instrument="M1")))
    assert ("stop, isolate, find it" in text) is stop
    assert "instrument: M1" in text and "500 where it is joined to an AC bus" in text
    assert insulation_text(the_pack(), Typed()) == ("Not measured, or not typed in. No log shows it.",)


def test_a_record_names_the_joints_with_what_is_known_of_them() -> None:
    told = Estimate("resistance_10s_relative", "ratio", cell=5, value=1.3, low=1.25, high=1.35)
    log = {
        "id": "a",
        "start": "2026-05-03T09:10:00Z",
        "end": "2026-05-03T10:10:00Z",
        "rows": 9,
        "kinds": ["drive"],
    }
    of = {"id": "wren-main", "vehicle": "Wren", "cells": 12}
    made = contents(a_pack(), Diagnosis(log, of, (told,), ()))
    assert [(j.name, j.tap_of, j.drop) for j in made.joints] == [
        ("F1 to F2", 5, "+30.0 % (+25.0 to +35.0)"),
        ("F2 to R3", 9, "not known"),
    ]
    assert made.kind == "Hand-over record" and made.not_tested[0].startswith(
        "Insulation resistance: no value"
    )
    previous = contents(a_pack(joint_in_tap_of="previous"), Diagnosis(log, of, (told,), ()))
    assert [(j.name, j.tap_of) for j in previous.joints] == [("F1 to F2", 4), ("F2 to R3", 8)]


# ---- what is not known --------------------------------------------------------------------------------------------


def test_reasons_that_are_one_but_for_the_cell_share_a_line() -> None:
    made = [
        refused("capacity", "Ah", f"the reading of cell {c} hardly moved", "A charge.", cell=c)
        for c in (1, 2, 3, 7)
    ]
    made.append(
        refused("capacity_relative", "ratio", "the reading of cell 1 hardly moved", "A drive.", cell=1)
    )
    one, other = unknowns(made)
    assert {one.cells, other.cells} == {(1, 2, 3, 7), (1,)}
    whole = next(u for u in (one, other) if len(u.cells) == 4)
    assert (
        whole.why == "the reading hardly moved"
        and whole.of(12) == "cells 1-3, 7"
        and whole.of(4) == "all 4 cells"
    )


def test_questions_of_one_reason_stand_together_with_all_that_would_settle_them() -> None:
    made = [
        refused("usable_charge", "Ah", "no charge in it", "A charge."),
        refused("balancing_time", "h", "no charge in it", "A whole charge."),
        refused("current_lag", "s", "no load in it", "A drive."),
    ]
    first, second = sorted(open_questions(made), key=lambda q: -len(q.titles))
    assert (
        len(first.titles) == 2
        and set(first.settle_by) == {"A charge.", "A whole charge."}
        and first.of == "the pack"
    )
    assert second.why == "no load in it"


# ---- what is printed ----------------------------------------------------------------------------------------------


def test_a_terminal_without_the_signs_gets_plain_letters() -> None:
    narrow = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    wide = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    assert able(narrow, "\u22125 \u00b1 1") == "-5 +- 1" and able(wide, "\u22125") == "\u22125"


def test_lines_are_wrapped_under_their_title_and_long_words_are_left_whole() -> None:
    text = part("Two", ["a b c d e f g h", "x" * 40], 12)
    assert text.splitlines()[:2] == ["Two", "---"]
    assert text.splitlines()[2:4] == ["  a b c d e", "    f g h"] and "x" * 40 in text
    assert part("Two", [], 12) == "" and titled("T", "b") == "T\n-\nb" and wrapped("a", "  ", 9) == "  a"


def test_a_file_is_written_whole_or_the_old_one_stays(tmp_path: Path) -> None:
    target = tmp_path / "out.txt"
    write_text(target, "one")
    write_text(target, "two, \u2212")
    assert target.read_text(encoding="utf-8") == "two, \u2212" and [p.name for p in tmp_path.iterdir()] == [
        "out.txt"
    ]
    with pytest.raises(
        BadInput, match=r"out\.txt: cannot be written .*; expected a file name in a folder that exists"
    ):
        write_text(tmp_path / "none" / "out.txt", "x")
    write_table(str(target), "a,b\r\n")
    assert target.read_bytes() == b"\xef\xbb\xbfa,b\r\n"
    write_json(str(target), {"a": "\u00e9"})
    assert json.loads(target.read_text(encoding="utf-8")) == {"a": "\u00e9"}


def test_standard_output_gets_one_answer_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    write_json("-", {"a": "\u00e9 \u2212"})
    out = capsys.readouterr()
    assert json.loads(out.out) == {"a": "\u00e9 \u2212"} and out.out.isascii() and out.err == ""
    write_table("-", "a,b\r\n1,-2\r\n")
    assert capsys.readouterr().out == "a,b\n1,-2\n"
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_json("-", {"a": float("nan")})
