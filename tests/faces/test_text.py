"""Terminal text and the spreadsheet table: order, digits, and nothing that a spreadsheet would run."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.results import Estimate, Finding
from bmslogs.faces.numbers import cells_named, interval, ranges
from bmslogs.faces.spreadsheet import COLUMNS, diagnosis_csv, harmless
from bmslogs.faces.text import diagnosis_text
from bmslogs.faces.unknown import unknowns
from tests.faces.examples import WREN, diagnosis


@pytest.mark.parametrize(
    ("args", "shown"),
    [
        # two digits of the uncertainty: JCGM 100:2008 (GUM) 7.2.6, and its example H.1 (from memory):
        # 50 000 838 nm with U = 93 nm
        ((50_000_838.4, 50_000_745.2, 50_000_931.6, "nm", 1.0), "50000838 nm (50000745 to 50000932)"),
        ((0.0012332, 0.0012132, 0.0012532, "mohm", 1e3), "1.233 mohm (1.213 to 1.253)"),
        ((0.24, 0.22, 0.26, "%", 100.0), "24.0 % (22.0 to 26.0)"),
        ((-0.00001, -0.02, 0.02, "A", 1.0), "0.000 A (−0.020 to 0.020)"),
        ((27.123, None, None, "h", 1.0), "27.1 h"),
    ],
)
def test_numbers_have_the_digits_that_the_interval_allows(
    args: tuple[float, float, float, str, float], shown: str
) -> None:
    value, low, high, unit, factor = args
    assert interval(value, low, high, unit, factor=factor) == shown


@given(st.sets(st.integers(1, 200), min_size=1))
def test_ranges_name_exactly_the_numbers(numbers: set[int]) -> None:
    named: set[int] = set()
    for part in ranges(numbers).split(", "):
        first, _, last = part.partition("-")
        named |= set(range(int(first), int(last or first) + 1))
    assert named == numbers


def test_cells_are_named_as_people_would() -> None:
    assert cells_named([5]) == "cell 5"
    assert cells_named([4, 1, 2, 3, 7]) == "cells 1-4, 7"
    assert cells_named(range(1, 17), 16) == "all 16 cells"


def test_the_text_says_sentence_size_place_evidence_next_then_the_unknown_then_cautions() -> None:
    text = diagnosis_text(diagnosis(), WREN, width=100)
    wanted = [
        "Wren, pack wren-main, 6 cells in series",
        "2026-05-03 09:10 to 2026-05-03 10:10 UTC, 3600 rows, drive, rest",
        "ACT (before it is used again): Cell resistance high",
        "drops 24 % more voltage",
        "+24.0 % of the pack's middle (+22.0 to +26.0)",
        "front box, module F2, cell 5",
        "resistance_10s of cell 5",
        "1. Do not ask for full power.",
        "2. Measure the drop",
        "What could be determined",
        "lowest 0.990 mohm (0.970 to 1.010), cell 3",
        "highest 1.240 mohm (1.220 to 1.260), cell 5",
        "What this log cannot tell",
        "(all 6 cells): SOC offset is not determinable",
        "Charge to the knee",
        "2 rows whose time repeated",
        CAUTIONS[0][:40],
        CAUTIONS[-1][:40],
    ]
    at = 0
    for part in wanted:
        found = text.find(part, at)
        assert found >= 0, f"{part!r} is missing or out of order in\n{text}"
        at = found
    assert max(map(len, text.splitlines())) <= 100


def test_no_finding_is_not_a_clearance() -> None:
    text = diagnosis_text(diagnosis(findings=()), WREN, width=100)
    assert "for nothing else" in text
    assert "safe" not in text.lower().replace("safest", "")


def test_one_reason_is_one_line_however_many_cells_share_it() -> None:
    groups = unknowns(diagnosis().estimates)
    assert len(groups) == 1
    assert groups[0].cells == (1, 2, 3, 4, 5, 6)


FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx", "=cmd|' /C calc'!A0"]  # OWASP, "CSV Injection"


@pytest.mark.parametrize("text", FORMULAS)
def test_text_that_a_spreadsheet_would_run_is_made_harmless(text: str) -> None:
    assert str(harmless(text)).startswith("'")
    table = diagnosis_csv(diagnosis(name=text))
    rows = list(csv.DictReader(io.StringIO(table, newline="")))
    assert {row["vehicle"] for row in rows} == {"'" + text}


def test_numbers_stay_numbers_the_negative_ones_too() -> None:
    leak = Finding(
        "soc_offset_low", "look", "low", cells=(3, 4), size=-0.02, low=-0.03, high=-0.01, unit="fraction"
    )
    rows = list(csv.DictReader(io.StringIO(diagnosis_csv(diagnosis(findings=(leak,))), newline="")))
    assert tuple(rows[0]) == COLUMNS
    assert (rows[0]["kind"], rows[0]["value"], rows[0]["cells"]) == ("finding", "-0.02", "cells 3-4")
    zero = next(row for row in rows if row["name"] == "current_zero")
    assert [float(zero[k]) for k in ("value", "low", "high")] == [-0.12, -0.16, -0.08]
    unknown = next(row for row in rows if row["status"] == "not_determinable")
    assert unknown["value"] == "" and unknown["says"] and unknown["next_or_settle_by"]


def test_an_estimate_of_an_unknown_name_does_not_stop_the_text() -> None:
    made = diagnosis()
    odd = type(made)(
        **{**made.__dict__, "estimates": (Estimate("new_one", "ohm", value=1.0, low=0.9, high=1.1),)}
    )
    assert "Wren" in diagnosis_text(odd, None, width=80)
