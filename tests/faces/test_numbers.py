"""Numbers, signs, units and dates as people write them; what is said of bounds; packs side by side in text."""

from __future__ import annotations

import math
from typing import Any

import pytest

from bmslogs.base.results import Estimate, Finding
from bmslogs.faces.comparison_text import bleeding_lines, comparison_text, reference_text
from bmslogs.faces.figures.words import (
    conditions_line,
    plain_words,
    safe,
    say_bound,
    say_estimate,
    say_size,
    short_place,
    shown,
    title_of,
)
from bmslogs.faces.numbers import cells_named, decimals, interval, number, ranges, two_digits
from bmslogs.faces.signs import dated, grouped, outside_code, plain_minus, true_minus, united, written
from bmslogs.faces.text import size_text, summary
from bmslogs.findings.compare import (
    Change,
    Compared,
    Comparison,
    Difference,
    PackValue,
    PositionEffect,
    Trend,
)
from bmslogs.findings.compare.shape import BleedDifference, Bleeding, BleedRate
from tests.findings.by_hand import a_pack

M = "\u2212"

# ---- digits -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("half", "places"),
    [
        (123.0, 0),
        (12.0, 0),
        (1.2, 1),
        (0.99, 2),
        (0.12, 2),
        (0.0123, 3),
        (1e-9, 6),
        (0.0, 3),
        (math.inf, 3),
        (-1.0, 3),
    ],
)
def test_two_digits_of_the_half_width_are_kept(half: float, places: int) -> None:
    """0.12 is two digits in the second place, 0.99 too; no more than six are ever written."""
    assert decimals(half) == places


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (1.2345, 1.21, 1.26, "1.234 mohm (1.210 to 1.260)"),
        (1.2345, 1.1, 1.4, "1.23 mohm (1.10 to 1.40)"),
        (1.2345, 0.2, 2.3, "1.2 mohm (0.2 to 2.3)"),
        (123.45, 100.0, 150.0, "123 mohm (100 to 150)"),
        (-0.04, -0.3, 0.2, f"{M}0.04 mohm ({M}0.30 to 0.20)"),
        (-0.001, -0.3, 0.3, f"0.00 mohm ({M}0.30 to 0.30)"),
        (1.0, 1.0, 1.0, "1.000 mohm (1.000 to 1.000)"),
    ],
)
def test_an_interval_is_written_with_the_digits_it_allows(
    value: float, low: float, high: float, text: str
) -> None:
    assert interval(value, low, high, "mohm") == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0 A"),
        (1.23456, "1.23 A"),
        (123456.0, "123456 A"),
        (0.000123456, "0.000123 A"),
        (-12.345, f"{M}12.3 A"),
    ],
)
def test_without_bounds_three_digits_stand(value: float, text: str) -> None:
    assert interval(value, None, None, "A") == text


def test_bounds_that_turn_round_with_their_unit_stay_in_order() -> None:
    assert interval(-0.03, -0.04, -0.02, "%", factor=-100.0) == "3.0 % (2.0 to 4.0)"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0123, "0.012"),
        (0.99, "0.99"),
        (0.996, "1.00"),
        (12.6, "13"),
        (1234.0, "1234"),
        (0.0, "0"),
        (-0.0512, f"{M}0.051"),
    ],
)
def test_a_bound_has_two_digits(value: float, text: str) -> None:
    assert two_digits(value) == text


def test_nought_has_no_minus_and_a_plus_only_where_it_is_asked_for() -> None:
    assert number(-0.0001, 2) == "0.00" and number(-0.0001, 2, sign=True) == "+0.00"
    assert number(0.5, 0) == "0" and number(-1.5, 1, sign=True) == f"{M}1.5"


@pytest.mark.parametrize(
    ("cells", "total", "text"),
    [
        ([5], None, "cell 5"), ([5, 5], None, "cell 5"), ([3, 1, 2, 7], None, "cells 1-3, 7"),
        ([1, 2], 2, "all 2 cells"), ([1], 1, "cell 1"), ([], None, "cells "), ([1, 3], 3, "cells 1, 3"),
    ],
)  # fmt: skip
def test_cells_are_named_shortly(cells: list[int], total: int | None, text: str) -> None:
    assert cells_named(cells, total) == text
    assert ranges(cells) == text.partition(" ")[2] or text.startswith("all")


# ---- signs --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plain", "text"),
    [
        ("-5 to -3", f"{M}5 to {M}3"),
        ("at -.5 V, (-3)", f"at {M}.5 V, ({M}3)"),
        ("3 +- 0.2", "3 \u00b1 0.2"),
        ("cells 1-4, heron-main, 2026-05-03", "cells 1-4, heron-main, 2026-05-03"),
        ("F-2 and 'x-1'", "F-2 and 'x-1'"),
        ("a - b", "a - b"),
    ],
)
def test_a_minus_before_a_number_is_one_and_a_hyphen_is_not(plain: str, text: str) -> None:
    assert true_minus(plain) == text
    assert plain_minus(text) == plain


@pytest.mark.parametrize(
    ("plain", "text"),
    [
        ("1.2 mohm, 33 ohm, 5 kohm, 2 Mohm", "1.2 m\u03a9, 33 \u03a9, 5 k\u03a9, 2 M\u03a9"),
        ("20 degC", "20 \u00b0C"),
        ("2.00 mK per A^2", "2.00 K per 1000 A\u00b2"),
        ("resistance_ohm of Mohmar", "resistance_ohm of Mohmar"),
    ],
)
def test_units_as_the_trade_writes_them(plain: str, text: str) -> None:
    assert united(plain) == text


@pytest.mark.parametrize(
    ("plain", "text"),
    [
        ("since 2026-05-03.", "since 3 May 2026."),
        ("2026-05-03T09:10", "2026-05-03T09:10"),
        ("20260503-0910-x, log-2026-05-03.csv", "20260503-0910-x, log-2026-05-03.csv"),
        ("2026-13-03 2026-02-39", "2026-13-03 2026-02-39"),
    ],
)
def test_dates_by_themselves_are_written_as_dates(plain: str, text: str) -> None:
    assert dated(plain) == text


def test_what_is_to_be_typed_is_left_as_it_is_typed() -> None:
    text = "at -5 degC type `--at -5 degC`\n```\nx = -5  # ohm\n```\nand 2026-05-03"
    assert (
        outside_code(text) == f"at {M}5 \u00b0C type `--at -5 degC`\n```\nx = -5  # ohm\n```\nand 3 May 2026"
    )
    assert outside_code(None) is None and written("-1 ohm") == f"{M}1 \u03a9"
    assert grouped(1234567.4) == "1\u202f234\u202f567"


# ---- estimates and findings ---------------------------------------------------------------------------------------


def test_ratios_are_shown_as_what_they_differ_by() -> None:
    one = Estimate("resistance_10s_relative", "ratio", cell=5, value=1.24, low=1.22, high=1.26)
    assert shown(one) == pytest.approx((24.0, 22.0, 26.0))
    assert say_estimate(one) == "+24.0 % (+22.0 to +26.0)"
    ohms = Estimate("resistance_10s", "ohm", cell=5, value=1.23e-3, low=1.21e-3, high=1.25e-3)
    assert say_estimate(ohms) == "1.230 mohm (1.210 to 1.250)"
    assert shown(Estimate("capacity", "Ah", cell=1, value=math.nan, low=1.0, high=2.0)) is None


@pytest.mark.parametrize(
    ("quantity", "bounds", "text"),
    [
        ("capacity_relative", {"high": 0.82}, "at least 18 % less"),
        ("capacity_relative", {"low": 1.05}, "at least 5.0 % more"),
        ("capacity_relative", {"high": 1.05}, "at most 5.0 %"),
        ("capacity", {"low": 81.3}, "at least 81 Ah"),
        ("capacity", {"high": 81.3}, "at most 81 Ah"),
        ("leak_current_relative", {"low": 0.0052}, "at least 5.2 mA more"),
    ],
)
def test_a_bound_is_said_with_its_direction(quantity: str, bounds: dict[str, float], text: str) -> None:
    e = Estimate(quantity, "", cell=1, status="bounded", why="flat", settle_by="A charge.", **bounds)
    assert say_bound(e) == say_estimate(e) == text


@pytest.mark.parametrize(
    ("finding", "text"),
    [
        (("capacity_low", -0.12, None, -0.12), "at least 12 % less than the pack's middle"),
        (("self_discharge_high", 0.03, 0.03, None), "at least 30 mA more"),
        (("joint_resistance_high", 1.6e-3, 1.5e-3, 1.7e-3), "+1.60 mohm (+1.50 to +1.70)"),
        (("soc_offset_low", -0.03, -0.032, -0.028), f"{M}3.00 % of charge ({M}3.20 to {M}2.80)"),
    ],
)
def test_a_size_is_said_in_the_trade_s_unit(finding: Any, text: str) -> None:
    cause, size, low, high = finding
    unit = {
        "capacity_low": "fraction of pack median",
        "self_discharge_high": "A",
        "joint_resistance_high": "ohm",
    }
    one = Finding(
        cause, "look", "s", cells=(5,), size=size, low=low, high=high, unit=unit.get(cause, "fraction")
    )
    assert size_text(one) == text
    assert say_size(one).split()[0] == text.split()[0]


def test_a_size_of_another_unit_than_its_cause_s_keeps_its_own() -> None:
    """A temperature limit is passed by kelvins, not by volts."""
    one = Finding(
        "limit_exceeded", "act", "s", cells=(), size=3.0, low=2.5, high=3.5, unit="degC", sensor="T1"
    )
    assert size_text(one) == "+3.00 degC (+2.50 to +3.50)"


def test_one_line_a_quantity_has_its_middle_and_its_ends() -> None:
    """Of 1.0, 1.1, 1.4 mohm the middle is 1.1."""
    ohms = [
        Estimate("resistance_10s", "ohm", cell=c, value=v, low=v - 1e-5, high=v + 1e-5)
        for c, v in ((1, 1.1e-3), (2, 1.4e-3), (3, 1.0e-3))
    ]
    line = summary("resistance_10s", ohms)
    assert line.endswith("middle 1.100 mohm; lowest 1.000 mohm (0.990 to 1.010), cell 3; "
                         "highest 1.400 mohm (1.390 to 1.410), cell 2")  # fmt: skip


def test_words_for_keys_and_conditions() -> None:
    told = plain_words("resistance_10s of cell 5 in 20260503-0910-0123456789ab: 1.2 +- 0.1")
    assert told == f"{title_of('resistance_10s')} of cell 5 in 2026-05-03: 1.2 \u00b1 0.1"
    at = {
        "temperature_C": -3.25,
        "soc_low": 0.4,
        "soc_high": 0.8,
        "current_rms_A": 61.7,
        "full": "leading_cell",
    }
    assert conditions_line(at) == f"{M}3.2 degC, 40 to 80 % charge, 62 A rms, full = the leading cell's end"
    assert conditions_line({"soc_low": 0.5, "soc_high": 0.5}) == "50 % charge" and conditions_line({}) == ""
    assert short_place(a_pack(), 6) == "F2, cell 6" and safe("<b>&") == "&lt;b&gt;&amp;"


# ---- packs side by side -------------------------------------------------------------------------------------------


def compared(**more: Any) -> Comparison:
    packs = (PackValue("heron-main", 1.0e-3, 0.9e-3, 1.1e-3, 3), PackValue("wren-main", None, None, None, 0))
    one = Compared(
        "resistance_10s",
        False,
        packs,
        reference={"temperature_C": 20.0},
        why_not="wren-main: the current hardly moved",
    )
    return Comparison(quantities=(one,), **more)


def test_what_is_known_stands_beside_what_is_not_and_why() -> None:
    text = comparison_text(compared(), width=110)
    assert "heron-main: 1.00 mohm (0.90 to 1.10), 3 logs" in text
    assert "wren-main: not known" in text and "not comparable: wren-main: the current hardly moved" in text
    assert "Cautions" in text and "Packs that differ" not in text


def test_differences_places_and_trends_are_said_with_their_interval() -> None:
    text = comparison_text(
        compared(
            differences=(
                Difference("resistance_10s", "heron-main", "wren-main", 1.31, 1.19, 1.43),
                Difference("capacity", "heron-main", "wren-main", 1.01, 0.95, 1.07),
            ),
            positions=(PositionEffect("F1", "heating", 0.12, 0.05, 0.19, "suggests", 3, "two-box"),),
            trends=(Trend("heron-main", "capacity", 5, -0.04, -0.05, -0.03, 6, "2026-01-01", "2026-06-01"),),
            events=("heron-main: 2026-05-03 joint remade (F2)",),
            notes=("names do not tell",),
        ),
        width=140,
    )
    assert "heron-main against wren-main +31 % (+19 to +43)" in text
    assert "0.95" not in text  # an interval that holds one is no difference
    assert "3 vehicles of design two-box suggest that F1 +12.0 % (+5.0 to +19.0)" in text
    assert (
        f"heron-main, cell 5 {M}4.0 % ({M}5.0 to {M}3.0) a year, 6 logs from 2026-01-01 to 2026-06-01" in text
    )
    assert "joint remade (F2)" in text and "names do not tell" in text


def test_changes_are_told_cell_by_cell_and_the_rest_together() -> None:
    changes = tuple(
        Change(c, "resistance_10s", r, r - 0.02, r + 0.02, found, r, new)
        for c, r, found, new in (
            (1, 1.0, False, False),
            (2, 0.8, True, False),
            (3, 1.0, False, True),
            (4, 1.01, False, False),
        )
    )
    text = comparison_text(compared(changes=changes), width=140)
    assert f"cell 2: {title_of('resistance_10s')} {M}20.0 % ({M}22.0 to {M}18.0)" in text
    assert "cell 3:" in text and "another cell sits there since" in text
    assert f"cells 1, 4: {title_of('resistance_10s')} unchanged within what the logs can tell" in text
    assert "nothing could be paired" in comparison_text(compared(changes=()), width=140)


def test_bleeding_is_said_a_week() -> None:
    rates = (
        BleedRate("heron-main", 0.4, 0.35, 0.45, 12, 6.0, 3.0, ()),
        BleedRate("wren-main", None, None, None, 2, None, None, (), why_not="2 logs"),
    )
    lines = bleeding_lines(
        Bleeding(
            False,
            rates,
            (BleedDifference("heron-main", "wren-main", 0.5, 0.4, 0.6),),
            why_not="wren-main: 2 logs",
        )
    )
    assert (
        lines[0] == "heron-main: 0.400 Ah (0.350 to 0.450) a week over 6.0 weeks, 12 logs, 3 h logged a week"
    )
    assert lines[1] == "wren-main: not known"
    assert lines[2] == "heron-main against wren-main: +0.50 Ah (+0.40 to +0.60) a week"
    assert lines[3] == "not comparable: wren-main: 2 logs" and bleeding_lines(None) == []


def test_conditions_of_a_comparison_in_words() -> None:
    at = {"temperature_C": 19.6, "soc_low": 0.5, "soc_high": 0.82, "current_rms_C": 0.612}
    assert reference_text(at) == "20 degC, 50 to 82 % charge, 0.61 C rms"
    assert reference_text({"soc_low": 0.5}) == ""
