"""Bleeding after a charge of LFP: no charge can be made of the voltages, and their falls tell all the same."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.ocv import curve_of
from bmslogs.base.pack import Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log

CELLS, ROWS = 20, 3000
HOURS = np.linspace(0.0, 8.0, ROWS)


def a_rest(commanded: list[int], falls: list[int]) -> Log:
    """Eight hours after a charge: cells by their number that are told to bleed, and those that fall by 0.1 V."""
    rng = np.random.default_rng(3)
    fall = np.isin(np.arange(1, CELLS + 1), falls) * 0.1 * (1 - np.exp(-HOURS[:, None] / 3))
    volts = 3.46 - fall - 0.004 * (1 - np.exp(-HOURS[:, None])) + rng.normal(0, 4e-4, (ROWS, CELLS))
    pack = Pack(
        id="wren",
        vehicle="Wren",
        chemistry="LFP",
        nominal_capacity_Ah=100.0,
        cells_in_series=CELLS,
        bleed_resistor_ohm=33.0,
    )
    flags = np.zeros((ROWS, CELLS), bool)
    flags[20:, np.array(commanded) - 1] = True
    return Log(
        id="rest",
        time=np.datetime64("2026-06-01T06:00:00", "us") + (HOURS * 3.6e9).astype("timedelta64[us]"),
        current=rng.normal(0, 0.05, ROWS),
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=np.round(volts, 3),
        temperature=np.full((ROWS, 1), 20.0),
        bleed=flags,
        pack_voltage=None,
        pack=pack,
        voltage_step=1e-3,
    )


def told(log: Log) -> set[tuple[str, tuple[int, ...]]]:
    causes = ("bleed_misplaced", "bleed_ineffective")
    return {(f.cause, f.cells) for f in diagnose(log).findings if f.cause in causes}


@pytest.mark.parametrize("dead", [[8], [8, 11], [8, 11, 14], [8, 11, 14, 17]])
def test_dead_bleeders_are_named_however_many(dead: list[int]):
    works = [2, 5]
    assert told(a_rest(works + dead, works)) == {("bleed_ineffective", (c,)) for c in dead}


def test_a_command_that_acts_on_another_cell_is_named_with_both():
    assert told(a_rest([2, 5, 8], [2, 5, 13])) == {("bleed_misplaced", (8, 13))}


def test_a_dead_bleeder_is_named_beside_cells_that_fall_by_themselves():
    """Two cells that nobody told to bleed fall as well: they do not speak for the dead one."""
    assert ("bleed_ineffective", (8,)) in told(a_rest([2, 5, 8], [2, 5, 13, 14]))


def test_bleeding_that_works_is_not_named():
    assert told(a_rest([2, 5, 8], [2, 5, 8])) == set()


def a_night(dead: int, leaking: int, leak_A: float) -> Log:
    """A parked NMC string: six of sixteen cells are told to bleed, one does not, another loses a current of its own."""
    told_to = [2, 4, 6, 8, 10, 12]
    amps = np.where(np.isin(np.arange(1, 17), told_to), 3.75 / 33.0, 0.0)
    amps[dead - 1], amps[leaking - 1] = 0.0, leak_A
    return bled_at_night(told_to, amps)


def bled_at_night(told_to: list[int], amps: np.ndarray, hours: float = 12.0, wire_ohm: float = 0.0) -> Log:
    """A parked NMC string of sixteen: cells by their number that are told to bleed, what each loses [A].

    It is bled from the first row on, for half of each hour; the wire above the first cell told to bleed has `wire_ohm`.
    """
    rng = np.random.default_rng(8)
    t = np.linspace(0.0, hours, ROWS)
    pack = Pack(
        id="wren",
        vehicle="Wren",
        chemistry="NMC",
        nominal_capacity_Ah=50.0,
        cells_in_series=16,
        bleed_resistor_ohm=33.0,
    )
    soc = 0.62 + rng.normal(0, 0.004, 16)
    volts = curve_of(pack).voltage(soc - amps * t[:, None] / 50.0) + rng.normal(0, 4e-4, (ROWS, 16))
    flags = np.zeros((ROWS, 16), bool)
    flags[20:, np.array(told_to) - 1] = True
    if wire_ohm:
        flags[:, np.array(told_to) - 1] = (t % 1.0 < 0.5)[:, None]
        dropped = wire_ohm * 3.75 / 33.0 * flags[:, told_to[0] - 1]
        volts[:, told_to[0] - 1] -= dropped
        volts[:, told_to[0]] += dropped
    return Log(
        id="night",
        time=np.datetime64("2026-06-01T20:00:00", "us") + (t * 3.6e9).astype("timedelta64[us]"),
        current=rng.normal(0, 0.05, ROWS),
        cells=tuple(range(1, 17)),
        cell_voltage=np.round(volts, 3),
        temperature=np.full((ROWS, 1), 20.0),
        bleed=flags,
        pack_voltage=None,
        pack=pack,
        voltage_step=1e-3,
    )


def test_a_dead_bleeder_beside_a_leak_is_no_crossed_lead():
    """What the other cell loses is half of what was commanded: crossed leads would take all of it (Ohm's law)."""
    assert told(a_night(dead=4, leaking=7, leak_A=0.055)) == {("bleed_ineffective", (4,))}
    assert told(a_night(dead=4, leaking=7, leak_A=3.75 / 33.0)) == {("bleed_misplaced", (4, 7))}


@pytest.mark.parametrize("told_to", [[3, 15], [1, 4, 5], [1, 3, 6, 8, 10, 12, 13, 15]])
def test_bits_that_count_from_the_other_end_are_told_however_many(told_to: list[int]):
    """Where half of the string is told to bleed and the other half does, no majority says what is usual (planted)."""
    acts_on = sorted(17 - cell for cell in told_to)
    amps = np.where(np.isin(np.arange(1, 17), acts_on), 3.75 / 33.0, 0.0)
    assert told(bled_at_night(told_to, amps)) == {("bleed_misplaced", tuple(sorted({*told_to, *acts_on})))}


def test_where_no_command_works_the_graver_explanation_stays():
    """One cell is told to bleed and does not, another loses less: crossed leads, or a leak and a dead bleeder."""
    amps = np.zeros(16)
    amps[6] = 0.6 * 3.75 / 33.0
    assert told(bled_at_night([4], amps)) == {("bleed_misplaced", (4, 7))}


@pytest.mark.parametrize("dead", [[5], [5, 9]])
def test_a_dead_bleeder_among_cells_that_are_all_bled_is_no_stuck_channel(dead: list[int]):
    """All are told to bleed and fall by tens of millivolts; what is not bled stands still at rest, as a cell does."""
    amps = np.full(16, 3.75 / 33.0)
    amps[np.array(dead) - 1] = 0.0
    log = bled_at_night(list(range(1, 17)), amps, hours=24.0)
    assert told(log) == {("bleed_ineffective", (c,)) for c in dead}
    assert "channel_stuck" not in {f.cause for f in diagnose(log).findings}


def test_crossed_leads_are_told_where_the_others_measure_the_table_at_another_voltage():
    """The cells that bled began a tenth of the charge higher, where the table is steeper than theirs (planted)."""
    told_to = [2, 4, 6, 8, 10, 12]
    amps = np.where(np.isin(np.arange(1, 17), [2, 4, 6, 8, 10, 7]), 3.75 / 33.0, 0.0)
    amps[6] *= 0.7
    assert told(bled_at_night(told_to, amps)) == {("bleed_misplaced", (7, 12))}


def test_a_rest_that_is_bled_from_its_first_row_on_tells_no_charge_by_a_bad_wire():
    """0.6 ohm drop 68 mV: eight per cent of charge if they were the cells' own (Ohm's law)."""
    told_to = [9, 3, 14]
    amps = np.where(np.isin(np.arange(1, 17), told_to), 0.5 * 3.75 / 33.0, 0.0)
    found = diagnose(bled_at_night(told_to, amps, wire_ohm=0.6)).findings
    assert [(f.cause, f.cells) for f in found if f.level in ("act", "look")] == [("tap_resistive", (9, 10))]
