"""Where a finding is plainest: one hand case a cause, the place of the fault known since it was put there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.results import Finding
from bmslogs.faces.sight import Sight, sight_of
from bmslogs.findings.registry import CAUSES
from bmslogs.log import Log
from tests.dashboard import invent

PACK = invent.pack()  # 16 cells, four a module
SECOND = np.timedelta64(1, "s")


def log(rows: int = 3000, step_s: int = 1, level: float = 3.8) -> Log:
    """All cells alike at rest, one millivolt apart by turns so that medians are told from single cells."""
    volts = np.full((rows, 16), level) + 1e-3 * (np.arange(16) % 3 - 1)
    return Log(
        id="20260503-0910-abcdef012345",
        time=invent.START + np.arange(rows) * step_s * SECOND,
        current=np.zeros(rows),
        cells=tuple(range(1, 17)),
        cell_voltage=volts,
        temperature=np.full((rows, 4), 20.0),
        bleed=np.zeros((rows, 16), bool),
        pack_voltage=None,
        pack=PACK,
    )


def finding(cause: str, *cells: int, sensor: str | None = None) -> Finding:
    return Finding(cause, "look", "it is there", cells=cells, sensor=sensor)


def row(sight: Sight, of: Log, time: np.datetime64) -> int:
    return int(np.searchsorted(of.time, time))


def inside(sight: Sight, of: Log, first: int, last: int) -> bool:
    """Whether rows first..last lie in the window, and what is marked lies in it too."""
    assert all(sight.start <= a <= b <= sight.end for a, b in sight.spans)
    return bool(sight.start <= of.time[first] and of.time[last] <= sight.end)


@pytest.mark.parametrize(
    "cause", ["cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high"]
)
def test_a_resistance_shows_at_the_strongest_pull(cause: str) -> None:
    one = log()
    one.current[500:530], one.current[2000:2030] = 80.0, 200.0
    one.current[1000:1002] = 300.0  # a spike of two seconds is no pull
    one.cell_voltage[:] -= 1e-3 * one.current[:, None]
    one.cell_voltage[:, 6] -= 0.3e-3 * one.current  # cell 7, 1 mV low at rest
    sight = sight_of(finding(cause, 7), one)
    assert inside(sight, one, 1990, 2040) and sight.end - sight.start < 300 * SECOND
    assert 2000 <= row(sight, one, sight.moment) < 2030
    assert sight.worst == 7 and sight.mates == (5, 6, 8) and set(sight.rest) == {*range(1, 5), *range(9, 17)}
    assert "200 A" in sight.says and "61 mV under" in sight.says and "cell 7" in sight.says
    assert all(2000 - 6 <= row(sight, one, t) < 2030 + 6 for span in sight.spans for t in span)


def test_of_several_named_cells_the_worst_is_drawn_first() -> None:
    one = log()
    one.current[500:530] = 100.0
    for cell, ohm in ((5, 0.2e-3), (6, 0.5e-3), (7, 0.3e-3)):
        one.cell_voltage[:, cell - 1] -= ohm * one.current
    sight = sight_of(finding("cell_resistance_high", 5, 6, 7), one)
    assert (sight.worst, sight.named, sight.mates) == (6, (5, 7), (8,))
    assert sight.cells == (6, 5, 7, 8)


def test_where_nothing_is_drawn_the_strongest_charge_shows_it() -> None:
    one = log()
    one.current[500:600] = -60.0
    one.cell_voltage[:, 6] -= 0.5e-3 * one.current
    sight = sight_of(finding("cell_resistance_high", 7), one)
    assert 500 <= row(sight, one, sight.moment) < 600
    assert "29 mV over" in sight.says  # it lies 1 mV low at rest


def test_a_loose_contact_shows_where_its_jumps_lie_thickest() -> None:
    one = log()
    rng = np.random.default_rng(1)
    one.cell_voltage[:] += rng.normal(0, 3e-4, one.cell_voltage.shape)
    one.cell_voltage[400, 8] -= 0.08  # one alone
    for r in range(1500, 1560, 6):
        one.cell_voltage[r : r + 2, 8] -= 0.05
    sight = sight_of(finding("joint_loose", 9), one)
    assert inside(sight, one, 1500, 1559) and sight.end - sight.start < 400 * SECOND
    assert len(sight.spans) == 10 and "10 times" in sight.says and "cell 9" in sight.says


@pytest.mark.parametrize(
    ("cause", "sign"), [("soc_offset_high", 1), ("soc_offset_low", -1), ("capacity_low", 1)]
)
def test_an_offset_shows_at_the_knee(cause: str, sign: int) -> None:
    one = log(step_s=4)
    one.current[:2400] = -20.0  # charged for 9600 s, then at rest
    rise = np.clip((np.arange(3000) - 2100) / 300, 0, 1) * np.where(np.arange(3000) < 2400, 1, 0.8)
    one.cell_voltage[:, 10] += sign * 0.12 * rise
    one.cell_voltage[300:320, 10] -= sign * 0.3  # the other way: not what the finding says
    sight = sight_of(finding(cause, 11), one)
    if cause == "capacity_low":  # either way speaks for it, so the largest counts
        assert inside(sight, one, 300, 320)
        return
    assert inside(sight, one, 2250, 2420) and not inside(sight, one, 300, 320)
    assert 2350 < row(sight, one, sight.moment) < 2420
    assert ("over" if sign > 0 else "under") in sight.says and sight.worst == 11


def test_a_leak_shows_over_the_parked_hours_after_settling() -> None:
    one = log(rows=24 * 6, step_s=1800)  # three days
    one.current[:4] = 50.0
    one.cell_voltage[:, 13] -= np.linspace(0, 0.012, one.rows)
    sight = sight_of(finding("self_discharge_high", 14), one)
    assert row(sight, one, sight.end) == one.rows - 1
    assert one.time[4] + np.timedelta64(10, "h") < sight.start < one.time[4] + np.timedelta64(16, "h")
    assert "sinks" in sight.says and "days" in sight.says and sight.worst == 14


@pytest.mark.parametrize("cause", ["tap_open", "taps_swapped"])
def test_two_neighbours_show_where_they_stand_furthest_apart(cause: str) -> None:
    one = log()
    one.cell_voltage[1200:1230, 3] += 0.09
    one.cell_voltage[1200:1230, 4] -= 0.07
    sight = sight_of(finding(cause, 4, 5), one)
    assert inside(sight, one, 1200, 1229) and (sight.worst, sight.named) == (4, (5,))
    assert "over" in sight.says and "under" in sight.says


def test_a_resistive_wire_shows_at_the_edge_of_a_flag() -> None:
    one = log()
    assert one.bleed is not None
    one.bleed[800:900, 5] = one.bleed[2000:2100, 5] = True
    one.current[800:830] = 150.0  # a pull begins with this edge
    one.cell_voltage[800:830, 5] -= 0.2
    one.cell_voltage[2000:2100, 5] -= 0.03
    sight = sight_of(finding("tap_resistive", 6, 7), one)
    assert row(sight, one, sight.moment) in (2000, 2100) and sight.end - sight.start < 300 * SECOND
    assert sight.worst == 6 and "30 mV" in sight.says and "its own bleeding" in sight.says


@pytest.mark.parametrize("cause", ["bleed_ineffective", "bleed_misplaced"])
def test_bleeding_shows_from_its_edge_on(cause: str) -> None:
    one = log()
    assert one.bleed is not None
    one.bleed[100:130, 2] = one.bleed[900:2000, 2] = True
    sight = sight_of(finding(cause, 3), one)
    assert row(sight, one, sight.moment) == 900 and inside(sight, one, 880, 1999)
    assert "18.3 min" in sight.says  # 1099 s


def test_a_stuck_reading_shows_where_the_rest_moves_most() -> None:
    one = log()
    one.cell_voltage[:, :] -= 0.2 * np.exp(-(((np.arange(3000) - 1800) / 60) ** 2))[:, None]
    one.cell_voltage[:, 1] = 3.8
    sight = sight_of(finding("channel_stuck", 2), one)
    assert sight.start <= one.time[1800] <= sight.end and sight.end - sight.start < 400 * SECOND
    assert "does not move" in sight.says


def test_a_shifted_reading_shows_at_rest() -> None:
    one = log()
    one.current[:1500] = 40.0
    one.cell_voltage[:, 1] += 0.025
    sight = sight_of(finding("channel_offset", 2), one)
    assert row(sight, one, sight.start) >= 1500 and "over" in sight.says and sight.worst == 2


@pytest.mark.parametrize(
    ("high", "word"), [(True, "over its limit of 4.2 V"), (False, "under its limit of 3 V")]
)
def test_a_limit_shows_in_the_minutes_past_it(high: bool, word: str) -> None:
    one = log()
    one.cell_voltage[700:710, 4] = 4.21 if high else 2.99
    one.cell_voltage[1500:1680, 4] = 4.25 if high else 2.9
    sight = sight_of(finding("limit_exceeded", 5), one)
    assert inside(sight, one, 1500, 1679) and row(sight, one, sight.start) > 710
    assert sight.spans == ((one.time[1500], one.time[1679]),)
    assert word in sight.says and "3.0 min" in sight.says and f"{50 if high else 100} mV" in sight.says


def test_heat_past_the_limit_and_charging_in_the_cold() -> None:
    one = log()
    one.temperature[::2] += 0.1  # a sensor's step
    one.temperature[1000:1120, 2] = 58.0
    sight = sight_of(finding("limit_exceeded", sensor="T3"), one)
    assert (
        sight.spans == ((one.time[1000], one.time[1119]),)
        and "2.0 min" in sight.says
        and sight.sensor == "T3"
    )
    cold = log()
    cold.temperature[:] = -4.0
    cold.current[300:330], cold.current[2000:2060] = -10.0, -40.0
    sight = sight_of(finding("cold_charge"), cold)
    assert (
        sight.spans == ((cold.time[2000], cold.time[2059]),)
        and "40 A" in sight.says
        and "-4.0 °C" in sight.says
    )


def test_a_sensor_is_held_against_the_median_of_the_others() -> None:
    one = log(step_s=10)
    one.temperature[1800:1900, 1] = 31.0
    sight = sight_of(finding("temperature_sensor_fault", 5, 6, sensor="T2"), one)
    assert inside(sight, one, 1800, 1899) and sight.sensor == "T2" and sight.others == ("T1", "T3", "T4")
    assert "31.0 °C" in sight.says and "20.0 °C" in sight.says and sight.worst is None
    warm = log(step_s=10)
    warm.temperature[:] += np.linspace(0, 5, warm.rows)[:, None]
    warm.temperature[:, 3] += np.linspace(0, 4, warm.rows)
    sight = sight_of(finding("runs_hot", sensor="T4"), warm)
    assert (sight.start, sight.end) == (warm.time[0], warm.time[-1]) and "9.0 K" in sight.says


def test_a_current_that_does_not_read_nought_shows_at_rest() -> None:
    one = log(rows=9000)
    one.current[:] = 0.3
    one.current[:4000] = 60.0
    sight = sight_of(finding("current_sensor_zero"), one)
    assert row(sight, one, sight.start) >= 4000 and sight.end == one.time[-1] and "0.30 A" in sight.says


def test_the_log_itself_shows_at_its_longest_gap() -> None:
    one = log()
    later = replace(one, time=one.time + np.where(np.arange(3000) >= 1700, 400, 0) * SECOND)
    sight = sight_of(finding("log_quality"), later)
    assert sight.spans == ((later.time[1699], later.time[1700]),) and "6.7 min" in sight.says


@pytest.mark.parametrize("cause", CAUSES)
def test_every_cause_has_a_window_whatever_the_log_lacks(cause: str) -> None:
    """No current, no flags, no sensors, a cell without readings, two rows."""
    bare = replace(log(), current=None, bleed=None, temperature=np.empty((3000, 0)))
    bare.cell_voltage[:, 5] = np.nan
    short = replace(
        bare, time=bare.time[:2], cell_voltage=bare.cell_voltage[:2], temperature=np.empty((2, 0))
    )
    alone = replace(bare, cells=(5,), cell_voltage=bare.cell_voltage[:, 4:5])
    for one in (bare, short, alone):
        for of in (finding(cause, 6), finding(cause, 5, 6), finding(cause, sensor="T1"), finding(cause)):
            sight = sight_of(of, one)
            assert one.time[0] <= sight.start <= sight.moment <= sight.end <= one.time[-1]
            assert sight.spans and sight.says.endswith(".") and "nan" not in sight.says
            assert sight.worst != 6
