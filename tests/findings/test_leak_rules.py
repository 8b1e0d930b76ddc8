"""Cells that lose charge while parked: alone, in a block that feeds something, and while nobody logged it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.results import Finding
from bmslogs.findings import diagnose
from bmslogs.log import Log
from tests.findings.by_hand import Floats, only, run, string, told
from tests.findings.planted import bled_at_rest

HOURS = 24 * 8


def parked(leak: dict[int, float], *, hours: int = HOURS, cells: int = 16, seed: int = 1) -> Log:
    """Return a pack that stands for eight days, a row an hour, while some cells lose so many amperes more."""
    s = string(seed, cells=cells, soc=0.7)
    s.noise_A = 0.01
    for cell, amps in leak.items():
        s.leak[cell - 1] = amps
    return run(s, np.zeros(hours), 3600)


def leaks(log: Log) -> list[Finding]:
    findings = told(log)
    assert {f.cause for f in findings} <= {"self_discharge_high"}
    return findings


def holds(f: Finding, amps: float) -> bool:
    return f.low is not None and f.high is not None and f.low < amps < f.high


@pytest.mark.parametrize("amps", [0.0, 0.0005, 0.001])
def test_less_than_a_per_cent_a_month_is_no_fault(amps: float) -> None:
    """A per cent of 100 Ah in 720 h is 1.4 mA (common practice, no source)."""
    assert leaks(parked({6: amps})) == []


@pytest.mark.parametrize(("amps", "level"), [(0.003, "look"), (0.012, "look"), (0.02, "act"), (0.2, "act")])
def test_a_leak_is_told_in_milliamperes_and_in_ampere_hours_a_month(amps: float, level: str) -> None:
    """A month is 720 h: 3 mA are 2.2 Ah of it; from ten times the practical size on, 14 mA, it is to be acted on."""
    (one,) = leaks(parked({6: amps}))
    assert one.cells == (6,) and one.level == level and holds(one, amps)
    said = float(one.says.split("(")[1].split(" Ah a month")[0])
    assert one.size is not None
    assert said == pytest.approx(one.size * 720.0, rel=0.01)
    assert said == pytest.approx(amps * 720.0, rel=0.1)
    assert any("unattended on charge" in step for step in one.next)


def test_what_all_cells_lose_is_no_cell_s_fault() -> None:
    """50 mA from every cell, as the supply of a BMS over the whole string takes them: none loses more than another."""
    assert leaks(parked(dict.fromkeys(range(1, 17), 0.05))) == []


def test_of_two_leaking_cells_each_is_sized_by_itself() -> None:
    first, second = leaks(parked({3: 0.01, 11: 0.03}))
    assert (first.cells, first.level) == ((11,), "act") and holds(first, 0.03)
    assert (second.cells, second.level) == ((3,), "look") and holds(second, 0.01)


@pytest.mark.parametrize("cells", [(5, 6, 7, 8), (13, 14, 15, 16), (1, 2, 3, 4)])
def test_neighbours_that_lose_alike_feed_something(cells: tuple[int, ...]) -> None:
    """Four times 10 mA from one module: a supply tapped off it, and no four cells that go bad alike."""
    (one,) = leaks(parked(dict.fromkeys(cells, 0.01)))
    assert one.cells == cells and holds(one, 0.01)
    assert "something is fed from these cells" in one.says
    assert any("feed it from the whole string" in step for step in one.next)


def test_a_leaking_cell_inside_a_block_is_told_beyond_what_the_block_feeds() -> None:
    """10 mA from each of four, and 30 mA more from cell 7: it leaks 30 mA of its own."""
    found = {f.cells: f for f in leaks(parked({5: 0.01, 6: 0.01, 7: 0.04, 8: 0.01}))}
    assert set(found) == {(7,), (5, 6, 7, 8)}
    assert holds(found[7,], 0.03) and holds(found[5, 6, 7, 8], 0.01)
    assert found[7,].level == "act" and found[5, 6, 7, 8].level == "look"
    assert any("more than that, see there" in line for line in found[5, 6, 7, 8].because)


def test_neighbours_that_lose_at_rates_of_their_own_are_no_block() -> None:
    found = leaks(parked({5: 0.008, 6: 0.02, 7: 0.035, 8: 0.055}))
    assert sorted(f.cells for f in found) == [(5,), (6,), (7,), (8,)]


def test_a_cell_that_is_bled_while_parked_does_not_leak() -> None:
    """0.12 A through a resistor for nine hours take 1.1 Ah, as commanded: more than any leak, and none."""
    assert told(bled_at_rest((6, 10), {6: 1.0, 10: 1.0})) == []


def asleep(lost_Ah: float, hours: float = 100.0) -> Log:
    """Twenty minutes of rest, `hours` of which nothing was logged, twenty minutes of rest; cell 6 lost so much."""
    parts: list[Log] = []
    for taken in (0.0, lost_Ah):
        s = string(soc=0.7, cells=16)
        s.soc[5] -= taken / s.capacity[5]
        parts.append(run(s, np.zeros(400), 3))
    before, after = parts

    def joined(name: str) -> Floats:
        return np.concatenate([getattr(before, name), getattr(after, name)])

    return replace(
        before,
        time=np.concatenate([before.time, after.time + np.timedelta64(int(hours * 3600), "s")]),
        current=joined("current"),
        cell_voltage=joined("cell_voltage"),
        temperature=joined("temperature"),
    )


@pytest.mark.parametrize(("lost_Ah", "level"), [(1.0, "look"), (3.0, "act"), (20.0, "act")])
def test_what_a_cell_lost_while_nothing_was_logged_is_told_as_a_rate(lost_Ah: float, level: str) -> None:
    """3 Ah in 100 h are 30 mA, if it went evenly; 1 Ah are 10 mA."""
    one = only(told(asleep(lost_Ah)), "self_discharge_high")
    assert one.cells == (6,) and one.level == level and one.high is None
    assert one.low == pytest.approx(lost_Ah / 100.0, rel=0.05)
    assert "nothing was logged" in one.says and "if it went evenly" in one.says


def test_a_string_that_was_used_while_nothing_was_logged_accuses_no_cell() -> None:
    """All cells come back 10 % lower: somebody drove, and a smaller cell comes back lower still."""
    log = asleep(1.0)
    volts = log.cell_voltage.copy()
    volts[400:] -= 0.12
    assert [f for f in told(replace(log, cell_voltage=volts)) if f.cause == "self_discharge_high"] == []


def test_a_short_rest_tells_no_leak() -> None:
    """In two hours 10 mA move a reading by 0.24 mV, a quarter of its step."""
    s = string(soc=0.7)
    s.leak[5] = 0.01
    found = diagnose(run(s, np.zeros(240), 30))
    assert found.findings == ()
    assert {e.status for e in found.of("leak_current_relative")} == {"not_determinable"}


def test_a_longer_park_narrows_what_is_told() -> None:
    short, long = (leaks(parked({6: 0.02}, hours=24 * days))[0] for days in (4, 16))
    widths = [f.high - f.low for f in (short, long) if f.high is not None and f.low is not None]
    assert holds(short, 0.02) and holds(long, 0.02)
    assert widths[1] <= widths[0]
