"""Balancing that does nothing, acts elsewhere, on the flat, or on the emptiest cell; charge by Ohm's law over time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.pack import Pack
from bmslogs.base.results import Finding
from bmslogs.findings import diagnose
from bmslogs.log import Log
from tests.findings.by_hand import a_pack, only, rest, run, string, told
from tests.findings.planted import BLEED_AMPS, BLEED_H, bled_at_rest

MISPLACED, DEAD = "bleed_misplaced", "bleed_ineffective"


def causes(log: Log) -> set[tuple[str, tuple[int, ...]]]:
    return {(f.cause, f.cells) for f in told(log)}


@pytest.mark.parametrize("works", [1.0, 0.8, 1.2])
def test_bleeding_that_does_what_it_was_told_is_no_fault(works: float) -> None:
    """A fifth more or less is a resistor's tolerance and a table's slope."""
    assert told(bled_at_rest((2, 5, 9, 14), dict.fromkeys((2, 5, 9, 14), works))) == []


def test_what_was_commanded_is_volts_over_ohms_over_time() -> None:
    """4.02 V / 33 ohm over nine hours: 1.10 Ah from each cell that was told, none from the others."""
    found = diagnose(bled_at_rest((2, 5), {2: 1.0, 5: 1.0}))
    for e in found.of("bleed_done"):
        assert e.low is not None and e.high is not None
        assert e.low - 1e-9 <= (BLEED_AMPS * BLEED_H if e.cell in (2, 5) else 0.0) <= e.high + 1e-9


@pytest.mark.parametrize("works", [0.0, 0.2, 0.35])
def test_a_dead_or_dying_bleeder_is_told_with_what_is_left_of_it(works: float) -> None:
    one = only(told(bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0, 9: works})), DEAD)
    assert one.cells == (9,) and one.low is not None and one.high is not None
    assert one.low < works < one.high
    said = float(one.says.split("cell (")[1].split(" %")[0])
    assert said == pytest.approx(100.0 * works, abs=5.0)


@pytest.mark.parametrize("dead", [(9,), (2, 9), (2, 5, 9)])
def test_however_many_are_dead_each_is_named(dead: tuple[int, ...]) -> None:
    works = {c: 0.0 if c in dead else 1.0 for c in (2, 5, 9, 14)}
    assert causes(bled_at_rest((2, 5, 9, 14), works)) == {(DEAD, (c,)) for c in dead}


def test_a_command_that_acts_on_another_cell_names_both() -> None:
    one = only(told(bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0, 12: 1.0})), MISPLACED)
    assert one.cells == (9, 12) and one.level == "act"
    assert one.next[0].startswith("Switch balancing off")


def test_two_commands_that_are_crossed_between_told_cells_cannot_be_seen_and_are_not_invented() -> None:
    """Both were told and both lost: which lead went where no reading says."""
    assert told(bled_at_rest((2, 9), {2: 1.0, 9: 1.0})) == []


def test_a_dead_bleeder_beside_a_cell_that_leaks_a_tenth_as_much_is_no_crossed_lead() -> None:
    found = told(bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0, 12: 0.12}))
    assert (DEAD, (9,)) in {(f.cause, f.cells) for f in found}
    assert MISPLACED not in {f.cause for f in found}


def test_half_of_a_string_told_and_the_other_half_bled_is_an_order_of_bits() -> None:
    told_to, lost = (1, 2, 3, 4, 5), (12, 13, 14, 15, 16)
    one = only(told(bled_at_rest(told_to, dict.fromkeys(lost, 1.0))), MISPLACED)
    assert set(one.cells) == {*told_to, *lost}


def test_a_pack_file_without_a_resistor_leaves_bleeding_unjudged() -> None:
    log = bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0})
    pack = log.pack.model_copy(update={"bleed_resistor_ohm": None})
    found = diagnose(replace(log, pack=pack))
    assert [f for f in found.findings if f.cause in (DEAD, MISPLACED)] == []
    assert {e.status for e in found.of("bleed_done")} == {"not_determinable"}


@pytest.mark.parametrize("minutes", [5, 20])
def test_a_few_minutes_of_bleeding_move_no_reading_and_prove_nothing(minutes: int) -> None:
    """Twenty minutes at 0.12 A are 41 mAh: half a millivolt of this curve, half a step of the reading."""
    assert told(bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0}, hours=minutes / 60.0)) == []


# ---- where voltage says nothing, and the wrong cell ---------------------------------------------------------------


def lfp_charge(until_soc: float, bled_above: float | None) -> list[Finding]:
    """An LFP string charged from 30 % on, two cells bled from 45 % on, or only near full."""
    pack = Pack(**(a_pack().model_dump() | {"chemistry": "LFP", "ocv": None, "ocv_table": None}))
    s = string(pack=pack, soc=0.3)
    rows = round((until_soc - 0.3) * 100.0 / 30.0 * 360)
    current = np.r_[rest(20, 10), np.full(rows, -30.0), rest(20, 10)]
    log = run(s, current, 10)
    flags = np.zeros(log.cell_voltage.shape, bool)
    z = 0.3 + np.cumsum(-current) * 10 / 3600 / 100
    if bled_above is not None:
        flags[(z > bled_above) & (current < 0)] = np.isin(np.arange(12), (3, 8))
    return told(replace(log, bleed=flags))


def test_bleeding_on_the_flat_of_lfp_names_the_cells_and_why() -> None:
    one = only([f for f in lfp_charge(0.8, 0.45) if f.cause == MISPLACED], MISPLACED)
    assert one.cells == (4, 9) and one.level == "look"
    assert "where voltage says nothing about charge" in one.says
    # 3.35 V / 33 ohm for the 35 Ah of charge at 30 A, 1.17 h: 0.118 Ah from each cell
    assert one.size == pytest.approx(3.35 / 33.0 * 35.0 / 30.0, rel=0.05)


def test_no_bleeding_or_none_to_speak_of_is_no_fault_on_lfp() -> None:
    assert [f for f in lfp_charge(0.8, None) if f.cause == MISPLACED] == []
    assert [f for f in lfp_charge(0.8, 0.79) if f.cause == MISPLACED] == []


def emptiest_bled(emptier: float) -> list[Finding]:
    """Cell 6 is emptier than the others, drops twice as much while charging, and is bled for its high reading."""
    s = string(soc=0.35)
    s.soc[5] -= emptier
    s.ohm[5] = 4e-3
    current = np.r_[rest(30, 10), np.full(720, -30.0), rest(30, 10)]
    log = run(s, current, 10)
    flags = np.zeros(log.cell_voltage.shape, bool)
    flags[200:900, 5] = True
    taken = np.clip(np.arange(log.rows) - 200, 0, 700) * 10 / 3600 * 3.7 / 33.0 / 100.0 * 1.2
    volts = log.cell_voltage.copy()
    volts[:, 5] -= taken
    return told(replace(log, cell_voltage=np.round(volts, 3), bleed=flags))


def test_bleeding_of_the_emptiest_cell_is_told_with_what_it_cost() -> None:
    """0.112 A for 1.94 h: 0.22 Ah taken from a cell that lacks 5 % of charge."""
    (one,) = [f for f in emptiest_bled(0.05) if f.cause == MISPLACED]
    assert one.cells == (6,) and "although it is emptier than the others" in one.says
    assert one.low is not None and one.high is not None and one.low < 3.7 / 33.0 * 1.944 < one.high
    assert any("high resistance of this cell or its joint" in step for step in one.next)
