"""What proves a finding is what the finding says: arrays of strings by hand, beside what was planted and told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.base.pack import Limits
from bmslogs.base.results import Finding
from bmslogs.findings import diagnose
from bmslogs.findings.evidence.at_rest import rest_current
from bmslogs.findings.evidence.bleed_jumps import bleed_jumps
from bmslogs.findings.evidence.charge_deviation import charge_deviation, counted_charge
from bmslogs.findings.evidence.deviation import from_median
from bmslogs.findings.evidence.load_drop import drop_course
from bmslogs.findings.evidence.loom import median_readings, put_back
from bmslogs.findings.evidence.parked_drift import parked_drift
from bmslogs.findings.evidence.shown import SHOWN, limits_of, shown_rows
from bmslogs.findings.evidence.source import known
from bmslogs.findings.evidence.spans import runs_of
from bmslogs.findings.evidence.warming import warming
from bmslogs.findings.registry import CAUSES
from bmslogs.log import Log
from tests.findings.by_hand import a_pack, rest, run, string
from tests.findings.planted import CASES, DRIVE, bled_at_rest, bled_through_wires, charge, warm_log


def told(log: Log, cause: str) -> Finding:
    (one,) = [f for f in diagnose(log).findings if f.cause == cause]
    return one


def test_a_leak_draws_the_slope_that_its_milliamperes_make() -> None:
    """10 mA are 0.24 Ah a day, 0.24 % of 100 Ah, 2.88 mV of this curve; what is told lies on the same line."""
    log = CASES["self_discharge_high"].make(0.010)
    drift = parked_drift(known(log).study)
    assert drift.slope[5] == pytest.approx(-2.88e-3, rel=0.05)
    assert_allclose(np.delete(drift.slope, 5), 0.0, atol=0.1e-3)
    line = drift.line(5)
    assert line is not None
    days = drift.days[drift.settled]
    assert_allclose(np.diff(line) / np.diff(days), drift.slope[5])
    size = told(log, "self_discharge_high").size
    assert size == pytest.approx(-drift.slope[5] / 1.2 * 100.0 / 24.0, rel=0.02)


def test_a_pack_that_was_not_parked_draws_its_readings_without_a_slope() -> None:
    drift = parked_drift(known(run(string(), DRIVE)).study)
    assert len(drift.rows) == len(DRIVE) and not drift.settled.any()
    assert np.isnan(drift.slope).all() and drift.line(3) is None


def test_an_emptier_cell_lies_below_by_what_it_lacks_all_along() -> None:
    """5 % of charge are 5 Ah, at the first row and at the last: its line has no slope."""
    s = string(soc=0.35, lot=0.2)
    s.soc[5] -= 0.05
    found = charge_deviation(known(run(s, charge(55.0), 10)))
    assert found.offset[5] == pytest.approx(-5.0, abs=0.3)
    assert abs(found.slope[5]) < 0.005
    assert np.nanmedian(found.fuller[:, 5]) == pytest.approx(-5.0, abs=0.3)
    assert_allclose(found.line(5), found.offset[5] + found.slope[5] * (found.drawn - found.drawn[0]))


def test_a_smaller_cell_leaves_the_others_by_its_lack_for_each_ampere_hour() -> None:
    """A cell of 80 Ah in a string of 100 Ah moves 1.25 times as far: a quarter of an ampere-hour for each one."""
    s = string(soc=0.98, lot=0.2)
    s.capacity[5] = 80.0
    found = charge_deviation(known(run(s, -charge(60.0), 10)))
    assert found.slope[5] == pytest.approx(-0.25, abs=0.01)


def test_counted_charge_is_current_over_time() -> None:
    """30 A for two hours: 60 Ah charged, and 60 % of the curve gone up."""
    drawn, soc = counted_charge(known(run(string(soc=0.3, lot=0.2), charge(60.0), 10)))
    assert drawn[-1] == pytest.approx(-60.0, abs=0.2)
    assert soc is not None and soc[-1] - soc[0] == pytest.approx(0.6, abs=0.01)


def test_the_course_of_a_drop_is_that_of_the_circuit() -> None:
    """0.7 mohm at once and 0.4 mohm behind 25 s: 0.7 + 0.4 (1 - e^(-t / 25))."""
    s = string()
    s.slow_ohm, s.ohm = 0.4 * s.ohm, 0.7 * s.ohm
    course = drop_course(known(run(s, DRIVE)).study)
    for t, ohm in zip(course.seconds, np.median(course.ohm, axis=1), strict=True):
        assert ohm == pytest.approx(0.7e-3 + 0.4e-3 * (1.0 - np.exp(-t / 25.0)), rel=0.03)


def test_a_hot_place_rises_on_a_steeper_line() -> None:
    """3 mK for each A^2 of lingering heat where the others have 2."""
    found = warming(known(warm_log((2e-3, 3e-3, 2e-3, 2e-3))).study)
    some = found.squared > 0.3 * found.squared.max()
    slopes = np.median(found.rise[some] / found.squared[some, None], axis=0)
    assert slopes[1] / np.median(slopes) == pytest.approx(1.5, rel=0.03)
    assert_allclose(slopes[[0, 2, 3]], 2e-3, rtol=0.1)


def test_switching_a_resistor_beside_a_bad_wire_moves_both_readings_beside_it() -> None:
    """0.35 ohm at 3.9 V over 33 ohm: 41 mV down on the bled cell, as much up on the one across the wire."""
    jumps = {j.source: j for j in bleed_jumps(known(bled_through_wires(0.35)).study, 4)}
    amps = 3.9 / 33.35
    down, up = (jumps[4].jump[list(jumps[4].columns).index(k)] for k in (4, 5))
    assert down == pytest.approx(-0.35 * amps, rel=0.05) and up == pytest.approx(0.35 * amps, rel=0.05)


def test_swapped_wires_are_put_back() -> None:
    """Readings a + b, -b, b + c are the cells a, b, c, whatever they are."""
    assert put_back({5: 7.1, 6: -3.6, 7: 7.3}) == pytest.approx({5: 3.5, 6: 3.6, 7: 3.7})
    assert put_back({5: 3.5, 6: 3.6}) == {} and put_back({1: -3.6, 2: 7.1}) == {}
    log = CASES["taps_swapped"].make(1.0)
    mended = put_back(median_readings(known(log).study))
    assert set(mended) == {5, 6, 7}
    assert_allclose(list(mended.values()), np.median(log.cell_voltage[:, 0]), atol=0.01)


def test_the_current_at_rest_is_what_the_finding_tells() -> None:
    log = CASES["current_sensor_zero"].make(1.5)
    amps = rest_current(known(log).study.flow)
    assert np.isfinite(amps).mean() > 0.9  # it stands all along
    assert np.nanmedian(amps) == pytest.approx(1.5, abs=0.05) == told(log, "current_sensor_zero").size


def test_deviation_is_from_the_median_of_the_cells_that_are_believed() -> None:
    volts = np.array([[3.0, 3.2, 3.4, 9.0], [3.0, np.nan, 3.4, 9.0]])
    assert_allclose(
        from_median(volts, np.array([True, True, True, False])),
        [[-0.2, 0.0, 0.2, 5.8], [-0.2, np.nan, 0.2, 5.8]],
    )


# ---- the rows in which the readings show it -----------------------------------------------------------------------


def rows_of(cause: str, log: Log) -> np.ndarray:
    rows = shown_rows(told(log, cause), known(log))
    assert rows is not None
    return np.flatnonzero(rows)


def test_a_passed_limit_is_shown_in_the_rows_that_passed_it() -> None:
    """Cell 6 is above from row 400 to 999."""
    log = CASES["limit_exceeded"].make(0.02)
    assert_allclose(rows_of("limit_exceeded", log), np.arange(400, 1000))
    (past,) = limits_of(told(log, "limit_exceeded"), known(log))
    assert past.bound == 4.1 and past.over[500, 0] == pytest.approx(0.02, abs=0.002)


def test_charge_in_the_cold_is_shown_while_it_was_charged() -> None:
    log = CASES["cold_charge"].make(5.0)
    assert_allclose(rows_of("cold_charge", log), np.arange(120, 840))  # ten minutes at 5 s, then an hour


@pytest.mark.parametrize(
    ("cause", "log", "cells"),
    [
        ("bleed_ineffective", bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0}), (9,)),
        ("bleed_misplaced", bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0, 12: 1.0}), (9, 12)),
        ("tap_resistive", bled_through_wires(0.6), (5, 6)),
    ],
)
def test_bleeding_is_shown_while_a_named_cell_was_told_to(
    cause: str, log: Log, cells: tuple[int, ...]
) -> None:
    assert log.bleed is not None
    right = log.bleed[:, np.array(cells) - 1].any(axis=1)
    assert_allclose(rows_of(cause, log), np.flatnonzero(right))
    assert runs_of(right)


def test_causes_that_no_reading_shows_by_itself_have_no_rows() -> None:
    assert set(SHOWN) <= set(CAUSES)
    log = CASES["capacity_low"].make(0.06)
    assert shown_rows(told(log, "capacity_low"), known(log)) is None


def test_a_charging_limit_in_fahrenheit_draws_the_one_that_counts() -> None:
    current = rest(20)
    current[300:900] = -30.0
    s = string(pack=a_pack(limits=Limits(charge_temperature_min_C=32.0)), soc=0.5)
    log = run(s, current)
    log = replace(log, temperature=np.full((log.rows, 3), -5.0))
    assert_allclose(rows_of("cold_charge", log), np.arange(300, 900))
