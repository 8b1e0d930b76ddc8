"""Dated work and what it touches, readings that take no part, references that packs share, slopes, repairs."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from bmslogs.base.pack import Event
from bmslogs.base.results import Diagnosis, Finding
from bmslogs.findings.compare import compare_before_after, compare_packs
from bmslogs.findings.compare.measured import cells_of, measured, touches
from bmslogs.findings.compare.reduction import find_reference, reduced
from bmslogs.findings.compare.trend import slope_per_year
from tests.findings.by_hand import a_pack
from tests.findings.compare.answered import CELLS, a_log


def event(kind: str, where: str | None, date: str = "2026-03-10") -> Event:
    return Event(date=dt.date.fromisoformat(date), kind=kind, where=where)


# ---- where work was done ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "where", "cells"),
    [
        ("module swapped", "F2", (5, 6, 7, 8)),
        ("module swapped", "front", (1, 2, 3, 4, 5, 6, 7, 8)),
        ("module swapped", "cell 9", (9,)),
        ("module swapped", "Cell 9", (9,)),
        ("module swapped", "9", (9,)),
        ("module swapped", None, tuple(range(1, 13))),
        ("module swapped", "the lid", ()),
        ("module swapped", "cell", ()),
        ("joint remade", "F2", (5, 6, 7, 8, 9)),  # its own link in cell 5, the next module's in cell 9
        ("joint remade", "F1", (1, 2, 3, 4, 5)),
        ("joint remade", "R3", (9, 10, 11, 12)),
        ("joint remade", "5", (5,)),
    ],
)
def test_the_cells_that_work_touched(kind: str, where: str | None, cells: tuple[int, ...]) -> None:
    """Links lie in the taps of cells 5 and 9, the first ones of F2 and R3."""
    assert cells_of(event(kind, where), a_pack()) == cells


def test_links_in_the_taps_of_the_previous_cells_are_touched_with_their_module() -> None:
    """Then the link from F1 to F2 is that of cell 4, and a joint remade at F2 may be that one."""
    assert cells_of(event("joint remade", "F2"), a_pack(joint_in_tap_of="previous")) == (4, 5, 6, 7, 8)


@pytest.mark.parametrize(
    ("kind", "changes", "leaves"),
    [
        ("joint remade", ("resistance_10s", "resistance_10s_relative"), ("capacity", "soc_offset")),
        ("sense wire moved", ("resistance_10s",), ("capacity_relative",)),
        ("bench charged", ("soc_offset", "charge_to_full"), ("capacity", "resistance_10s")),
        ("module swapped", ("capacity", "heating", "leak_current_relative"), ()),
        ("other", (), ("resistance_10s", "capacity", "soc_offset")),
    ],
)
def test_what_each_kind_of_work_changes(kind: str, changes: tuple[str, ...], leaves: tuple[str, ...]) -> None:
    assert all(touches(event(kind, "F2"), q) for q in changes)
    assert not any(touches(event(kind, "F2"), q) for q in leaves)


def test_readings_from_before_work_are_left_out_where_it_was_done_and_kept_elsewhere() -> None:
    pack = a_pack().model_copy(update={"events": (event("module swapped", "F2"),)})
    m = measured("resistance_10s", [a_log(20, [1.0] * 12), a_log(0, [2.0] * 12)], pack)
    assert [s.day for s in m.start] == [1, 21]  # oldest first
    assert np.isnan(m.value[0, 4:8]).all() and (m.value[0, [0, 3, 8, 11]] == 2.0).all()
    assert (m.value[1] == 1.0).all()


def test_the_heating_of_a_swapped_module_s_sensor_begins_anew() -> None:
    pack = a_pack().model_copy(update={"events": (event("module swapped", "F2"),)})
    names = ("TF1", "TF2", "TR3")
    logs = [
        a_log(d, v, "heating", "K/A^2", sensors=names) for d, v in ((0, [1e-4, 9e-4, 1e-4]), (20, [1e-4] * 3))
    ]
    m = measured("heating", logs, pack)
    assert np.isnan(m.value[0]).tolist() == [False, True, False]


def test_work_of_the_same_day_came_before_the_log() -> None:
    pack = a_pack().model_copy(update={"events": (event("module swapped", "F2", "2026-03-01"),)})
    assert np.isfinite(measured("resistance_10s", [a_log(0, [1.0] * 12)], pack).value).all()


def test_where_all_logs_are_from_before_the_work_that_is_the_reason() -> None:
    pack = a_pack().model_copy(update={"events": (event("module swapped", None),)})
    m = measured("resistance_10s", [a_log(0, [1.0] * 12)], pack)
    assert "from before the work of 2026-03-10: module swapped" in m.refusal
    assert "A log like those, taken since then, would settle it" in m.refusal


def test_a_cell_whose_wire_is_blamed_takes_no_part_in_that_log_only() -> None:
    wrong = Finding("tap_open", "act", "A wire is off.", cells=(3, 4))
    m = measured("resistance_10s", [a_log(0, [1.0] * 12, findings=[wrong]), a_log(9, [1.0] * 12)], a_pack())
    assert np.isnan(m.value[0]).tolist() == [False, False, True, True, *[False] * 8]
    assert np.isfinite(m.value[1]).all()


def test_a_log_tells_where_half_of_the_cells_are_known() -> None:
    half = [1.0] * 6 + [np.nan] * 6
    m = measured("resistance_10s", [a_log(0, half), a_log(9, half[:5] + [np.nan] * 7)], a_pack())
    assert m.telling.tolist() == [True, False]


# ---- one reference for all packs ----------------------------------------------------------------------------------


def table(*packs: list[Diagnosis], quantity: str = "resistance_10s") -> Any:
    names = ("heron-main", "wren-main", "knot-main")
    return [measured(quantity, logs, a_pack(id=name)) for name, logs in zip(names, packs, strict=False)]


def test_the_reference_lies_within_five_kelvin_of_every_pack_and_at_twenty_where_it_can() -> None:
    at = find_reference(
        table([a_log(0, [1.0] * 12, temperature_C=16.0)], [a_log(0, [1.0] * 12, temperature_C=22.0)])
    )
    assert at.usable == (True, True) and 17.0 <= at.temperature_C <= 21.0
    at = find_reference(
        table([a_log(0, [1.0] * 12, temperature_C=2.0)], [a_log(0, [1.0] * 12, temperature_C=10.0)])
    )
    assert at.usable == (True, True) and 5.0 <= at.temperature_C <= 7.0


def test_of_three_packs_the_one_far_off_is_named_with_what_would_do() -> None:
    at = find_reference(table(*([a_log(0, [1.0] * 12, temperature_C=t)] for t in (18.0, 22.0, 45.0))))
    assert at.usable == (True, True, False)
    assert at.why_not[2] is not None
    assert "knot-main: its logs lie at 45 to 45 degC" in at.why_not[2] and "would settle it" in at.why_not[2]


def test_the_band_of_charge_is_what_all_share() -> None:
    at = find_reference(
        table(
            [a_log(0, [1.0] * 12, soc_low=0.3, soc_high=0.7)],
            [a_log(0, [1.0] * 12, soc_low=0.5, soc_high=0.9)],
        )
    )
    assert (at.soc_low, at.soc_high) == (0.5, 0.7)
    bands = ((0.5, 0.8), (0.55, 0.85), (0.05, 0.25))
    at = find_reference(table(*([a_log(0, [1.0] * 12, soc_low=a, soc_high=b)] for a, b in bands)))
    assert at.usable == (True, True, False) and "5 to 25 % charge" in str(at.why_not[2])


@pytest.mark.parametrize(("amps", "alike"), [(60.0, True), (110.0, True), (130.0, False), (25.0, False)])
def test_loads_within_a_factor_of_two_are_compared(amps: float, alike: bool) -> None:
    at = find_reference(table([a_log(0, [1.0] * 12)], [a_log(0, [1.0] * 12, current_rms_A=amps)]))
    assert all(at.usable) is alike
    assert alike or "a drive of like load would settle it" in str(at.why_not[0])


def test_what_a_load_unlike_the_others_makes_widens_the_value() -> None:
    """d ln R / d ln I of a fifth: at 1.22 times the middle's load 4 %, and 2 % of gain, in squares."""
    packs = table([a_log(0, [1e-3] * 12)], [a_log(0, [1e-3] * 12, current_rms_A=90.0)])
    at = find_reference(packs)
    one = reduced(packs[1], at)
    gain = 1.96 * 0.01
    assert at.current_rms_C == pytest.approx(np.sqrt(60.0 * 90.0) / 100.0)
    assert one.systematic == pytest.approx(np.hypot(gain, 0.2 * np.log(np.sqrt(1.5))), rel=0.05)
    assert one.half_width >= one.systematic * one.median


def test_the_gain_of_a_calibrated_sensor_is_what_the_pack_file_says() -> None:
    packs = [
        measured(
            "capacity", [a_log(0, [100.0] * 12, "capacity", "Ah", half=1e-5)], a_pack(current_accuracy=a)
        )
        for a in (0.001, 0.02)
    ]
    at = find_reference(packs)
    assert [reduced(m, at).systematic for m in packs] == [
        pytest.approx(1.96 * 0.001),
        pytest.approx(1.96 * 0.02),
    ]


# ---- slopes -------------------------------------------------------------------------------------------------------


def test_a_slope_per_year_is_that_of_linregress_on_the_logarithm() -> None:
    """Equal weights: slope and p-value of scipy's linregress, the interval no narrower."""
    days = np.array([0.0, 40.0, 80.0, 120.0, 200.0])
    value = np.exp(0.2 * days / 365.25) * np.array([1.0, 1.02, 0.99, 1.01, 1.0])
    got = slope_per_year(days, value, 0.002 * value)
    assert got is not None
    right = stats.linregress(days / 365.25, np.log(value))
    assert_allclose(got[0], right.slope, rtol=1e-9)
    assert_allclose(got[1], stats.t.ppf(0.975, 3) * right.stderr, rtol=1e-9)
    assert_allclose(got[2], right.pvalue, rtol=1e-9)


def test_logs_that_agree_better_than_they_say_keep_their_own_intervals() -> None:
    """Five values on one line, each said to 2 %: the standard error is that of the intervals, 0.0102 / sqrt(sxx)."""
    days = np.array([0.0, 50.0, 100.0, 150.0, 200.0])
    got = slope_per_year(days, np.ones(5), 0.02 * np.ones(5))
    assert got is not None
    x = days / 365.25
    se = (0.02 / 1.96) / np.sqrt(((x - x.mean()) ** 2).sum())
    assert_allclose(got[1], stats.t.ppf(0.975, 3) * se, rtol=1e-9)


@pytest.mark.parametrize("days", [(0, 30, 60), (0, 20, 40, 60), (0, 0.2, 100, 100.4)])
def test_too_few_dates_or_months_give_no_slope(days: tuple[float, ...]) -> None:
    n = len(days)
    assert slope_per_year(np.array(days, float), np.ones(n), 0.01 * np.ones(n)) is None


# ---- before and after ---------------------------------------------------------------------------------------------

SPREAD = 1e-3 * np.exp(np.random.default_rng(3).normal(0, 0.05, CELLS))


def test_work_at_a_place_that_the_pack_does_not_have_is_told_as_of_unknown_place() -> None:
    pack = a_pack().model_copy(update={"events": (event("module swapped", "the blue box", "2026-03-05"),)})
    after = SPREAD.copy()
    after[4:8] *= 0.8
    found = compare_before_after(a_log(0, SPREAD), a_log(9, after), pack)
    assert {c.cell for c in found.changes if c.finding} == {5, 6, 7, 8}
    assert not any(c.new for c in found.changes)
    (note,) = found.notes
    assert "does not say where the work of 2026-03-05 (module swapped) was done" in note


def test_a_mended_joint_is_confirmed_by_the_cells_that_nobody_touched() -> None:
    """Cell 5 comes down from 1.3 to 1.0 of itself while a warmer day takes a tenth off all: 1 / 1.3, centred."""
    pack = a_pack().model_copy(update={"events": (event("joint remade", "F2", "2026-03-05"),)})
    before = SPREAD.copy()
    before[4] *= 1.3
    found = compare_before_after(a_log(0, before), a_log(9, 0.9 * SPREAD), pack)
    (changed,) = [c for c in found.changes if c.finding]
    assert changed.cell == 5 and changed.low < 1 / 1.3 < changed.high
    assert changed.ratio_raw == pytest.approx(0.9 / 1.3)


# ---- side by side -------------------------------------------------------------------------------------------------


def test_a_ratio_is_made_of_cells_of_one_kind_only() -> None:
    """100 and 104 Ah are alike within a twentieth, 100 and 110 Ah are not, nor are one and two cells in parallel."""
    for more, pairs in (
        ({"nominal_capacity_Ah": 104.0}, 1),
        ({"nominal_capacity_Ah": 110.0}, 0),
        ({"cells_in_parallel": 2}, 0),
    ):
        packs = {
            "heron-main": a_pack(id="heron-main"),
            "wren-main": a_pack(id="wren-main", vehicle="Wren", **more),
        }
        logs = {n: [a_log(d, SPREAD, pack=p) for d in (0, 9)] for n, p in packs.items()}
        found = compare_packs(logs, packs)
        assert len([d for d in found.differences if d.quantity == "resistance_10s"]) == pairs
        assert bool(found.notes) is (pairs == 0)


def test_one_pack_alone_says_that_a_second_is_needed() -> None:
    packs = {"heron-main": a_pack(id="heron-main")}
    found = compare_packs({"heron-main": [a_log(0, SPREAD, pack=packs["heron-main"])]}, packs)
    assert found.of("resistance_10s").why_not == "heron-main alone; a second pack is needed"
    assert not found.of("resistance_10s").comparable
