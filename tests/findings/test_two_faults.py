"""Two faults in one log, worked out by hand: each is named at its own place and size, and neither hides the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.results import Finding
from bmslogs.log import Log
from tests.findings.by_hand import BENT, Floats, String, a_pack, city, rest, run, string, told
from tests.findings.planted import charge, warm_log

DRIVE = np.r_[rest(3), city(10), rest(5)]
RESISTANCE = ("cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high")


def a_drive(change: Callable[[String], None], spoil: Callable[[Floats], None] | None = None) -> list[Finding]:
    s = string(7, cells=16)
    change(s)
    log = run(s, DRIVE)
    volts = log.cell_voltage.copy()
    if spoil is not None:
        spoil(volts)
    return told(replace(log, cell_voltage=np.round(volts, 3)))


def places(found: list[Finding]) -> dict[tuple[int, ...], str]:
    return {f.cells: "resistance" if f.cause in RESISTANCE else f.cause for f in found}


def holds(found: list[Finding], cells: tuple[int, ...], size: float) -> bool:
    (one,) = [f for f in found if f.cells == cells]
    return one.low is not None and one.high is not None and one.low < size < one.high


def two_weak(s: String) -> None:
    s.ohm[5] *= 1.5
    s.ohm[10] *= 1.3


def stuck(volts: Floats) -> None:
    volts[:, 14] = 3.9


def hanging(volts: Floats) -> None:
    away = 0.15 * np.sin(np.arange(len(volts)) / 90.0)
    volts[:, 12] += away
    volts[:, 13] -= away


@pytest.mark.parametrize(
    ("spoil", "beside"),
    [(None, {}), (stuck, {(15,): "channel_stuck"}), (hanging, {(13, 14): "tap_open"})],
    ids=["alone", "beside a stuck channel", "beside an open wire"],
)
def test_two_weak_cells_whatever_is_wrong_with_the_loom(
    spoil: Callable[[Floats], None] | None, beside: dict[tuple[int, ...], str]
) -> None:
    found = a_drive(two_weak, spoil)
    assert places(found) == {(6,): "resistance", (11,): "resistance"} | beside
    assert holds(found, (6,), 0.5) and holds(found, (11,), 0.3)


def test_a_weak_module_makes_no_usual_link_of_the_one_at_its_beginning() -> None:
    """Module F2 has 40 % more, and the link into R4 as much again as a cell: of three links two are high.

    Held against the other cells of its module the one of F2 is as it should be, and cell 13 has all of its 100 %.
    """

    def change(s: String) -> None:
        s.ohm[4:8] *= 1.4
        s.ohm[12] *= 2.0

    found = a_drive(change)
    assert places(found) == {(5, 6, 7, 8): "resistance", (13,): "resistance"}
    assert holds(found, (5, 6, 7, 8), 0.4) and holds(found, (13,), 1.0)


def test_a_weak_cell_and_one_that_is_emptier() -> None:
    def change(s: String) -> None:
        s.ohm[5] *= 1.5
        s.soc[9] = float(np.median(s.soc)) - 0.05

    found = a_drive(change)
    assert places(found) == {(6,): "resistance", (10,): "soc_offset_low"}
    assert holds(found, (6,), 0.5) and holds(found, (10,), -0.05)


def a_charge(change: Callable[[String], None]) -> list[Finding]:
    s = string(8, soc=0.35, lot=0.3)
    change(s)
    return told(run(s, charge(55.0), 10))


def test_a_small_cell_and_one_that_is_fuller() -> None:
    def change(s: String) -> None:
        s.capacity[5] = 85.0
        s.soc[5] = 1.0 - 65.0 / 85.0
        s.soc[9] += 0.05

    found = a_charge(change)
    assert places(found) == {(6,): "capacity_low", (10,): "soc_offset_high"}
    assert holds(found, (6,), -0.15) and holds(found, (10,), 0.05)


def test_one_cell_emptier_and_one_fuller() -> None:
    def change(s: String) -> None:
        s.soc[5] -= 0.05
        s.soc[9] += 0.05

    found = a_charge(change)
    assert places(found) == {(6,): "soc_offset_low", (10,): "soc_offset_high"}
    assert holds(found, (6,), -0.05) and holds(found, (10,), 0.05)


def test_a_small_cell_beside_a_shifted_reading() -> None:
    """15 % less in cell 3, 30 mV more on channel 7, over the bends of the curve."""
    s = string(8, pack=a_pack(ocv=BENT), soc=0.97)
    s.capacity[2] = 85.0
    log = run(s, -charge(80.0), 10)
    readings = log.cell_voltage.copy()
    readings[:, 6] += 0.03
    found = told(replace(log, cell_voltage=np.round(readings, 3)))
    assert places(found) == {(3,): "capacity_low", (7,): "channel_offset"}
    assert holds(found, (3,), -0.15) and holds(found, (7,), 0.03)


def test_a_hot_place_beside_a_sensor_that_is_off_its_plug() -> None:
    def with_open_sensor(log: Log) -> Log:
        warm = log.temperature.copy()
        warm[:, 3] = np.nan
        return replace(log, temperature=warm)

    found = told(with_open_sensor(warm_log((2e-3, 4e-3, 2e-3, 2e-3))))
    assert places(found) == {(5, 6, 7, 8): "runs_hot", (13, 14, 15, 16): "temperature_sensor_fault"}
    assert holds(found, (5, 6, 7, 8), 1.0)
