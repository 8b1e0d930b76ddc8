"""The loom and its channels: wires that are off, swapped or bad, channels that stand or read what no cell has."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.pack import Module, SenseBoard
from bmslogs.base.results import Finding
from bmslogs.findings import diagnose
from bmslogs.log import Log
from tests.findings.by_hand import BENT, Floats, a_pack, city, only, rest, run, string, told
from tests.findings.planted import bled_through_wires

DRIVE = np.r_[rest(3), city(7), rest(5)]


def read_otherwise(change: Callable[[Floats], None], cells: int = 12, chemistry: str = "own") -> Log:
    """Return a sound drive whose readings `change` spoils in place."""
    own = {} if chemistry == "own" else {"chemistry": chemistry, "ocv": None, "ocv_table": None}
    log = run(string(cells=cells, pack=a_pack(cells, **own)), DRIVE)
    volts = log.cell_voltage.copy()
    change(volts)
    return replace(log, cell_voltage=np.round(volts, 3))


# ---- wires that have changed places ------------------------------------------------------------------------------


def swapped_inside(volts: Floats) -> None:
    """The wires above and below cell 6: it is read backwards, and each neighbour with it on top."""
    five, six, seven = (volts[:, k].copy() for k in (4, 5, 6))
    volts[:, 4], volts[:, 5], volts[:, 6] = five + six, -six, six + seven


def swapped_at_the_end(volts: Floats) -> None:
    """The lowest two wires: cell 1 is read backwards, cell 2 with it on top."""
    one, two = volts[:, 0].copy(), volts[:, 1].copy()
    volts[:, 0], volts[:, 1] = -one, one + two


@pytest.mark.parametrize(("cells", "chemistry"), [(12, "own"), (24, "NMC")])
@pytest.mark.parametrize(
    ("change", "wrong"), [(swapped_inside, (5, 6, 7)), (swapped_at_the_end, (1, 2))], ids=["inside", "end"]
)
def test_swapped_wires_are_the_only_thing_that_is_told(
    change: Callable[[Floats], None], wrong: tuple[int, ...], chemistry: str, cells: int
) -> None:
    """Cells that are read backwards are there all the same: nobody is sent to count them."""
    one = only(told(read_otherwise(change, cells, chemistry)), "taps_swapped")
    assert one.cells == wrong and one.level == "act"
    assert any("Prove every tap with a meter" in step for step in one.next)


def test_channels_that_read_nothing_are_still_told_beside_swapped_wires() -> None:
    def change(volts: Floats) -> None:
        swapped_inside(volts)
        volts[:, 20:] = np.nan

    found = {f.cause: f for f in told(read_otherwise(change, 24))}
    assert found["taps_swapped"].cells == (5, 6, 7)
    assert set(found["pack_file_mismatch"].cells) >= {21, 22, 23, 24}


# ---- a wire that is off -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("volts", [-0.4, 1.5])
def test_two_cells_whose_sum_is_right_and_that_part_by_tenths_of_a_volt(volts: float) -> None:
    """What the floating wire adds to one it takes off the other; no two cells part so and add up to the usual."""

    def change(readings: Floats) -> None:
        readings[:, 4] += volts
        readings[:, 5] -= volts

    one = only(told(read_otherwise(change)), "tap_open")
    assert one.cells == (5, 6) and one.level == "act"
    assert one.low is not None and one.high is not None and one.low < abs(volts) < one.high
    assert one.next[0].startswith("Do not charge")


def test_two_cells_that_move_each_by_itself_are_no_open_wire() -> None:
    """A cell that drops twice as much and a neighbour that is 4 % fuller do not mirror each other."""
    s = string()
    s.ohm[4] *= 2.0
    s.soc[5] += 0.04
    assert "tap_open" not in {f.cause for f in told(run(s, DRIVE))}


# ---- channels ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("level", "first"), [(0.0, 0), (3.9, 500)])
def test_a_reading_that_stands_still_is_stuck(level: float, first: int) -> None:
    def change(volts: Floats) -> None:
        volts[first:, 6] = level

    one = only(told(read_otherwise(change)), "channel_stuck")
    assert one.cells == (7,) and one.level == "act"
    assert f"reads {level:.3f} V without a change" in one.because[0]
    assert "the BMS does not watch this cell" in one.next[0]


def test_all_readings_of_a_parked_pack_stand_still_and_none_is_stuck() -> None:
    s = string()
    s.noise_V = 0.0
    assert told(run(s, np.zeros(600), 10)) == []


@pytest.mark.parametrize("read", [0.21, 5.35])
def test_what_no_cell_has_is_the_channel_s_or_a_dead_cell_s(read: float) -> None:
    """0.21 V is below all service, 5.35 V above the converters of such boards: nothing else rests on it."""
    rng = np.random.default_rng(5)

    def change(volts: Floats) -> None:
        volts[:, 6] = read + rng.normal(0, 0.002, len(volts))

    log = read_otherwise(change)
    one = only(told(log), "limit_exceeded")
    assert (
        one.cells == (7,) and one.level == "act" and f"{read:.3f} V, which no cell in service has" in one.says
    )
    found = diagnose(log)
    assert {e.status for e in found.of("soc_offset") if e.cell == 7} == {"not_determinable"}
    assert {e.status for e in found.of("resistance_10s") if e.cell != 7} == {"determined"}


@pytest.mark.parametrize("share", [0.4])
def test_a_channel_of_which_most_readings_are_missing(share: float) -> None:
    rng = np.random.default_rng(6)

    def change(volts: Floats) -> None:
        volts[rng.random(len(volts)) < share, 6] = np.nan

    one = only(told(read_otherwise(change)), "log_quality")
    assert one.cells == (7,) and one.level == "look" and "most readings are missing" in one.says


# ---- bad wires, by the bleeding ----------------------------------------------------------------------------------


@pytest.mark.parametrize("ohm", [0.05])
def test_usual_wires_are_no_fault(ohm: float) -> None:
    """0.12 A through 50 mohm make 6 mV, and so does every wire of this loom (Ohm's law)."""
    assert told(bled_through_wires(ohm, usual=ohm)) == []


@pytest.mark.parametrize(("ohm", "level"), [(0.35, "look"), (0.6, "act")])
def test_a_wire_is_told_by_the_jumps_of_both_readings_beside_it(ohm: float, level: str) -> None:
    """At 3.9 V 33 ohm draw 0.118 A: 0.35 ohm shift a reading by 41 mV; more than 50 mV is to be acted on."""
    one = only(told(bled_through_wires(ohm, usual=0.02)), "tap_resistive")
    assert one.cells == (5, 6) and one.level == level
    assert one.low is not None and one.high is not None and one.low < ohm < one.high
    jump = float(one.says.split("jump by ")[1].split(" mV")[0])
    assert jump == pytest.approx(1e3 * ohm * 3.9 / 33.0, rel=0.12)


def test_a_log_without_bleeding_tells_of_no_wire() -> None:
    log = bled_through_wires(0.6)
    assert "tap_resistive" not in {f.cause for f in told(replace(log, bleed=None))}


# ---- boards ------------------------------------------------------------------------------------------------------

DISCHARGE = np.r_[rest(30, 10), np.full(1000, 30.0), rest(30, 10)]


def boards_apart(volts: float, boards: int, off: int = 1) -> list[Finding]:
    """A discharge over the bends of the curve; all six cells of one board read `volts` more."""
    cells = 6 * boards
    pack = a_pack(
        cells,
        ocv=BENT,
        boxes=(),
        temperature_sensors=(),
        modules=tuple(
            Module(name=f"M{k}", cells=[3 * k + 1, 3 * k + 2, 3 * k + 3]) for k in range(2 * boards)
        ),
        sense_boards=tuple(
            SenseBoard(name=f"B{k + 1}", cells=list(range(6 * k + 1, 6 * k + 7))) for k in range(boards)
        ),
    )
    s = string(cells=cells, pack=pack, soc=0.95)
    log = run(s, DISCHARGE, 10)
    readings = log.cell_voltage.copy()
    readings[:, 6 * off : 6 * off + 6] += volts
    return told(replace(log, cell_voltage=np.round(readings, 3), temperature=np.empty((log.rows, 0))))


@pytest.mark.parametrize("volts", [-0.03])
def test_a_board_that_is_off_is_one_finding(volts: float) -> None:
    one = only(boards_apart(volts, 3), "channel_offset")
    assert one.cells == tuple(range(7, 13)) and "all of board B2" in one.says
    assert one.low is not None and one.high is not None and one.low < volts < one.high


def test_of_two_boards_that_part_neither_is_called_right() -> None:
    one = only(boards_apart(0.03, 2), "channel_offset")
    assert one.cells == tuple(range(1, 13))
    assert "one of the two measuring boards is off" in one.says
    assert any("two cells of each board" in step for step in one.next)
