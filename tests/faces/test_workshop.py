"""`check-loom`, `match` and the small tables that they read."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import BadInput
from bmslogs.base.results import Diagnosis, Estimate
from bmslogs.faces.commands.planning import bench_text
from bmslogs.faces.on_bench import bench_of
from bmslogs.faces.typed_table import read_table
from sample_logs import SAMPLES
from tests.faces.examples import WREN, diagnosis
from tests.faces.program import Program

HERON = SAMPLES / "heron-main.toml"


def readings(path: Path, volts: list[float]) -> Path:
    path.write_text(
        "cell,voltage_V\n" + "".join(f"{i},{v:.3f}\n" for i, v in enumerate(volts, 1)), encoding="utf-8"
    )
    return path


def test_a_sound_loom_has_no_objection_and_is_not_called_safe(bmslogs: Program, tmp_path: Path) -> None:
    file = readings(tmp_path / "r.csv", [3.650 + 0.001 * (i % 3) for i in range(16)])
    done = bmslogs("check-loom", file, "--pack", HERON, "--meter-total", "58.42")
    assert done.code == 0
    assert done.out.startswith("no objection found in these readings; the meter proves")
    assert "Not looked at" in done.out and "Touch test" in done.out
    assert "is safe" not in done.out and CAUTIONS[0][:30] in done.out


def test_swapped_taps_are_objected_to(bmslogs: Program, tmp_path: Path) -> None:
    # algebra: cells 3.30 3.31 3.32 with the taps after the first and second changed over read 6.61 -3.31 6.63
    volts = [3.30, 6.61, -3.31, 6.63, *[3.32] * 12]
    done = bmslogs("check-loom", readings(tmp_path / "r.csv", volts), "--pack", HERON, "--json", "-")
    assert done.code == 1
    report = json.loads(done.out)
    assert "swapped_taps" in [one["kind"] for one in report["objections"]]
    assert report["cautions"] == list(CAUTIONS)


def test_a_missing_cell_and_a_wrong_sum_are_objected_to(bmslogs: Program, tmp_path: Path) -> None:
    file = readings(tmp_path / "r.csv", [3.65] * 15)
    assert json.loads(bmslogs("check-loom", file, "--pack", HERON, "--json", "-").out)["objections"]
    whole = readings(tmp_path / "w.csv", [3.65] * 16)
    wrong = bmslogs("check-loom", whole, "--pack", HERON, "--meter-total", "62.0", "--json", "-")
    assert "sum" in [one["kind"] for one in json.loads(wrong.out)["objections"]]


def test_a_parked_log_serves_as_readings(bmslogs: Program, sample_store: Path) -> None:
    log = next(
        one["id"]
        for one in json.loads(bmslogs("logs", "--store", sample_store, "--json", "-").out)["logs"]
        if one["source"].startswith("plover-3")
    )
    done = bmslogs("check-loom", log, "--pack", "plover-main", "--store", sample_store)
    assert done.code == 0, done.out + done.err


def test_a_plan_names_the_charge_that_a_drive_leaves_open(bmslogs: Program, built_store: Path) -> None:
    done = bmslogs("plan", "20260509", "--store", built_store, "--json", "-")
    assert done.code == 0, done.err
    document = json.loads(done.out)
    charge = next(step for step in document["steps"] if step["candidate"]["key"] == "charge")
    assert "charge_to_full" in [one["quantity"] for one in charge["expected"]]
    work = [step["candidate"]["hands_h"] for step in document["steps"]]
    assert work
    text = bmslogs("plan", "20260509", "--store", built_store).out
    assert "1. " in text and CAUTIONS[0][:30] in text
    assert bmslogs("plan", "20200101", "--store", built_store).code == 2


def lacking(ampere_hours: dict[int, float]) -> Diagnosis:
    """Return a diagnosis that knows only what each cell lacks to full [Ah]."""
    known = [
        Estimate("charge_to_full", "Ah", cell=c, value=v, low=v, high=v) for c, v in ampere_hours.items()
    ]
    return dataclasses.replace(diagnosis(), estimates=tuple(known))


def test_a_low_module_is_offered_the_bench_and_a_single_low_cell_is_not() -> None:
    # Ohm's law: 3 Ah through 33 ohm at 4.1 V are 24.1 h; the two cells that lack less set the fullest level
    pack = WREN.model_copy(update={"bleed_resistor_ohm": 33.0})
    module = bench_of(lacking({1: 0.0, 2: 0.1, 3: 0.0, 4: 3.2, 5: 3.1, 6: 3.3}), pack)
    assert module is not None
    assert [one.name for one in module.charges] == ["F2"]
    assert module.charges[0].charge == pytest.approx(3.1)
    assert "F2 (cells 4-6): 3.10 Ah" in bench_text(module)
    assert bench_of(lacking({1: 0.0, 2: 0.1, 3: 0.0, 4: 0.1, 5: 3.3, 6: 0.2}), pack) is None
    assert bench_of(lacking({1: 0.0, 2: 0.1, 3: 0.0, 4: 0.4, 5: 0.5, 6: 0.4}), pack) is None
    assert bench_of(dataclasses.replace(diagnosis(), estimates=()), pack) is None


HEAD = "name,rest_voltage_V,capacity_Ah,capacity_half_width_Ah"


def test_matching_beats_the_order_of_arrival_and_says_by_how_much(bmslogs: Program, tmp_path: Path) -> None:
    file = tmp_path / "m.csv"
    capacities = [90, 110, 91, 109, 92, 108, 93, 107]
    file.write_text(
        "\n".join([HEAD, *(f"c{i},3.6,{q},0.2" for i, q in enumerate(capacities))]), encoding="utf-8"
    )
    done = bmslogs("match", file, "--series", "4", "--strings", "2", "--json", "-")
    assert done.code == 0, done.err
    plan = json.loads(done.out)
    # by hand: arrival gives 90 + 92; the four large ones together give 90 + 107
    assert plan["usable_as_arrived"] == pytest.approx(182, abs=0.5)
    assert plan["usable"] == pytest.approx(197, abs=0.5)
    assert plan["gain_low"] <= plan["gain"] <= plan["gain_high"]
    text = bmslogs("match", file, "--series", "4", "--strings", "2").out
    assert "String 2" in text and "against the order of arrival +1" in text


def test_lots_that_cannot_be_told_apart_stay_as_they_came(bmslogs: Program, tmp_path: Path) -> None:
    file = tmp_path / "m.csv"
    file.write_text("\n".join([HEAD, *(f"c{i},3.6,{100 + i % 2},5" for i in range(8))]), encoding="utf-8")
    plan = json.loads(bmslogs("match", file, "--series", "4", "--strings", "2", "--json", "-").out)
    assert plan["sorted_by"] == []
    assert plan["notes"]


def test_a_cell_below_its_limit_is_set_apart(bmslogs: Program, tmp_path: Path) -> None:
    file = tmp_path / "m.csv"
    rows = [f"c{i},{1.9 if i == 3 else 3.6},{100 + i},0.2" for i in range(5)]
    file.write_text("\n".join([HEAD, *rows]), encoding="utf-8")
    plan = json.loads(bmslogs("match", file, "--series", "4", "--json", "-").out)
    assert [name for name, _ in plan["apart"]] == ["c3"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty file"),
        ("cell,volt\n1,3.3\n", "no column voltage_V"),
        ("cell,voltage_V,what\n1,3.3,x\n", "column 'what'"),
        ("cell,voltage_V\n1,high\n", "line 2, column voltage_V: 'high'"),
        ("cell,voltage_V\n1,\n", "line 2, column voltage_V: nothing"),
        ("cell,voltage_V\n0,3.3\n", "line 2, column cell: cell 0"),
        ("cell,voltage_V\n1,3.3\n1,3.3\n", "line 3, column cell: cell 1 twice"),
        ("cell,voltage_V\n1,3.3,9\n", "line 2: 3 cells"),
        ("cell,voltage_V\n5000,3.3\n", "cell 5000"),
    ],
)
def test_a_bad_table_is_one_line_with_its_place(
    bmslogs: Program, tmp_path: Path, text: str, said: str
) -> None:
    (tmp_path / "r.csv").write_text(text, encoding="utf-8")
    done = bmslogs("check-loom", tmp_path / "r.csv", "--pack", HERON)
    assert done.code == 2 and done.out == ""
    assert done.err.startswith("r.csv: ") and said in done.err and len(done.err.splitlines()) == 1


def test_semicolons_and_decimal_commas_are_read(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("\ufeffcell;voltage_V\r\n1;3,301\r\n\r\n2;3,302\r\n", encoding="utf-8")
    rows = read_table(tmp_path / "t.csv", ("cell", "voltage_V"))
    assert [row.number("voltage_V") for row in rows] == [3.301, 3.302]
    assert [row.line for row in rows] == [2, 4]
    with pytest.raises(BadInput, match="no such file"):
        read_table(tmp_path / "none.csv", ("cell",))
